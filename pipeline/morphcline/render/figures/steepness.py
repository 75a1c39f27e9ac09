"""How steep smoothed frequencies are: size, direction where it is sure, zones steeper than chance, the 50% line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib.axes import Axes
from numpy.typing import NDArray

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.edges import cut, to_the_outline
from morphcline.render.figures.frame import MapFrame, cell_centres, map_sheet, maps_in_words
from morphcline.render.figures.keys import marks_key, scale_key
from morphcline.render.figures.sheet import Figure, Heading, style
from morphcline.render.palettes import INK, PAPER, STEEPNESS_MAP, Mark

ZONE, STEEPER = INK, "#0072B2"
#: Arrows along the longer side of a panel.
ARROWS = 16


@dataclass(frozen=True)
class SteepPanel:
    """One trait's steepness.

    Parameters
    ----------
    trait : str
    gradient : (rows, columns) array
        Of the surface, frequency per kilometre; north up; NaN where there is none.
    bearing_deg : (rows, columns) array
        Of steepest rise; NaN where no direction is sure.
    zone : (rows, columns) array
        1 steeper than chance, 2 steeper than an even slope, too.
    frequency : (rows, columns) array
    extent : tuple of float
        West, east, south, north.
    row : dict
        The trait's row of ``steepness.csv``.
    """

    trait: str
    gradient: NDArray[np.float64]
    bearing_deg: NDArray[np.float64]
    zone: NDArray[np.float64]
    frequency: NDArray[np.float64]
    extent: tuple[float, float, float, float]
    row: dict[str, object]


def draw_steepness(
    name: str,
    species: str,
    panels: Sequence[SteepPanel],
    frame: MapFrame,
    *,
    level: float,
    permutations: int,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw how steep the surfaces of one species are, a panel a trait.

    Parameters
    ----------
    name, species : str
    panels : sequence of SteepPanel
        At least one.
    frame : MapFrame
    level : float
        Of the zones' tests.
    permutations : int
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    top = _top_of_scale(panels)
    highest = max(np.nan_to_num(panel.zone).max() for panel in panels)
    marks = [
        *([Mark(_("Steeper than samples placed at random"), "s", "none", edge=ZONE, size=5)] if highest >= 1 else []),
        *([Mark(_("Steeper than an even slope, too"), "s", "none", edge=STEEPER, size=5)] if highest >= 2 else []),
        Mark(_("Frequency of {percent}").format(percent=labels.percent(0.5)), "--", "none", edge=INK),
        Mark(_("Towards steepest rise, where sure"), r"$\uparrow$", INK, edge=INK, size=5),
    ]
    ticks = [(share, labels.figures(100 * top * share)) for share in (0.0, 0.5, 1.0)]
    ticks[-1] = (1.0, _("{number} or more").format(number=ticks[-1][1]))
    keys = [
        scale_key(_("Gradient (points per km)"), STEEPNESS_MAP, ticks),
        marks_key("", marks, rows=2 if width_mm > 120 else 4),
    ]
    headings = [
        Heading(
            labels.trait_title(panel.trait),
            labels.shells_and_sites(panel.trait, int(str(panel.row["shells"])), int(str(panel.row["sites"]))),
        )
        for panel in panels
    ]
    with style():
        sheet, maps = map_sheet(frame, headings, keys, width_mm)
        for axes, panel in zip(maps, panels, strict=True):
            _draw_panel(axes, panel, top, frame.edge or frame.outline)
    data = pd.DataFrame([panel.row for panel in panels]).drop(columns=["x_m", "y_m"], errors="ignore")
    return Figure(
        name, sheet.figure, data, _caption(species, panels, frame, level, permutations, among), _alt(species, panels)
    )


def _top_of_scale(panels: Sequence[SteepPanel]) -> float:
    """Return a round gradient that few sure cells of the steepest trait pass."""
    steepest = 0.0
    for panel in panels:
        sure = panel.gradient[np.isfinite(panel.bearing_deg) & np.isfinite(panel.gradient)]
        steepest = max(steepest, float(np.quantile(sure, 0.98)) if sure.size else 0.0)
    if steepest == 0.0:
        known = np.concatenate([panel.gradient[np.isfinite(panel.gradient)] for panel in panels])
        steepest = float(known.max()) if known.size else 0.01
    return round_top(max(steepest, 1e-9))


def round_top(steepest: float) -> float:
    """Return a round number to end a scale of steepness with, not below the steepest but for a thousandth.

    Examples
    --------
    >>> round_top(0.012), round_top(0.031), round_top(2.002)
    (0.015, 0.04, 2.0)
    """
    unit = 10.0 ** math.floor(math.log10(steepest))
    steps = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return float(next(step * unit for step in steps if step * unit >= steepest * 0.999))


def _draw_panel(axes: Axes, panel: SteepPanel, top: float, outline: Sequence[NDArray[np.float64]]) -> None:
    limits = axes.get_xlim(), axes.get_ylim()
    (gradient,), extent, edge = to_the_outline([panel.gradient], panel.extent, outline)
    image = axes.imshow(
        np.ma.masked_invalid(gradient), cmap=STEEPNESS_MAP, vmin=0.0, vmax=top, extent=extent,
        origin="upper", interpolation="nearest", aspect="auto", zorder=1,
    )  # fmt: skip
    cut(axes, image, edge)
    easting, northing = cell_centres(panel.gradient.shape, panel.extent)
    if min(panel.gradient.shape) > 1:
        for least, colour in ((1, ZONE), (2, STEEPER)):
            _outline(axes, easting, northing, (np.nan_to_num(panel.zone) >= least).astype(np.float64), colour)
        known = panel.frequency[np.isfinite(panel.frequency)]
        if known.size and known.min() < 0.5 < known.max():
            lines = axes.contour(
                easting, northing, np.ma.masked_invalid(panel.frequency), levels=[0.5], colors=INK,
                linewidths=0.8, linestyles=[(0, (3, 1.5))], zorder=2.5,
            )  # fmt: skip
            lines.set_path_effects([patheffects.withStroke(linewidth=1.8, foreground=PAPER)])
    _arrows(axes, panel, easting, northing)
    axes.set(xlim=limits[0], ylim=limits[1])


def _outline(
    axes: Axes,
    easting: NDArray[np.float64],
    northing: NDArray[np.float64],
    inside: NDArray[np.float64],
    colour: str,
) -> None:
    if not inside.any():
        return
    # With a rim of cells outside, so that a zone closes at the raster's edge.
    step_e, step_n = easting[1] - easting[0], northing[1] - northing[0]
    wider_e = np.concatenate([[easting[0] - step_e], easting, [easting[-1] + step_e]])
    wider_n = np.concatenate([[northing[0] - step_n], northing, [northing[-1] + step_n]])
    axes.contour(wider_e, wider_n, np.pad(inside, 1), levels=[0.5], colors=colour, linewidths=0.9, zorder=2)


def _arrows(axes: Axes, panel: SteepPanel, easting: NDArray[np.float64], northing: NDArray[np.float64]) -> None:
    rows, columns = panel.gradient.shape
    step = max(1, round(max(rows, columns) / ARROWS))
    at = np.s_[step // 2 :: step]
    bearing = np.radians(panel.bearing_deg[at, at])
    down, across = np.nonzero(np.isfinite(bearing))
    if not len(down):
        return
    west, east = panel.extent[:2]
    length = 0.62 * step * (east - west) / columns
    turn = bearing[down, across]
    axes.quiver(
        easting[at][across], northing[at][down], length * np.sin(turn), length * np.cos(turn),
        angles="xy", scale_units="xy", scale=1.0, pivot="middle", color=INK, width=0.0032, headwidth=4.0,
        headlength=4.5, headaxislength=4.0, zorder=3,
    )  # fmt: skip


def _caption(
    species: str,
    panels: Sequence[SteepPanel],
    frame: MapFrame,
    level: float,
    permutations: int,
    among: labels.Denominators,
) -> str:
    most = max(panels, key=lambda panel: int(str(panel.row["shells"]))).row
    numbers = labels.shells_and_sites("", int(str(most["shells"])), int(str(most["sites"])))
    return " ".join(
        [
            _(
                "{species}: how steep the smoothed frequencies are, from local logistic regression with the surfaces' "
                "bandwidths."
            ).format(species=species),
            labels.numbers_of_panels(len(panels), numbers),
            _(
                "Colours show the gradient of the surface as drawn, in percentage points per kilometre, which "
                "smoothing makes too small in the middle of a steep cline, and chance too large where sites are few; "
                "arrows point towards the steepest rise where chance could not have turned them any way."
            ),
            _(
                "Outlined: steeper than samples placed at random allow, and steeper than an even slope over the "
                "region, too ({permutations} permutations, the largest statistic over the region, {level}). Such a "
                "zone shows pattern, not a barrier. Dashed: a frequency of {percent}."
            ).format(permutations=labels.number(permutations), level=labels.level(level), percent=labels.percent(0.5)),
            labels.denominators_in_text([panel.trait for panel in panels], among),
            frame.notes(),
        ]
    )


def _alt(species: str, panels: Sequence[SteepPanel]) -> str:
    first = _("{species}: {maps} of how steep the smoothed frequency is over the region.")
    parts = [first.format(species=species, maps=maps_in_words(len(panels)))]
    for panel in panels:
        known = np.isfinite(panel.gradient)
        share = (np.nan_to_num(panel.zone) >= 1).sum() / max(int(known.sum()), 1)
        if share:
            message = _("{trait}: a zone steeper than chance over {share} of it ({numbers}).")
        else:
            message = _("{trait}: no steep zone ({numbers}).")
        parts.append(
            message.format(
                trait=labels.trait_title(panel.trait),
                share=labels.percent(float(share)),
                numbers=labels.shells_and_sites(
                    panel.trait, int(str(panel.row["shells"])), int(str(panel.row["sites"]))
                ),
            )
        )
    return " ".join(parts)
