"""A sheet of exact size in millimetres, its style, and the finished figure with its caption, alt text and data."""

from __future__ import annotations

import math
import string
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import matplotlib.figure
import matplotlib.style
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, get_font
from numpy.typing import ArrayLike

from morphcline.language import _
from morphcline.render.palettes import GUIDE, INK, LINE, PAPER, SOFT_INK

#: Dots per inch of bitmaps, and of bitmap layers within vector files.
DPI = 300
#: What a journal page takes.
MAX_HEIGHT_MM = 230.0
#: Above this many marks a layer becomes a bitmap within the vector file.
RASTERISE_ABOVE = 5000

MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72

#: Font sizes in points.
TEXT = 7.0
SMALL = 6.3
HEADING = 7.8
#: How far the letters of the font reach above their line, as a part of its size.
ASCENT = 0.76
#: Between the lines of a heading, and of its note.
TITLE_LINE_MM = 3.3
NOTE_LINE_MM = 2.8

_STYLE = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": TEXT,
    "text.color": INK,
    "axes.labelsize": TEXT,
    "axes.labelcolor": INK,
    "axes.titlesize": HEADING,
    "axes.edgecolor": LINE,
    "axes.linewidth": 0.6,
    "axes.labelpad": 2.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "xtick.color": LINE,
    "ytick.color": LINE,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "xtick.major.pad": 2.0,
    "ytick.major.pad": 2.0,
    "grid.color": GUIDE,
    "grid.linewidth": 0.5,
    "lines.linewidth": 1.0,
    "hatch.linewidth": 0.5,
    "legend.frameon": False,
    "legend.fontsize": TEXT,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "pdf.fonttype": 42,
    "ps.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "morphcline",
    "path.simplify": True,
}


@contextmanager
def style() -> Iterator[None]:
    """Put matplotlib's defaults and our own settings in force for a block, whatever the user's settings are."""
    with matplotlib.style.context(["default", _STYLE]):
        yield


@dataclass(frozen=True)
class Figure:
    """A figure ready to be saved.

    Parameters
    ----------
    name : str
        Of its files.
    sheet : matplotlib figure
    data : DataFrame
        What is drawn, places blurred as drawn.
    caption : str
        n, denominator, method, settings and CRS.
    alt : str
        For those who don't see it: what, where, range, main pattern, n.
    """

    name: str
    sheet: matplotlib.figure.Figure
    data: pd.DataFrame
    caption: str
    alt: str


class Heading(NamedTuple):
    """What stands above a panel: a text, after a species' name in italics if there is one, and a note below."""

    text: str
    note: str = ""
    species: str = ""


@dataclass
class Place:
    """Where figures drawn within :func:`placed` go: onto a part of another sheet, their keys kept back.

    Attributes
    ----------
    on : Sheet or None
        The sheet they become a part of; None draws each on a sheet of its own, to learn how much room it takes.
    left, top : float
        Of the part, in millimetres.
    first : int
        Panel letters before it.
    letters : list of str
        Panel letters given so far.
    species : str
        Put into each heading that names none.
    keys : list of Key
        Legends that the figures asked for, for the sheet to draw once.
    height_mm : float
        Of the figure drawn last.
    """

    on: Sheet | None = None
    left: float = 0.0
    top: float = 0.0
    first: int = 0
    letters: list[str] = field(default_factory=list)
    species: str = ""
    keys: list[Any] = field(default_factory=list)
    height_mm: float = 0.0


_PLACE: ContextVar[Place | None] = ContextVar("place", default=None)
_TALLEST: ContextVar[float] = ContextVar("tallest", default=MAX_HEIGHT_MM)


def tallest_mm() -> float:
    """Return how tall a sheet may be here."""
    return _TALLEST.get()


@contextmanager
def no_taller_than(height_mm: float) -> Iterator[None]:
    """Draw lower sheets for a block, as a text wants them that has several to a page."""
    token = _TALLEST.set(height_mm)
    try:
        yield
    finally:
        _TALLEST.reset(token)


def place() -> Place | None:
    """Return the part of a larger sheet that is being drawn, if one is."""
    return _PLACE.get()


@contextmanager
def placed(where: Place) -> Iterator[None]:
    """Draw figures as parts of a larger sheet for a block: their functions need know nothing of it."""
    token = _PLACE.set(where)
    try:
        yield
    finally:
        _PLACE.reset(token)


