"""Map of the plan: how sure the surfaces are, and where samples would make them surest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from matplotlib import colormaps
from numpy.typing import NDArray

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.figures.frame import MapFrame, map_sheet
from morphcline.render.figures.keys import marks_key, scale_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, SMALL, Figure, Heading, style
from morphcline.render.palettes import INK, PAPER, Mark

ERROR_MAP = "YlOrBr"
#: Side of a place's mark in points: two digits fit.
PLACE_POINTS = 8.6
PLACE = Mark(marked("Place for a new sample, by rank"), "s", PAPER, edge=INK, size=5.5)
SITE = Mark(marked("Site of the survey"), "o", INK, edge=PAPER, size=2.4)


def draw_plan(
    name: str,
    places: pd.DataFrame,
    error: NDArray[np.float64],
    extent: tuple[float, float, float, float],
    sites: pd.DataFrame,
    frame: MapFrame,
    *,
    traits: str,
    shells: int,
    width_mm: float,
) -> Figure:
    """Draw the places of a plan over the standard error of the surfaces.

    Parameters
    ----------
    name : str
    places : DataFrame
        ``rank, x_m, y_m`` and what else the figure's data hold.
    error : (rows, columns) array
        Root of the mean square standard error now, north up; NaN outside.
    extent : tuple of float
        West, east, south, north of ``error``.
    sites : DataFrame
        ``drawn_x_m, drawn_y_m``.
    frame : MapFrame
    traits : str
        Whose surfaces, in words.
    shells : int
        Expected of a new sample.
    width_mm : float
    """
    known = error[np.isfinite(error)]
    low, high = (float(np.floor(100 * known.min())) / 100, float(np.ceil(100 * known.max())) / 100)
    high = max(high, low + 0.01)
    ticks = [(share, labels.figures(100 * (low + share * (high - low)))) for share in (0.0, 0.5, 1.0)]
    marks = [replace(mark, label=_(mark.label)) for mark in (PLACE, SITE)]
    keys = [scale_key(_("Standard error now (points)"), ERROR_MAP, ticks), marks_key("", marks, rows=2)]
    heading = Heading(_("Where to look next"), _("for the surfaces of {traits}").format(traits=traits))
    with style():
        sheet, (axes,) = map_sheet(frame, [heading], keys, width_mm)
        limits = axes.get_xlim(), axes.get_ylim()
        scaled = np.clip((np.nan_to_num(error) - low) / (high - low), 0.0, 1.0)
        colours = np.array(colormaps[ERROR_MAP](scaled, bytes=True))
        colours[..., 3] = np.where(np.isfinite(error), 255, 0)
        axes.imshow(colours, extent=extent, origin="upper", interpolation="nearest", aspect="auto", zorder=1)
        axes.plot(
            sites["drawn_x_m"], sites["drawn_y_m"], "o", ms=1.9, mfc=INK, mec=PAPER, mew=0.3, ls="none", zorder=2,
            rasterized=len(sites) > RASTERISE_ABOVE,
        )  # fmt: skip
        # Later ones below, so that where they crowd the best stay to be read.
        for rank, x, y in places[["rank", "x_m", "y_m"]].iloc[::-1].itertuples(index=False, name=None):
            axes.plot([x], [y], "s", ms=PLACE_POINTS, mfc=PAPER, mec=INK, mew=0.8, zorder=4 - 1e-3 * rank)
            axes.text(
                x, y, str(rank), ha="center", va="center_baseline", fontsize=SMALL, fontweight="bold",
                zorder=4 - 1e-3 * rank,
            )  # fmt: skip
        axes.set(xlim=limits[0], ylim=limits[1])
    return Figure(name, sheet.figure, places, _caption(places, frame, traits, shells), _alt(places, known))


def _caption(places: pd.DataFrame, frame: MapFrame, traits: str, shells: int) -> str:
    return " ".join(
        [
            many(
                "{n} place where a new sample of {shells} shells would most lower the mean square standard error of "
                "the smoothed frequencies of {traits}.",
                "{n} places where a new sample of {shells} shells would most lower the mean square standard error of "
                "the smoothed frequencies of {traits}, each chosen given those before it.",
                len(places),
            ).format(n=labels.number(len(places)), shells=labels.number(shells), traits=traits),
            _("The colour is the root of that mean at each place now: chance alone, without what smoothing blurs."),
            _("A place is the centre of a cell, not a spot to stand on."),
            frame.notes(),
        ]
    )


def _alt(places: pd.DataFrame, known: NDArray[np.float64]) -> str:
    if places.empty:
        return _("A map of how sure the surfaces are, without places.")
    first = places.iloc[0]
    return " ".join(
        [
            _(
                "A map of how sure the surfaces are, from {least} to {most} percentage points of standard error, with "
                "{places} for new samples; the first lies at {latitude}, {longitude} (latitude, longitude)."
            ).format(
                least=_points(float(known.min())),
                most=_points(float(known.max())),
                places=labels.counted(len(places), "numbered place"),
                latitude=f"{first['lat']:.4f}",
                longitude=f"{first['lon']:.4f}",
            ),
            _("Together they lower the mean square standard error by {fall}.").format(
                fall=labels.percent(float(places["reduction_so_far"].iloc[-1]))
            ),
        ]
    )


def _points(value: float) -> str:
    return labels.points(value).removeprefix("+")
