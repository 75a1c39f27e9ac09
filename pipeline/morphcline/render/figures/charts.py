"""Charts in rows and columns: panels of one size with room for axis labels."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.ticker import FuncFormatter, ScalarFormatter

from morphcline.language import speaking, spoken, with_marks
from morphcline.render import labels
from morphcline.render.figures.keys import Key, draw_keys, height_of_keys
from morphcline.render.figures.sheet import (
    DPI,
    MM_PER_INCH,
    TEXT,
    Heading,
    Sheet,
    fitted,
    letters,
    tallest_mm,
    wrapped,
)
from morphcline.render.palettes import GUIDE, PAPER

EDGE_MM = 1.5
LABEL_ROOM_MM = 6.0
#: Length of an axis below which its quarters would run into one another.
LEAST_PERCENTS_MM = {"x": 19.0, "y": 14.0}


@dataclass(frozen=True)
class Spacing:
    """Millimetres around the panels of a chart.

    Attributes
    ----------
    left, below : float
        For the tick labels and axis labels of each panel.
    head : float
        For a panel's heading.
    between : float
        Extra, between columns.
    first : float
        Left of the first column alone, for names that serve a whole row.
    right : float
        Right of each panel, for numbers.
    """

    left: float = 11.0
    below: float = 10.5
    head: float = 7.6
    between: float = 4.0
    first: float = 0.0
    right: float = 0.0


def chart_sheet(
    headings: Sequence[Heading],
    *,
    columns: int,
    height_mm: float,
    width_mm: float,
    keys: Sequence[Key] = (),
    spacing: Spacing = Spacing(),
) -> tuple[Sheet, list[Axes]]:
    """Return a sheet with a panel for each heading and the keys below them.

    Parameters
    ----------
    headings : sequence of Heading
    columns : int
    height_mm : float
        Of a panel; less where the page wouldn't hold the rows.
    width_mm : float
        Of the sheet.
    keys : sequence of Key
    spacing : Spacing
    """
    rows = math.ceil(len(headings) / columns)
    inner = width_mm - 2 * EDGE_MM
    below = height_of_keys(keys, inner) if keys else 0.0
    beside = spacing.left + spacing.right
    width = (inner - spacing.first - columns * beside - (columns - 1) * spacing.between) / columns
    fitting, extra = fitted(headings, width + beside)
    head = spacing.head + extra
    around = head + spacing.below
    height = min(height_mm, (tallest_mm() - below - 2 * EDGE_MM) / rows - around)
    sheet = Sheet(width_mm, 2 * EDGE_MM + rows * (height + around) + below)
    panels = []
    for i, (letter, heading) in enumerate(zip(letters(len(headings)), fitting, strict=True)):
        left = EDGE_MM + spacing.first + (i % columns) * (width + beside + spacing.between)
        top = EDGE_MM + (i // columns) * (height + around)
        # Room for the axis label of the first column is no reason to set its letter in.
        label_room = spacing.first if i % columns == 0 and spacing.first <= LABEL_ROOM_MM else 0.0
        sheet.heading(left - label_room, top, letter, heading)
        panels.append(sheet.axes(left + spacing.left, top + head, width, height))
    if keys:
        top = EDGE_MM + rows * (height + around)
        draw_keys(sheet, keys, left=EDGE_MM, top=top, width_mm=inner)
    return sheet, panels


def columns_that_fit(count: int, width_mm: float, *, least_mm: float, most: int) -> int:
    """Return how many panels stand side by side when each needs a least width."""
    return max(1, min(count, most, int(width_mm // least_mm)))


def percent_axis(axes: Axes, which: str) -> None:
    """Fix an axis to frequencies from 0 to 100% with quiet guides."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    limits: Callable[..., object] = axes.set_xlim if which == "x" else axes.set_ylim
    limits(-0.03, 1.03)
    box = axes.get_window_extent()
    long_enough = (box.width if which == "x" else box.height) * MM_PER_INCH / DPI > LEAST_PERCENTS_MM[which]
    quarters = ("25", "75") if long_enough else ("", "")
    axis.set_ticks([0, 0.25, 0.5, 0.75, 1], ["0", quarters[0], "50", quarters[1], labels.percent(1.0)])
    axes.grid(axis="x" if which == "x" else "y", zorder=0)
    axes.set_axisbelow(True)


def written(write: Callable[[float], str]) -> FuncFormatter:
    """Return what writes an axis's ticks in the language that is in force now, whenever they are drawn."""
    language = spoken()

    def tick(value: float, _: int | None = None) -> str:
        with speaking(language):
            return write(value)

    return FuncFormatter(tick)


def number_axis(axis: Axis) -> None:
    """Write an axis's ticks, with as many decimals as they need, with the marks of the language in force."""
    axis.set_major_formatter(_MarkedNumbers())


class _MarkedNumbers(ScalarFormatter):
    """The usual ticks with the marks of the language that is in force when the axis is made."""

    def __init__(self) -> None:
        super().__init__(useOffset=False)
        self.set_scientific(False)
        self._language = spoken()

    def __call__(self, x: float, pos: int | None = None) -> str:
        with speaking(self._language):
            return with_marks(super().__call__(x, pos))


def kilometre_axis(axes: Axes, label: str) -> None:
    """Write the ticks of a horizontal axis in metres as kilometres."""
    axes.xaxis.set_major_formatter(written(lambda metres: short(metres / 1000)))
    # A label may reach as far beyond a narrow panel as the room of its vertical axis goes.
    room = axes.get_window_extent().width * MM_PER_INCH / DPI + 4.0
    axes.set_xlabel(wrapped(label, TEXT, room))


def short(value: float) -> str:
    """Return a tick's number with the decimals it needs, three at the most."""
    return with_marks(f"{value:,.3f}".rstrip("0").rstrip(".")).replace("-", "−")


def named_rows(axes: Axes, names: Sequence[str]) -> None:
    """Give a panel a row for each name, row i at height i from the top; names may be empty."""
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_yticks(range(len(names)), names)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def difference_axis(axes: Axes, label: str) -> None:
    """Label a horizontal axis of differences and draw its quiet guides."""
    axes.grid(axis="x")
    axes.set_axisbelow(True)
    axes.set_xlabel(label)


def points_axis(axes: Axes, label: str) -> None:
    """Write the ticks of a horizontal axis of differences in percentage points."""
    difference_axis(axes, label)
    axes.xaxis.set_major_formatter(written(labels.points))


def distance_bar(axes: Axes, metres: float, low: float, high: float, *, height: float, colour: str) -> None:
    """Draw a distance and its interval on a horizontal axis; an upper limit beyond the edge is an arrow at it."""
    edge = axes.get_xlim()[1]
    beyond = not high <= edge
    end = edge if beyond else high
    axes.plot([low, end], [height] * 2, color=colour, lw=1.6, zorder=4)
    axes.plot([low], [height], "|", color=colour, ms=6, mew=1.2, zorder=4)
    axes.plot([end], [height], ">" if beyond else "|", color=colour, ms=4 if beyond else 6, mew=1.2, zorder=4)
    axes.plot([metres], [height], "D", ms=4.2, mfc=colour, mec=PAPER, mew=0.6, zorder=5)


def zero_line(axes: Axes, *, horizontal: bool = True) -> None:
    """Draw a quiet line at 0."""
    (axes.axhline if horizontal else axes.axvline)(0, color=GUIDE, lw=0.8, zorder=0.5)