class Sheet:
    """An empty figure, or a part of one, on which places are given in millimetres from the top left corner.

    Parameters
    ----------
    width_mm, height_mm : float
        The bitmap's size is this at 300 dots an inch, rounded up to whole pixels.
    """

    figure: matplotlib.figure.Figure

    def __init__(self, width_mm: float, height_mm: float):
        self.width_mm, self.height_mm = width_mm, height_mm
        self.left, self.top = 0.0, 0.0
        self._across_mm, self._down_mm = width_mm, height_mm
        where = place()
        if where is not None:
            where.height_mm = height_mm
            if where.on is not None:
                self.figure, self.left, self.top = where.on.figure, where.left, where.top
                self._across_mm, self._down_mm = where.on._across_mm, where.on._down_mm
                return
        # matplotlib rounds pixels down; the thousandth keeps a whole number from falling just below itself.
        across, down = ((pixels(side) + 1e-3) / DPI for side in (width_mm, height_mm))
        self.figure = matplotlib.figure.Figure(figsize=(across, down), dpi=DPI)
        # Places count from the rounded size, so that a millimetre is as long across as down.
        self._across_mm, self._down_mm = across * MM_PER_INCH, down * MM_PER_INCH

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Add axes; all lengths in millimetres, ``top`` measured downwards."""
        return self.figure.add_axes(
            (
                (self.left + left) / self._across_mm,
                1 - (self.top + top + height) / self._down_mm,
                width / self._across_mm,
                height / self._down_mm,
            )
        )

    def axes_width_mm(self, axes: Axes) -> float:
        """Return how wide axes on this sheet are."""
        return float(axes.get_position().width) * self._across_mm

    def text(self, left: float, top: float, text: str, **settings: object) -> None:
        """Write text with its top left corner at a place in millimetres."""
        settings = {"ha": "left", "va": "top", "fontsize": TEXT, **settings}
        across, down = (self.left + left) / self._across_mm, 1 - (self.top + top) / self._down_mm
        self.figure.text(across, down, text, **settings)  # type: ignore[arg-type]

    def heading(self, left: float, top: float, letter: str, heading: Heading) -> None:
        """Write a panel's letter (bold), heading and, below, its note; either may be of several lines."""
        shift = 0.0
        if letter:
            self._line(left, top, letter, HEADING, fontweight="bold")
            shift = _letter_room(letter)
        if heading.species:
            self._line(left + shift, top, heading.species, HEADING, fontstyle="italic")
        first, *others = heading.text.split("\n")
        self._line(left + shift + text_width_mm(heading.species, HEADING), top, first, HEADING)
        for line in others:
            top += TITLE_LINE_MM
            self._line(left + shift, top, line, HEADING)
        for i, line in enumerate(heading.note.split("\n")):
            self._line(left + shift, top + 3.6 + i * NOTE_LINE_MM, line, SMALL, color=SOFT_INK)

    def _line(self, left: float, top: float, text: str, size: float, **settings: object) -> None:
        """Write a line whose letters reach up to ``top``; an accent on a capital may stand above."""
        baseline = top + ASCENT * size * MM_PER_POINT
        self.text(left, baseline, text, va="baseline", fontsize=size, **settings)


def fitted(headings: Sequence[Heading], room_mm: float) -> tuple[list[Heading], float]:
    """Break headings into lines that fit a width, and say how much more room above the panels that takes.

    Parameters
    ----------
    headings : sequence of Heading
        On a part of a larger sheet they are given the part's species where they name none.
    room_mm : float
        Of the letter, the heading and the note.

    Returns
    -------
    list of Heading, float
    """
    where = place()
    room = room_mm - (_letter_room("a") if where is not None or len(headings) > 1 else 0.0)
    made = []
    for heading in headings:
        if where is not None and where.species and not heading.species:
            after = _(": {heading}").format(heading=heading.text) if heading.text else ""
            heading = heading._replace(species=where.species, text=after)
        before = text_width_mm(heading.species, HEADING)
        if heading.species and heading.text and before + text_width_mm(heading.text, HEADING) > room:
            # The species has a line of its own; what joined the two goes with it.
            rest = heading.text.lstrip(" \u00a0\u202f:")
            text = "\n" + wrapped(rest, HEADING, room)
        else:
            text = wrapped(heading.text, HEADING, room - before)
        made.append(heading._replace(text=text, note=wrapped(heading.note, SMALL, room)))
    extra = [heading.text.count("\n") * TITLE_LINE_MM + heading.note.count("\n") * NOTE_LINE_MM for heading in made]
    return made, max(extra, default=0.0)


def wrapped(text: str, size: float, room_mm: float) -> str:
    """Break a text of one line between words so that its lines fit, as far as its words do."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_mm(longer, size) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return "\n".join(lines)


def _letter_room(letter: str) -> float:
    return 4.0 if len(letter) == 1 else 5.6


def pixels(millimetres: float) -> int:
    """Return a length in pixels of the bitmap, rounded up."""
    return math.ceil(round(millimetres / MM_PER_INCH * DPI, 6))


@lru_cache(maxsize=2048)
def text_width_mm(text: str, size: float = TEXT) -> float:
    """Return how wide a text of one line comes out."""
    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    # Measured enlarged, where fitting to pixels doesn't matter; FreeType counts in 64ths of one.
    font.set_size(size, 72 * 16)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64 / 16 * MM_PER_POINT


def letters(count: int) -> list[str]:
    """Return panel letters: none for the single panel of a figure; on a larger sheet they go on from part to part."""
    where = place()
    if where is None:
        return [_letter(i) for i in range(count)] if count > 1 else [""] * count
    given = [_letter(where.first + len(where.letters) + i) for i in range(count)]
    where.letters += given
    return given


def _letter(number: int) -> str:
    return string.ascii_lowercase[number % 26] * (1 + number // 26)


def letter_number(letter: str) -> int:
    """Return how many panels come before one of this letter: ``"a"`` is 0, ``"aa"`` follows ``"z"``."""
    return ord(letter[0]) - ord("a") + 26 * (len(letter) - 1)


def draw_circles(
    axes: Axes, easting: ArrayLike, northing: ArrayLike, diameters: ArrayLike, colours: ArrayLike, **settings: object
) -> None:
    """Draw circles, the largest first so that none hides a smaller one.

    Parameters
    ----------
    axes : matplotlib axes
    easting, northing : (n,) array_like
        In the units of the axes.
    diameters : (n,) array_like
        In points; taken to the nearest third of a point, so that a vector file holds few different shapes.
    colours : (n, 4) array_like
    **settings
        Of matplotlib's ``scatter``.
    """
    x, y, fill = np.asarray(easting), np.asarray(northing), np.asarray(colours)
    thirds = np.rint(3 * np.asarray(diameters, dtype=np.float64)).astype(int)
    for size in np.unique(thirds)[::-1]:
        chosen = thirds == size
        axes.scatter(
            x[chosen], y[chosen], s=(size / 3) ** 2, c=fill[chosen], rasterized=len(x) > RASTERISE_ABOVE,
            **settings,  # type: ignore[arg-type]
        )  # fmt: skip
