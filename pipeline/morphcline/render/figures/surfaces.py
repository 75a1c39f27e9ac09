"""Smoothed frequencies over the region: colour fades where the surface is unsure and is absent where it is blank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib.axes import Axes
from numpy.typing import NDArray

from morphcline.language import _, marked, with_marks
from morphcline.render import labels
from morphcline.render.figures.edges import cut, to_the_outline
from morphcline.render.figures.frame import MapFrame, cell_centres, map_sheet, maps_in_words
from morphcline.render.figures.keys import frequency_and_error_key, marks_key
from morphcline.render.figures.placing import spread
from morphcline.render.figures.sheet import RASTERISE_ABOVE, SMALL, Figure, Heading, style
from morphcline.render.palettes import FADE, INK, LINE, PAPER, Mark, frequency_colours

CONTOURS = (0.25, 0.5, 0.75)
SITE = Mark(marked("Site"), "o", INK, edge=PAPER, size=2.2)


@dataclass(frozen=True)
class SurfacePanel:
    """One trait's surface.

    Parameters
    ----------
    trait : str
    frequency, standard_error : (rows, columns) arrays
        North up; NaN where there is no estimate.
    extent : tuple of float
        West, east, south, north of the raster.
    sites : DataFrame
        Columns ``drawn_x_m, drawn_y_m``: the sites the surface was made from.
    shells : int
    bandwidth : str
        In words.
    degree : int
    kernel : str
    pattern : str
        The main pattern in a few words, for the alt text.
    cross_validated : bool
        The bandwidth was chosen so.
    """

    trait: str
    frequency: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    extent: tuple[float, float, float, float]
    sites: pd.DataFrame
    shells: int
    bandwidth: str
    degree: int
    kernel: str
    pattern: str
    cross_validated: bool = False


def draw_surfaces(
    name: str,
    species: str,
    panels: Sequence[SurfacePanel],
    frame: MapFrame,
    *,
    min_effective_shells: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
    limits: str = "",
) -> Figure:
    """Draw the surfaces of one species, a panel a trait.

    Parameters
    ----------
    name, species : str
    panels : sequence of SurfacePanel
        At least one.
    frame : MapFrame
    min_effective_shells : float
        Below it a cell is blank.
    width_mm : float
    among : mapping
        Denominators by trait.
    limits : str
        What else keeps the surface from going on, in sentences.
    """
    marks = [
        replace(SITE, label=_(SITE.label)),
        Mark(_("Blank: too few shells or sites for an estimate"), "s", PAPER, edge=LINE, size=5),
    ]
    keys = [frequency_and_error_key(), marks_key("", marks, rows=2)]
    headings = [
        Heading(labels.trait_title(panel.trait), labels.shells_and_sites(panel.trait, panel.shells, len(panel.sites)))
        for panel in panels
    ]
    with style():
        sheet, maps = map_sheet(frame, headings, keys, width_mm)
        for axes, panel in zip(maps, panels, strict=True):
            _draw_panel(axes, panel, frame.edge or frame.outline)
    data = pd.DataFrame([_summary(species, panel) for panel in panels])
    caption = _caption(species, panels, frame, min_effective_shells, among, limits)
    return Figure(name, sheet.figure, data, caption, _alt(species, panels))


def _draw_panel(axes: Axes, panel: SurfacePanel, outline: Sequence[NDArray[np.float64]]) -> None:
    limits = axes.get_xlim(), axes.get_ylim()
    (frequency, error), extent, edge = to_the_outline([panel.frequency, panel.standard_error], panel.extent, outline)
    image = axes.imshow(
        frequency_colours(frequency, error),
        extent=extent, origin="upper", interpolation="nearest", aspect="auto", zorder=1,
    )  # fmt: skip
    cut(axes, image, edge)
    axes.set(xlim=limits[0], ylim=limits[1])
    _draw_contours(axes, *_shown(panel, *limits))
    axes.plot(
        panel.sites["drawn_x_m"], panel.sites["drawn_y_m"], "o", ms=1.5, mfc=INK, mec=PAPER, mew=0.25, ls="none",
        zorder=3, rasterized=len(panel.sites) > RASTERISE_ABOVE,
    )  # fmt: skip


def _shown(
    panel: SurfacePanel, across: tuple[float, float], up: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return eastings, northings and frequencies of the cells whose centres lie in the panel's map."""
    easting, northing = cell_centres(panel.frequency.shape, panel.extent)
    columns = (easting >= across[0]) & (easting <= across[1])
    rows = (northing >= up[0]) & (northing <= up[1])
    return easting[columns], northing[rows], panel.frequency[np.ix_(rows, columns)]


