"""Legends below the panels: a row of small drawings, each as wide as it needs, broken into rows to fit the sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from morphcline.language import _, with_marks
from morphcline.records.sample_size import chance_alone
from morphcline.render import labels
from morphcline.render.figures.sheet import MM_PER_POINT, SMALL, TEXT, Sheet, letter_number, place, text_width_mm
from morphcline.render.figures.slices import draw_slices
from morphcline.render.palettes import (
    FADE,
    FREQUENCY_MAP,
    INK,
    LINE,
    PAPER,
    SOFT_INK,
    Mark,
    frequency_colours,
)

GAP_MM = 6.0
ROW_GAP_MM = 2.5
QUARTERS = (0.0, 0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True)
class Key:
    """One drawing of a legend.

    Parameters
    ----------
    width, height : float
        In millimetres.
    draw : callable
        Draws on axes whose data are millimetres from their lower left corner.
    same : hashable
        What it says: of keys that say the same a sheet of several figures shows one. None: like no other.
    last : bool
        Stands after the others on such a sheet, as what belongs to the map does.
    """

    width: float
    height: float
    draw: Callable[[Axes], None]
    same: Hashable = None
    last: bool = False


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
    """Return the height that keys take on a sheet of this inner width: none on a part, whose sheet draws them."""
    if place() is not None:
        return 0.0
    rows = rows_of_keys(keys, width_mm)
    return sum(max(key.height for key in row) for row in rows) + ROW_GAP_MM * max(len(rows) - 1, 0)


def draw_keys(sheet: Sheet, keys: Sequence[Key], *, left: float, top: float, width_mm: float) -> None:
    """Draw keys with the top left corner of the first at a place in millimetres; a part leaves them to its sheet."""
    where = place()
    if where is not None:
        where.keys += keys
        return
    for row in rows_of_keys(keys, width_mm):
        along = left
        for key in row:
            axes = sheet.axes(along, top, key.width, key.height)
            axes.set(xlim=(0, key.width), ylim=(0, key.height))
            axes.set_axis_off()
            key.draw(axes)
            along += key.width + GAP_MM
        top += max(key.height for key in row) + ROW_GAP_MM


def frequency_key() -> Key:
    """Return the colour scale of frequencies, 0 to 100%."""
    return scale_key(_("Frequency"), FREQUENCY_MAP, [(at, labels.percent(at)) for at in QUARTERS])


def scale_key(title: str, colour_map: str, ticks: Sequence[tuple[float, str]]) -> Key:
    """Return a horizontal colour scale.

    Parameters
    ----------
    title, colour_map : str
    ticks : sequence of (fraction along the scale, label)
    """
    bar = 36.0
    last = max((text_width_mm(label, SMALL) / 2 for at, label in ticks if at == 1.0), default=0.0)
    width = max(44.0, 3 + bar + last, 3 + text_width_mm(title))

    def draw(axes: Axes) -> None:
        axes.text(3, 10.6, title, va="top", fontsize=TEXT)
        colours = matplotlib.colormaps[colour_map](np.linspace(0, 1, 256), bytes=True)[None, :, :]
        _draw_image(axes, colours, (3, 3 + bar, 3.6, 6.8))
        axes.plot([3, 3 + bar, 3 + bar, 3, 3], [3.6, 3.6, 6.8, 6.8, 3.6], color=LINE, lw=0.5)
        for at, label in ticks:
            axes.plot([3 + bar * at] * 2, [3.0, 3.6], color=LINE, lw=0.5)
            axes.text(3 + bar * at, 2.6, label, ha="center", va="top", fontsize=SMALL)

    return Key(width, 10.8, draw, ("scale", title, colour_map, tuple(ticks)))


def frequency_and_error_key() -> Key:
    """Return the colours of a surface: frequency along, standard error (fading) downwards."""
    bar, tall, foot = 36.0, 7.4, 3.6
    error_name = _("Standard error\n(points)")
    left = max(text_width_mm(line, SMALL) for line in error_name.splitlines()) + 6.0
    height = foot + tall + 3.8
    errors = np.linspace(0.0, FADE[1], 64)
    colours = frequency_colours(np.tile(np.linspace(0, 1, 128), (64, 1)), np.tile(errors[:, None], (1, 128)))

    def draw(axes: Axes) -> None:
        axes.text(left, height, _("Frequency"), va="top", fontsize=TEXT)
        axes.text(0, foot + tall / 2, error_name, va="center", fontsize=SMALL, linespacing=1.1)
        _draw_image(axes, colours, (left, left + bar, foot, foot + tall))
        for error in (0.0, FADE[1] / 2, FADE[1]):
            at = foot + tall * (1 - error / FADE[1])
            axes.plot([left - 0.6, left], [at, at], color=LINE, lw=0.5)
            # The lowest stands a little higher, clear of the frequencies below.
            shown = with_marks(f"{100 * error:g}")
            axes.text(left - 1.0, max(at, foot + 0.9), shown, ha="right", va="center_baseline", fontsize=SMALL)
        axes.plot(
            [left, left + bar, left + bar, left, left], [foot, foot, foot + tall, foot + tall, foot], color=LINE, lw=0.5
        )
        for at in QUARTERS:
            axes.plot([left + bar * at] * 2, [foot - 0.6, foot], color=LINE, lw=0.5)
            axes.text(left + bar * at, foot - 1.0, labels.percent(at), ha="center", va="top", fontsize=SMALL)

    return Key(left + bar + 6, height, draw, "frequency and error")


def _draw_image(axes: Axes, colours: NDArray[np.uint8], extent: tuple[float, float, float, float]) -> None:
    """Draw an image on axes that stay as they are: on a larger sheet there is room above for letters."""
    limits = axes.get_xlim(), axes.get_ylim()
    axes.imshow(colours, extent=extent, aspect="auto", interpolation="nearest")
    axes.set(xlim=limits[0], ylim=limits[1])


def size_key(title: str, sizes: Sequence[tuple[str, float]], notes: Sequence[str] = ()) -> Key:
    """Return circles of growing diameter.

    Parameters
    ----------
    title : str
    sizes : sequence of (label, diameter in points)
    notes : sequence of str
        A second line below each label.
    """
    tall = max([5.2, *(diameter * MM_PER_POINT + 0.8 for _name, diameter in sizes)])
    foot = 3.0 + (2.8 if notes else 0.0)
    height = foot + tall + 3.4
    texts = [*(label for label, _size in sizes), *notes]
    step = max(8.0, *(text_width_mm(text, SMALL) + 2.5 for text in texts))
    width = max(step * len(sizes), text_width_mm(title) + 1)

    def draw(axes: Axes) -> None:
        axes.text(0, height - 0.2, title, va="top", fontsize=TEXT)
        for i, (label, diameter) in enumerate(sizes):
            middle = step * (i + 0.5)
            axes.plot([middle], [foot + tall / 2], "o", ms=diameter, mfc="#B8B8B8", mec=INK, mew=0.4, clip_on=False)
            axes.text(middle, foot - 0.4, label, ha="center", va="top", fontsize=SMALL)
            if notes:
                axes.text(middle, foot - 3.2, notes[i], ha="center", va="top", fontsize=SMALL, color=SOFT_INK)

    return Key(width, height, draw, ("sizes", title, tuple(sizes), tuple(notes)))


def interval_notes(shells: Sequence[float], confidence: float) -> list[str]:
    """Return how far chance alone takes a frequency of a half either way, for samples of so many shells.

    Examples
    --------
    >>> interval_notes([20, 100], 0.95)
    ['±20', '±9.6']
    """
    return [labels.points(half).replace("+", "±") for half in chance_alone(shells, confidence=confidence)]


def slices_key(title: str, classes: Sequence[tuple[str, str, str]]) -> Key:
    """Return a divided circle with equal slices beside the names of its classes, in the order of the slices.

    Parameters
    ----------
    title : str
    classes : sequence of (label, colour, hatch)
        Clockwise from the top.
    """
    line, circle = 3.6, 9.0
    head = 4.2
    height = head + max(line * len(classes), circle + 0.6)
    names = circle + 2.5
    width = max(names + 5.2 + max(text_width_mm(label) for label, *_look in classes), text_width_mm(title) + 1)

    def draw(axes: Axes) -> None:
        axes.text(0, height - 0.2, title, va="top", fontsize=TEXT)
        middle = (circle / 2, (height - head) / 2)
        draw_slices(axes, [middle], [circle / 2 - 0.3], [[1.0] * len(classes)], [look for _name, *look in classes])
        for i, (label, fill, hatch) in enumerate(classes):
            at = height - head - line * (i + 0.5)
            axes.add_patch(
                Rectangle((names, at - 1.2), 3.6, 2.4, facecolor=fill, edgecolor=PAPER, hatch=hatch, linewidth=0)
            )
            axes.add_patch(Rectangle((names, at - 1.2), 3.6, 2.4, facecolor="none", edgecolor=INK, linewidth=0.35))
            axes.text(names + 4.8, at, label, va="center_baseline", fontsize=TEXT)

    return Key(width, height, draw, ("slices", title, tuple(classes)))


def marks_key(title: str, marks: Sequence[Mark], *, rows: int = 3, room_mm: float = math.inf) -> Key:
    """Return a table of symbols with their names, filled column by column.

    Parameters
    ----------
    title : str
        May be empty.
    marks : sequence of Mark
    rows : int
        More where the table would be wider than the room.
    room_mm : float
    """
    key = _marks_key(title, marks, rows)
    while key.width > room_mm and rows < len(marks):
        rows += 1
        key = _marks_key(title, marks, rows)
    return key


def _marks_key(title: str, marks: Sequence[Mark], rows: int) -> Key:
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

    return Key(max(sum(widths) - 2.0, text_width_mm(title) + 1), height, draw, ("marks", title, tuple(marks)))


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
    return Key(width, line * len(lines), draw, ("note", tuple(lines)))


def lettered_key(key: Key, letters: Sequence[str]) -> Key:
    """Return a key with the letters of the panels that it holds for above it."""
    text = spans(letters)

    def draw(axes: Axes) -> None:
        axes.text(0, key.height + 0.8, text, va="bottom", fontsize=SMALL, fontweight="bold", color=SOFT_INK)
        key.draw(axes)

    return replace(key, width=max(key.width, text_width_mm(text, SMALL) * 1.15), height=key.height + 3.8, draw=draw)


def spans(letters: Sequence[str]) -> str:
    """Return panel letters with those that follow one another drawn together.

    Examples
    --------
    >>> spans(["a", "b", "c", "e", "g", "h"])
    'a–c, e, g, h'
    """
    runs: list[list[str]] = []
    for letter in letters:
        if runs and letter_number(letter) == letter_number(runs[-1][-1]) + 1:
            runs[-1].append(letter)
        else:
            runs.append([letter])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)
