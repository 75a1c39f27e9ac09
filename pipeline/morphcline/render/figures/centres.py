"""Map of cline centres: the line on which a trait's frequency is halfway between its ends, with its band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from numpy.typing import NDArray

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.frame import MapFrame, map_sheet, maps_in_words
from morphcline.render.figures.keys import frequency_key, marks_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, Figure, Heading, draw_circles, style
from morphcline.render.palettes import INK, SERIES, Mark, frequency_colours

CENTRE, BAND = SERIES[1].fill, "#F3CBA8"

Path2 = NDArray[np.float64]


@dataclass(frozen=True)
class CentrePanel:
    """One trait's centre line.

    Parameters
    ----------
    trait : str
    lines, bands : tuple of (n, 2) arrays
        Pieces within the study area, in metres of the study's CRS.
    curved : bool
    p_curved : float
        Of a straight line against a bent one.
    bend_m : float
        Greatest distance of the bent line from the straight one through its ends.
    towards : str
        Where the frequency rises, in words.
    sites : DataFrame
        ``shown_as, x_m, y_m, drawn_x_m, drawn_y_m, count, total, frequency``, every site with a shell judged.
    """

    trait: str
    lines: tuple[Path2, ...]
    bands: tuple[Path2, ...]
    curved: bool
    p_curved: float
    bend_m: float
    towards: str
    sites: pd.DataFrame


def draw_centres(
    name: str,
    species: str,
    panels: Sequence[CentrePanel],
    frame: MapFrame,
    *,
    confidence: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the centre lines of one species' clines over its sites, a panel a trait.

    Parameters
    ----------
    name, species : str
    panels : sequence of CentrePanel
        At least one.
    frame : MapFrame
    confidence : float
        Of the bands.
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    level = labels.level(confidence)
    keys = [
        frequency_key(),
        marks_key(
            _("Centre of the cline"),
            [
                Mark(_("Halfway between the two ends"), "_", CENTRE, edge=CENTRE, size=9),
                Mark(_("{level} band, pointwise").format(level=level), "s", BAND, edge=BAND, size=5),
            ],
            rows=2,
        ),
    ]
    with style():
        sheet, maps = map_sheet(frame, [_heading(panel) for panel in panels], keys, width_mm)
        for axes, panel in zip(maps, panels, strict=True):
            _draw_panel(axes, panel)
    data = pd.concat([_data(species, panel) for panel in panels], ignore_index=True)
    return Figure(name, sheet.figure, data, _caption(species, panels, frame, level, among), _alt(species, panels))


def _heading(panel: CentrePanel) -> Heading:
    note = _("curved ({p} for a bend)") if panel.curved else _("straight ({p} for a bend)")
    return Heading(labels.trait_title(panel.trait), note.format(p=labels.probability(panel.p_curved)))


def _draw_panel(axes: Axes, panel: CentrePanel) -> None:
    axes.add_collection(
        PolyCollection(list(panel.bands), facecolors=BAND, edgecolors="none", alpha=0.8, zorder=1.2), autolim=False
    )
    sites = panel.sites
    draw_circles(
        axes, sites["drawn_x_m"], sites["drawn_y_m"], np.full(len(sites), 2.0 if len(sites) > 150 else 2.7),
        frequency_colours(sites["frequency"].to_numpy(np.float64)) / 255, edgecolors=INK, linewidths=0.2, zorder=2,
    )  # fmt: skip
    axes.add_collection(
        LineCollection(list(panel.lines), colors=CENTRE, linewidths=1.6, zorder=3, capstyle="round",
                       rasterized=sum(map(len, panel.lines)) > RASTERISE_ABOVE),
        autolim=False,
    )  # fmt: skip


def _data(species: str, panel: CentrePanel) -> pd.DataFrame:
    sites = panel.sites[["x_m", "y_m", "count", "total", "frequency"]].copy()
    sites.insert(0, "site", panel.sites["shown_as"])
    sites.insert(0, "piece", "")
    sites.insert(0, "what", "site")
    parts = [sites]
    for what, pieces in (("centre line", panel.lines), ("band", panel.bands)):
        parts += [
            pd.DataFrame(
                {
                    "what": what,
                    "piece": number + 1,
                    "site": "",
                    "x_m": piece[:, 0].round(-2),
                    "y_m": piece[:, 1].round(-2),
                }
            )
            for number, piece in enumerate(pieces)
        ]
    table = pd.concat(parts, ignore_index=True)
    table.insert(0, "trait", panel.trait)
    table.insert(0, "species", species)
    return table


def _numbers(panel: CentrePanel) -> str:
    return labels.shells_and_sites(panel.trait, panel.sites["total"].sum(), len(panel.sites))


def _caption(
    species: str, panels: Sequence[CentrePanel], frame: MapFrame, level: str, among: labels.Denominators
) -> str:
    numbers, basis = labels.common_numbers([_numbers(panel) for panel in panels])
    named = [
        _("{trait} ({numbers})").format(trait=labels.trait_name(panel.trait), numbers=own)
        if own
        else labels.trait_name(panel.trait)
        for panel, own in zip(panels, numbers, strict=True)
    ]
    curved = [name for name, panel in zip(named, panels, strict=True) if panel.curved]
    straight = [name for name, panel in zip(named, panels, strict=True) if not panel.curved]
    return " ".join(
        [
            _(
                "{species}: where each trait's cline has its centre, the line on which its frequency is halfway "
                "between the two ends of the sigmoid fitted (beta-binomial likelihood)."
            ).format(species=species),
            *([_("Straight: {traits}.").format(traits=labels.listing(straight))] if straight else []),
            *([_("Curved: {traits}.").format(traits=labels.listing(curved))] if curved else []),
            basis,
            _(
                "The line is curved where surveys simulated from a straight one seldom gain as much by a bend (p of "
                "{level} or less): the centre is then a natural cubic spline, four knots, of the distance across the "
                "cline."
            ).format(level=labels.decimals(0.05)),
            _(
                "Band: {level}, pointwise on average along the line, measured along the cline's bearing; its width is "
                "calibrated by simulated surveys. Line and band end with the sites and at the edge of the study area."
            ).format(level=level),
            _("Circles are all sites with a shell judged, coloured by frequency on the scale of every map."),
            labels.denominators_in_text([panel.trait for panel in panels], among),
            frame.notes(),
        ]
    )


def _alt(species: str, panels: Sequence[CentrePanel]) -> str:
    parts = [
        _("{species}: {maps} with the cline's centre as a line in its band over the sites.").format(
            species=species, maps=maps_in_words(len(panels))
        )
    ]
    for panel in panels:
        if panel.curved:
            message = _(
                "{trait}: bent by up to {distance}, the frequency rises across it towards the {direction} ({numbers})."
            )
        else:
            message = _("{trait}: straight, the frequency rises across it towards the {direction} ({numbers}).")
        parts.append(
            message.format(
                trait=labels.trait_title(panel.trait),
                distance=labels.distance(panel.bend_m),
                direction=panel.towards,
                numbers=_numbers(panel),
            )
        )
    return " ".join(parts)
