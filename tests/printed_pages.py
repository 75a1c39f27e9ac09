"""What must hold of printed pages, read from the pages' text and the HTML that they were made from."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from io import BytesIO
from typing import Any

from pypdf import PdfReader

_HEADS = ("h1", "h2", "h3", "h4")


@dataclass
class Listed:
    """A table of the page: caption and rows, as squeezed texts."""

    caption: str = ""
    rows: list[str] = field(default_factory=list)


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.heads: list[str] = []
        self.tables: list[Listed] = []
        self.captions: list[str] = []
        self._text: list[str] | None = None
        self._in_body = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in (*_HEADS, "caption", "figcaption") or (tag == "tr" and self._in_body):
            self._text = []
        elif tag == "table":
            self.tables.append(Listed())
        elif tag == "tbody":
            self._in_body = True

    def handle_data(self, data: str) -> None:
        if self._text is not None:
            self._text.append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "tbody":
            self._in_body = False
        if self._text is None:
            return
        text = squeezed("".join(self._text))
        if tag in _HEADS:
            self.heads.append(text)
        elif tag == "caption":
            self.tables[-1].caption = text
        elif tag == "figcaption":
            self.captions.append(text)
        elif tag == "tr":
            self.tables[-1].rows.append(text)
        else:
            return
        self._text = None


def squeezed(text: str) -> str:
    """Return a text without white space, which PDFs place as they like, and without ligatures."""
    return re.sub(r"\s+", "", text.replace("ﬁ", "fi").replace("ﬂ", "fl"))


def pages_of(pdf: bytes, *, running: str) -> list[str]:
    """Return the squeezed text of each page, without running title and page number."""
    pages = [squeezed(page.extract_text()) for page in PdfReader(BytesIO(pdf)).pages]
    margin = re.compile(
        rf"^({re.escape(squeezed(running))})?(Page\d+/\d+)?|({re.escape(squeezed(running))})?(Page\d+/\d+)?$"
    )
    return [margin.sub("", page) for page in pages]


def faults(page: str, printed: list[str], *, longest_whole: int) -> Iterator[str]:
    """Yield what is wrong: headings left behind, tables split that fit a page, figures parted from their captions."""
    found = _Page()
    found.feed(re.sub(r'src="data:[^"]*"', "", page))
    for number, text in enumerate(printed, start=1):
        yield from (f"heading {head!r} ends page {number}" for head in found.heads if text.endswith(head))
    for table in found.tables:
        first = _page_with(table.caption, printed, 0)
        pages = sorted({_page_with(row, printed, first) for row in table.rows})
        if pages and pages[0] != first:
            yield f"caption {table.caption!r} is apart from its rows"
        if len(table.rows) <= longest_whole and len(pages) > 1:
            yield f"table {table.caption!r} of {len(table.rows)} rows is split"
        yield from (
            f"no word on page {number + 1} that {table.caption!r} continues"
            for number in pages[1:]
            if "Continued." not in printed[number]
        )
    for caption in found.captions:
        number = _page_with(caption, printed, 0)
        name = caption.partition(":")[0]
        yield from (
            f"{mark} of {name} is cut off" for mark in (f"top-{name}", f"end-{name}") if mark not in printed[number]
        )


def _page_with(text: str, printed: list[str], start: int) -> int:
    return next(number for number in range(start, len(printed)) if text in printed[number])


def printed_by_chromium(browser: Any, address: str) -> bytes:
    """Return a page as Chromium prints it."""
    browser.get(address)
    told = browser.execute_cdp_cmd("Page.printToPDF", {"printBackground": True, "preferCSSPageSize": True})
    return base64.b64decode(told["data"])
