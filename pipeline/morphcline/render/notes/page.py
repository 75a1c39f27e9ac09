"""A note as a page of its own and as plain text for a mail."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from morphcline.language import _, spoken
from morphcline.render.notes.chart import key
from morphcline.render.notes.letter import Letter, Part, Table

_WIDTH = 76


def as_page(letter: Letter) -> str:
    """Return a note as one HTML page that needs nothing beside it and prints on A4."""
    return _template().render(letter=letter, tag=spoken().tag, _=_, key=key).rstrip() + "\n"


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("morphcline", "render/notes"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template("note.html.j2")


def as_text(letter: Letter) -> str:
    """Return a note as plain text, in lines of at most 76 characters but for its tables."""
    lines = [letter.title, "=" * len(letter.title), ""]
    for paragraph in letter.opening:
        lines += [*_wrapped(paragraph), ""]
    for part in letter.parts:
        lines += _part(part)
    for paragraph in letter.closing:
        lines += [*_wrapped(paragraph), ""]
    return "\n".join(lines).rstrip() + "\n"


def _part(part: Part) -> Iterator[str]:
    yield part.heading
    yield "-" * len(part.heading)
    yield ""
    for paragraph in part.paragraphs:
        yield from (*_wrapped(paragraph), "")
    for chart in part.charts:
        yield from (chart.title, *(f"  {line}" for one in chart.lines() for line in _wrapped(one)), "")
    for point in part.points:
        yield from _wrapped(point, first="- ", then="  ")
    if part.points:
        yield ""
    for table in part.tables:
        yield from (*_table(table), "")


def _table(table: Table) -> Iterator[str]:
    yield from _wrapped(table.caption)
    rows = [table.heads, *table.rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(table.heads))]
    for row in rows:
        cells = [
            cell.ljust(width) if column < table.words else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()


def _wrapped(text: str, *, first: str = "", then: str = "") -> list[str]:
    # A no-break space may not be broken at, which textwrap would do.
    held = text.replace("\u00a0", "\u2060").replace("\u202f", "\u2061")
    lines = textwrap.wrap(held, _WIDTH, initial_indent=first, subsequent_indent=then, break_on_hyphens=False)
    return [line.replace("\u2060", "\u00a0").replace("\u2061", "\u202f") for line in lines]
