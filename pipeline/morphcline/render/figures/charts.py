"""Charts in rows and columns: panels of one size with room for axis labels."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from morphcline.render import labels
from morphcline.render.figures.keys import Key, draw_keys, height_of_keys
from morphcline.render.figures.sheet import Heading, Sheet, letters, tallest_mm
from morphcline.render.palettes import GUIDE, PAPER

EDGE_MM = 1.5


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
    around = spacing.head + spacing.below
    height = min(height_mm, (tallest_mm() - below - 2 * EDGE_MM) / rows - around)
    sheet = Sheet(width_mm, 2 * EDGE_MM + rows * (height + around) + below)
    panels = []
    for i, (letter, heading) in enumerate(zip(letters(len(headings)), headings, strict=True)):
        left = EDGE_MM + spacing.first + (i % columns) * (width + beside + spacing.between)
        top = EDGE_MM + (i // columns) * (height + around)
        sheet.heading(left, top, letter, heading)
        panels.append(sheet.axes(left + spacing.left, top + spacing.head, width, height))
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
    axis.set_ticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100%"])
    axes.grid(axis="x" if which == "x" else "y", zorder=0)
    axes.set_axisbelow(True)


def kilometre_axis(axes: Axes, label: str) -> None:
    """Write the ticks of a horizontal axis in metres as kilometres."""
    axes.xaxis.set_major_formatter(FuncFormatter(lambda metres, _: _short(metres / 1000)))
    axes.set_xlabel(label)


def _short(value: float) -> str:
    return f"{value:,.3f}".rstrip("0").rstrip(".").replace("-", "−")


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
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: labels.points(value)))


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
