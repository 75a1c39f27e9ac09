"""Legends below the panels: a row of small drawings, each as wide as it needs, broken into rows to fit the sheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.axes import Axes

from morphcline.render.figures.sheet import SMALL, TEXT, Sheet, text_width_mm
from morphcline.render.palettes import (
    FADE,
    FREQUENCY_MAP,
    INK,
    LINE,
    SOFT_INK,
    Mark,
    frequency_colours,
)

GAP_MM = 6.0
ROW_GAP_MM = 2.5


@dataclass(frozen=True)
class Key:
    """One drawing of a legend.

    Parameters
    ----------
    width, height : float
        In millimetres.
    draw : callable
        Draws on axes whose data are millimetres from their lower left corner.
    """

    width: float
    height: float
    draw: Callable[[Axes], None]


def rows_of_keys(keys: Sequence[Key], width_mm: float) -> list[list[Key]]:
    """Break keys into rows that fit a width."""
    rows: list[list[Key]] = []
    used = 0.0
    for key in keys:
        if rows and used + GAP_MM + key.width <= width_mm:
            rows[-1].append(key)
            used += GAP_MM + key.width
        else:
            rows.append([key])
            used = key.width
    return rows


def height_of_keys(keys: Sequence[Key], width_mm: float) -> float:
    """Return the height that keys take on a sheet of this inner width."""
    rows = rows_of_keys(keys, width_mm)
    return sum(max(key.height for key in row) for row in rows) + ROW_GAP_MM * max(len(rows) - 1, 0)


def draw_keys(sheet: Sheet, keys: Sequence[Key], *, left: float, top: float, width_mm: float) -> None:
    """Draw keys with the top left corner of the first at a place in millimetres."""
    for row in rows_of_keys(keys, width_mm):
        along = left
        for key in row:
            axes = sheet.axes(along, top, key.width, key.height)
            axes.set(xlim=(0, key.width), ylim=(0, key.height))
            axes.set_axis_off()
            key.draw(axes)
            along += key.width + GAP_MM
        top += max(key.height for key in row) + ROW_GAP_MM


def frequency_key(title: str = "Frequency") -> Key:
    """Return the colour scale of frequencies, 0 to 100%."""
    return scale_key(title, FREQUENCY_MAP, [(0, "0%"), (0.25, "25%"), (0.5, "50%"), (0.75, "75%"), (1, "100%")])


def scale_key(title: str, colour_map: str, ticks: Sequence[tuple[float, str]]) -> Key:
    """Return a horizontal colour scale.

    Parameters
    ----------
    title, colour_map : str
    ticks : sequence of (fraction along the scale, label)
    """
    width, bar = 44.0, 36.0

    def draw(axes: Axes) -> None:
        axes.text(3, 10.6, title, va="top", fontsize=TEXT)
        colours = matplotlib.colormaps[colour_map](np.linspace(0, 1, 256), bytes=True)[None, :, :]
        axes.imshow(colours, extent=(3, 3 + bar, 3.6, 6.8), aspect="auto", interpolation="nearest")
        axes.set(xlim=(0, width), ylim=(0, 10.8))
        axes.plot([3, 3 + bar, 3 + bar, 3, 3], [3.6, 3.6, 6.8, 6.8, 3.6], color=LINE, lw=0.5)
        for at, label in ticks:
            axes.plot([3 + bar * at] * 2, [3.0, 3.6], color=LINE, lw=0.5)
            axes.text(3 + bar * at, 2.6, label, ha="center", va="top", fontsize=SMALL)

    return Key(width, 10.8, draw)


def frequency_and_error_key() -> Key:
    """Return the colours of a surface: frequency along, standard error (fading) downwards."""
    bar, tall, foot = 36.0, 7.4, 3.6
    left = text_width_mm("Standard error", SMALL) + 6.0
    height = foot + tall + 3.8
    errors = np.linspace(0.0, FADE[1], 64)
    colours = frequency_colours(np.tile(np.linspace(0, 1, 128), (64, 1)), np.tile(errors[:, None], (1, 128)))

    def draw(axes: Axes) -> None:
        axes.text(left, height, "Frequency", va="top", fontsize=TEXT)
        axes.text(0, foot + tall / 2, "Standard error\n(points)", va="center", fontsize=SMALL, linespacing=1.1)
        axes.imshow(colours, extent=(left, left + bar, foot, foot + tall), aspect="auto", interpolation="nearest")
        axes.set(xlim=(0, left + bar + 6), ylim=(0, height))
        for error in (0.0, FADE[1] / 2, FADE[1]):
            at = foot + tall * (1 - error / FADE[1])
            axes.plot([left - 0.6, left], [at, at], color=LINE, lw=0.5)
            axes.text(left - 1.0, at, f"{100 * error:g}", ha="right", va="center_baseline", fontsize=SMALL)
        axes.plot(
            [left, left + bar, left + bar, left, left], [foot, foot, foot + tall, foot + tall, foot], color=LINE, lw=0.5
        )
        for at in (0, 0.25, 0.5, 0.75, 1):
            axes.plot([left + bar * at] * 2, [foot - 0.6, foot], color=LINE, lw=0.5)
            axes.text(left + bar * at, foot - 1.0, f"{100 * at:.0f}%", ha="center", va="top", fontsize=SMALL)

    return Key(left + bar + 6, height, draw)


def size_key(title: str, sizes: Sequence[tuple[str, float]]) -> Key:
    """Return circles of growing diameter.

    Parameters
    ----------
    title : str
    sizes : sequence of (label, diameter in points)
    """
    step = max(8.0, *(text_width_mm(label, SMALL) + 2.5 for label, _ in sizes))
    width = max(step * len(sizes), text_width_mm(title) + 1)

    def draw(axes: Axes) -> None:
        axes.text(0, 10.6, title, va="top", fontsize=TEXT)
        for i, (label, diameter) in enumerate(sizes):
            axes.plot([step * (i + 0.5)], [5.2], "o", ms=diameter, mfc="#B8B8B8", mec=INK, mew=0.4, clip_on=False)
            axes.text(step * (i + 0.5), 2.6, label, ha="center", va="top", fontsize=SMALL)

    return Key(width, 10.8, draw)


def marks_key(title: str, marks: Sequence[Mark], *, rows: int = 3) -> Key:
    """Return a table of symbols with their names, filled column by column.

    Parameters
    ----------
    title : str
        May be empty.
    marks : sequence of Mark
    rows : int
    """
    line = 3.4
    head = 4.2 if title else 0.0
    columns = [marks[i : i + rows] for i in range(0, len(marks), rows)]
    widths = [max(text_width_mm(mark.label) for mark in column) + 8.0 for column in columns]
    height = head + line * max(len(column) for column in columns)

    def draw(axes: Axes) -> None:
        if title:
            axes.text(0, height - 0.2, title, va="top", fontsize=TEXT)
        left = 0.0
        for column, width in zip(columns, widths, strict=True):
            for i, mark in enumerate(column):
                at = height - head - line * (i + 0.5)
                draw_mark(axes, left + 2, at, mark)
                axes.text(left + 4.4, at, mark.label, va="center_baseline", fontsize=TEXT)
            left += width

    return Key(max(sum(widths) - 2.0, text_width_mm(title) + 1), height, draw)


def draw_mark(axes: Axes, x: float, y: float, mark: Mark) -> None:
    """Draw one symbol; the marker ``"--"`` stands for a dashed line."""
    if mark.marker == "--":
        axes.plot([x - 1.9, x + 1.7], [y, y], color=mark.edge, lw=0.8, ls=(0, (3, 1.5)), clip_on=False)
        return
    axes.plot(
        [x], [y], marker=mark.marker, ms=mark.size, mfc=mark.fill, mec=mark.edge, mew=0.5, clip_on=False, ls="none"
    )


def note_key(lines: Sequence[str]) -> Key:
    """Return a few lines of small text."""
    line = 3.1

    def draw(axes: Axes) -> None:
        for i, text in enumerate(lines):
            axes.text(0, line * (len(lines) - i) - 0.3, text, va="top", fontsize=SMALL, color=SOFT_INK)

    width = max(text_width_mm(text, SMALL) for text in lines) + 1
    return Key(width, line * len(lines), draw)
