"""What a person reads or hears of a page: its texts, and those that stand for images and fields."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

_SPOKEN = ("alt", "aria-label", "title", "placeholder")
_WITHOUT_END = ("img", "meta", "br", "input", "link", "hr")


class _Texts(HTMLParser):
    """Gather texts; style, script, code, settings and the bibliography stay as they are in every language."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._left_out = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        as_it_is = tag in ("style", "script", "code") or "sources" in (told.get("class") or "")
        if self._left_out or as_it_is or told.get("id") == "settings":
            self._left_out += tag not in _WITHOUT_END
            return
        self.found += [told[name] or "" for name in _SPOKEN if name in told]

    def handle_endtag(self, tag: str) -> None:
        self._left_out -= self._left_out > 0

    def handle_data(self, data: str) -> None:
        if not self._left_out:
            self.found.append(data)


def texts_of_page(path: Path) -> list[str]:
    """Return the texts of an HTML file in order."""
    found = _Texts()
    found.feed(re.sub(r'src="data:[^"]*"', "", path.read_text(encoding="utf-8")))
    return found.found
