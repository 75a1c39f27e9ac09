"""A sheet of exact size in millimetres, its style, and the finished figure with its caption, alt text and data."""

from __future__ import annotations

import math
import string
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import matplotlib.figure
import matplotlib.style
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, get_font
from numpy.typing import ArrayLike

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


class Sheet:
    """An empty figure on which places are given in millimetres from the top left corner.

    Parameters
    ----------
    width_mm, height_mm : float
        The bitmap's size is this at 300 dots an inch, rounded up to whole pixels.
    """

    def __init__(self, width_mm: float, height_mm: float):
        self.width_mm, self.height_mm = width_mm, height_mm
        # matplotlib rounds pixels down; the thousandth keeps a whole number from falling just below itself.
        across, down = ((pixels(side) + 1e-3) / DPI for side in (width_mm, height_mm))
        self.figure = matplotlib.figure.Figure(figsize=(across, down), dpi=DPI)
        # Places count from the rounded size, so that a millimetre is as long across as down.
        self._across_mm, self._down_mm = across * MM_PER_INCH, down * MM_PER_INCH

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Add axes; all lengths in millimetres, ``top`` measured downwards."""
        return self.figure.add_axes(
            (
                left / self._across_mm,
                1 - (top + height) / self._down_mm,
                width / self._across_mm,
                height / self._down_mm,
            )
        )

    def text(self, left: float, top: float, text: str, **settings: object) -> None:
        """Write text with its top left corner at a place in millimetres."""
        settings = {"ha": "left", "va": "top", "fontsize": TEXT, **settings}
        self.figure.text(left / self._across_mm, 1 - top / self._down_mm, text, **settings)  # type: ignore[arg-type]

    def heading(self, left: float, top: float, letter: str, heading: Heading) -> None:
        """Write a panel's letter (bold), heading and, below, its note."""
        shift = 0.0
        if letter:
            self.text(left, top, letter, fontsize=HEADING, fontweight="bold")
            shift = 4.0
        if heading.species:
            self.text(left + shift, top, heading.species, fontsize=HEADING, fontstyle="italic")
        before = text_width_mm(heading.species, HEADING)
        self.text(left + shift + before, top, heading.text, fontsize=HEADING)
        self.text(left + shift, top + 3.6, heading.note, fontsize=SMALL, color=SOFT_INK)


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
    """Return panel letters; none when there is a single panel."""
    if count < 2:
        return [""] * count
    return [string.ascii_lowercase[i % 26] * (1 + i // 26) for i in range(count)]


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
