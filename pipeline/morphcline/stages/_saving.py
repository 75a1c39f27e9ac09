"""Save a figure with its data and texts: same bytes for the same figure, no dates, described inside and beside."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from fontTools import subset

from morphcline.files.atomic import whole_file, write_text
from morphcline.files.tables import write_table
from morphcline.render.figures.sheet import DPI, Figure, style

#: What matplotlib's default leaves out for a format.
_ENCODING: dict[str, Any] = {"png": {"pil_kwargs": {"compress_level": 5}}}
#: Tables of a font by which text is laid out: in a PDF, where each letter has its place, nothing reads them.
_LAYOUT_TABLES = ("GSUB", "GPOS", "GDEF", "kern")


def save(figure: Figure, folder: Path, formats: Iterable[str]) -> list[str]:
    """Write a figure in each format, its data as CSV and its caption and alt text as TXT, then let go of it.

    Parameters
    ----------
    figure : Figure
    folder : path
    formats : iterable of {"png", "svg", "pdf"}

    Returns
    -------
    list of str
        Names of the files written.
    """
    names = []
    for kind in formats:
        name = f"{figure.name}.{kind}"
        with whole_file(folder / name) as temporary, style(), letters_alone():
            figure.sheet.savefig(
                temporary, format=kind, dpi=DPI, metadata=_metadata(figure, kind), **_ENCODING.get(kind, {})
            )
            if kind == "svg":
                _describe(temporary, figure)
        names.append(name)
    write_table(folder / f"{figure.name}.csv", figure.data)
    write_text(folder / f"{figure.name}.txt", f"{figure.caption}\n\n{figure.alt}\n")
    figure.sheet.clear()
    return [*names, f"{figure.name}.csv", f"{figure.name}.txt"]


def title_of(figure: Figure) -> str:
    """Return what a figure shows, in the study's language: its caption as far as a bracket, semicolon or full stop."""
    return re.split(r"\.(?:\s|$)|\s?[(;]", figure.caption, maxsplit=1)[0]


@contextmanager
def letters_alone() -> Iterator[None]:
    """Take fonts into PDFs without what lays text out, for a block.

    matplotlib cuts fonts down to the letters used with fontTools, which reads, cuts and writes those tables too: that
    takes as long as drawing the figure does.
    """
    load = subset.load_font

    def load_letters(*arguments: Any, **settings: Any) -> Any:
        font = load(*arguments, **settings)
        for table in _LAYOUT_TABLES:
            if table in font:
                del font[table]
        return font

    subset.load_font = load_letters
    try:
        yield
    finally:
        subset.load_font = load


def _metadata(figure: Figure, kind: str) -> dict[str, str | None]:
    title = title_of(figure)
    if kind == "png":
        return {"Software": "morphcline", "Title": title, "Description": figure.alt}
    if kind == "svg":
        return {"Date": None, "Creator": "morphcline", "Title": title, "Description": figure.alt}
    return {
        "CreationDate": None, "ModDate": None, "Producer": None,
        "Creator": "morphcline", "Title": title, "Subject": figure.alt,
    }  # fmt: skip


def _describe(path: Path, figure: Figure) -> None:
    """Put the alt text where a screen reader looks for it: matplotlib writes it into the metadata alone."""
    text = path.read_text(encoding="utf-8")
    head, tag, rest = text.partition("<svg ")
    attributes, end, body = rest.partition(">")
    described = (
        f'role="img" aria-labelledby="figure-title figure-description" {attributes}{end}\n'
        f' <title id="figure-title">{escape(title_of(figure))}</title>\n'
        f' <desc id="figure-description">{escape(figure.alt)}</desc>'
    )
    path.write_bytes((head + tag + described + body).encode("utf-8"))