def _draw_contours(
    axes: Axes, easting: NDArray[np.float64], northing: NDArray[np.float64], frequency: NDArray[np.float64]
) -> None:
    if min(frequency.shape) < 2 or not np.isfinite(frequency).any():
        return
    low, high = np.nanmin(frequency), np.nanmax(frequency)
    levels = [level for level in CONTOURS if low < level < high]
    if not levels:
        return
    halo: list[patheffects.AbstractPathEffect] = [patheffects.withStroke(linewidth=1.6, foreground=PAPER)]
    lines = axes.contour(
        easting, northing, np.ma.masked_invalid(frequency), levels=levels, colors=INK,
        linewidths=[1.3 if level == 0.5 else 0.5 for level in levels], zorder=2,
    )  # fmt: skip
    lines.set_path_effects(halo)
    written = list(axes.clabel(lines, fontsize=SMALL, fmt=labels.percent, inline=False))
    for text in written:
        text.set_path_effects(halo)
        # Paper between the letters and the line that they stand on.
        text.set_bbox({"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "boxstyle": "round,pad=0.12"})
        text.set_zorder(3.5)
    spread(axes, written)


def _summary(species: str, panel: SurfacePanel) -> dict[str, object]:
    known = panel.frequency[np.isfinite(panel.frequency)]
    errors = panel.standard_error[np.isfinite(panel.frequency)]
    spread = np.quantile(known, [0, 0.5, 1]) if known.size else np.full(3, np.nan)
    return {
        "species": species,
        "trait": panel.trait,
        "sites": len(panel.sites),
        "shells": panel.shells,
        "bandwidth": panel.bandwidth,
        "cross_validated": panel.cross_validated,
        "degree": panel.degree,
        "kernel": panel.kernel,
        "cells_drawn": int(known.size),
        "cells_blank": int(panel.frequency.size - known.size),
        "frequency_min": spread[0],
        "frequency_median": spread[1],
        "frequency_max": spread[2],
        "standard_error_median": float(np.median(errors)) if errors.size else np.nan,
    }


def _caption(
    species: str,
    panels: Sequence[SurfacePanel],
    frame: MapFrame,
    min_effective_shells: float,
    among: labels.Denominators,
    blank: str,
) -> str:
    first = panels[0]
    most = max(panels, key=lambda panel: panel.shells)
    what = (
        _("{species}: smoothed frequencies (local logistic regression, {kernel} kernel, bandwidth {bandwidth}).")
        if first.degree == 1
        else _("{species}: smoothed frequencies (kernel-weighted proportion, {kernel} kernel, bandwidth {bandwidth}).")
    )  # fmt: skip
    fading = (
        _("The colour fades as the standard error grows from {least} to {most} percentage points, and cells that rest "
          "on fewer than {shells} effective shells, or on too few sites for a plane, are blank.")
        if first.degree == 1
        else _("The colour fades as the standard error grows from {least} to {most} percentage points, and cells that "
               "rest on fewer than {shells} effective shells are blank.")
    )  # fmt: skip
    least, largest = (labels.number(100 * limit) for limit in FADE)
    return " ".join(
        [
            what.format(species=species, kernel=labels.kernel_name(first.kernel), bandwidth=_bandwidths(panels)),
            labels.numbers_of_panels(len(panels), labels.shells_and_sites(most.trait if len(panels) == 1 else "",
                                                                          most.shells, len(most.sites))),
            _("The scale is fixed from 0 to 100% for every map; contours at 25, 50 (bold) and 75%."),
            fading.format(least=least, most=largest, shells=with_marks(f"{min_effective_shells:g}")),
            _("The standard error covers chance and what smoothing misses of changes as smooth as the sites show on "
              "the average; an edge sharper than a bandwidth is drawn wider than it is."),
            *([blank] if blank else []),
            labels.denominators_in_text([panel.trait for panel in panels], among),
            frame.notes(),
        ]
    )  # fmt: skip


def _bandwidths(panels: Sequence[SurfacePanel]) -> str:
    by_width: dict[str, list[str]] = {}
    for panel in panels:
        by_width.setdefault(panel.bandwidth, []).append(labels.trait_name(panel.trait))
    checked = panels[0].cross_validated
    if len(by_width) == 1:
        told = panels[0].bandwidth
        return _("{bandwidth}, cross-validated").format(bandwidth=told) if checked else told
    named = labels.clauses(f"{labels.listing(traits)} {width}" for width, traits in by_width.items())
    message = (
        _("by trait, cross-validated: {traits_and_bandwidths}") if checked else _("by trait: {traits_and_bandwidths}")
    )
    return message.format(traits_and_bandwidths=named)


def _alt(species: str, panels: Sequence[SurfacePanel]) -> str:
    first = _("{species}: {maps} of smoothed frequency over the region.")
    parts = [first.format(species=species, maps=maps_in_words(len(panels)))]
    for panel in panels:
        known = panel.frequency[np.isfinite(panel.frequency)]
        title = labels.trait_title(panel.trait)
        numbers = labels.shells_and_sites(panel.trait, panel.shells, len(panel.sites))
        if known.size == 0:
            parts.append(_("{trait}: blank everywhere ({shells_and_sites}).").format(
                trait=title, shells_and_sites=numbers
            ))  # fmt: skip
            continue
        parts.append(
            _("{trait}: {range}, {pattern} ({shells_and_sites}).").format(
                trait=title, range=labels.percent_range(float(known.min()), float(known.max())), pattern=panel.pattern,
                shells_and_sites=numbers,
            )
        )  # fmt: skip
    return " ".join(parts)
