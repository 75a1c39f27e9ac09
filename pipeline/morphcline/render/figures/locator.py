"""A small map that says where on the Earth the study lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from morphcline.language import _
from morphcline.render.figures.keys import Key
from morphcline.render.figures.sheet import SMALL, text_width_mm
from morphcline.render.palettes import GUIDE, INK, LINE

Path2 = NDArray[np.float64]

#: The study's mark is never smaller than this.
LEAST_MARK_MM = 1.4


@dataclass(frozen=True)
class Locator:
    """The study's place among meridians and parallels, in the plane of a map of its own centred on the study.

    Parameters
    ----------
    half_width, half_height : float
        Of the plane shown, in metres.
    meridians, parallels : tuple of (degrees, (n, 2) array)
        East and north are positive.
    land : tuple of (n, 2) arrays
        Rings of the user's own layer; empty without one.
    study : (n, 2) array
        Ring of the study's extent.
    step_deg : int
        Between meridians, and between parallels.
    source : str
        The layer's name, for captions.
    """

    half_width: float
    half_height: float
    meridians: tuple[tuple[float, Path2], ...]
    parallels: tuple[tuple[float, Path2], ...]
    land: tuple[Path2, ...]
    study: Path2
    step_deg: int
    source: str = ""

    def note(self) -> str:
        """Return the sentence of a caption about it."""
        if self.source:
            message = _("The small map shows where the study lies on {file}, with lines every {step}° of latitude and "
                        "longitude (orthographic projection).")  # fmt: skip
        else:
            message = _("The small map shows where the study lies by latitude and longitude alone, with lines every "
                        "{step}° (orthographic projection); it has no coasts.")  # fmt: skip
        return message.format(file=self.source, step=self.step_deg)


def locator_key(locator: Locator, height_mm: float) -> Key:
    """Return the small map, so high, with its degrees at the left and below."""
    left = 1.2 + max([0.0, *(text_width_mm(_latitude(degrees), SMALL) for degrees, _line in locator.parallels)])
    below = 3.2
    tall = height_mm - below - 0.4
    wide = tall * locator.half_width / locator.half_height

    def draw(axes: Axes) -> None:
        inset = axes.inset_axes((left, below, wide, tall), transform=axes.transData)
        draw_locator(inset, locator, metres_per_mm=2 * locator.half_height / tall)

    same = ("locator", locator.step_deg, locator.half_width, height_mm)
    return Key(left + wide + 4.0, height_mm, draw, same, last=True)


def draw_locator(axes: Axes, locator: Locator, *, metres_per_mm: float) -> None:
    """Draw the small map on axes of its shape; the degrees stand outside them."""
    across, up = locator.half_width, locator.half_height
    axes.set(xlim=(-across, across), ylim=(-up, up), xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set(visible=True, color=LINE, linewidth=0.5)
    if locator.land:
        land = PolyCollection(list(locator.land), facecolors="#E4E4E4", edgecolors="#9A9A9A", linewidths=0.3, zorder=1)
        axes.add_collection(land, autolim=False)
    lines = [line for _degrees, line in (*locator.meridians, *locator.parallels)]
    axes.add_collection(LineCollection(lines, colors=GUIDE, linewidths=0.5, zorder=1.5), autolim=False)
    free = -np.inf
    for degrees, line in locator.meridians:
        at, text = _crossing(line, axis=1, at=-up), _longitude(degrees)
        half = text_width_mm(text, SMALL) / 2 * metres_per_mm
        # One that would run into its neighbour is left out.
        if at is None or abs(at) > across or at - half < free:
            continue
        axes.text(at, -up - 0.6 * metres_per_mm, text, ha="center", va="top", fontsize=SMALL)
        free = at + half + 0.8 * metres_per_mm
    for degrees, line in locator.parallels:
        at = _crossing(line, axis=0, at=-across)
        if at is not None and abs(at) <= up:
            axes.text(
                -across - 0.6 * metres_per_mm, at, _latitude(degrees), ha="right", va="center_baseline", fontsize=SMALL
            )
    (west, south), (east, north) = locator.study.min(axis=0), locator.study.max(axis=0)
    least = LEAST_MARK_MM * metres_per_mm
    wide, high = max(east - west, least), max(north - south, least)
    corner = ((west + east - wide) / 2, (south + north - high) / 2)
    small = max(east - west, north - south) <= 2 * least
    axes.add_patch(
        Rectangle(corner, wide, high, facecolor=INK if small else "none", edgecolor=INK, linewidth=0.9, zorder=3)
    )


def _crossing(line: Path2, *, axis: int, at: float) -> float | None:
    """Return the other coordinate where a line crosses an edge, if it does."""
    along, across = line[:, axis] - at, line[:, 1 - axis]
    turns = np.flatnonzero((along[:-1] <= 0) != (along[1:] <= 0))
    if not len(turns):
        return None
    i = turns[0]
    part = along[i] / (along[i] - along[i + 1])
    return float(across[i] + part * (across[i + 1] - across[i]))


def _longitude(degrees: float) -> str:
    if degrees in (0.0, 180.0, -180.0):
        return f"{abs(degrees):g}°"
    return (_("{degrees}°E") if degrees > 0 else _("{degrees}°W")).format(degrees=f"{abs(degrees):g}")


def _latitude(degrees: float) -> str:
    if degrees == 0:
        return "0°"
    return (_("{degrees}°N") if degrees > 0 else _("{degrees}°S")).format(degrees=f"{abs(degrees):g}")
