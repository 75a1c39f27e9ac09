"""The sites' surroundings: habitat and temperature at each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from matplotlib import colormaps
from matplotlib.ticker import MaxNLocator

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.figures.frame import MARGIN_MM, MapFrame, map_sheet
from morphcline.render.figures.keys import Key, marks_key, scale_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, Figure, Heading, style
from morphcline.render.palettes import INK, LINE, TEMPERATURE_MAP, Mark, class_marks
from morphcline.scoring.habitats import CLASSES

UNKNOWN = Mark(marked("Not known"), "o", "none", edge=LINE, size=3.0)


def draw_landscape(name: str, sites: pd.DataFrame, frame: MapFrame, *, source: str, width_mm: float) -> Figure:
    """Draw the habitat and the temperature at each site, whichever is known.

    Parameters
    ----------
    name : str
    sites : DataFrame
        ``shown_as, x_m, y_m, drawn_x_m, drawn_y_m, habitat, temperature_c, shells``; some habitat or temperature known.
    frame : MapFrame
    source : str
        Where habitat and temperature are from, in words.
    width_mm : float
    """
    found = set(sites["habitat"]) - {""}
    warm = sites["temperature_c"].to_numpy(np.float64)
    known = np.isfinite(warm)
    # A class has the same mark in every study.
    marks = class_marks([*CLASSES, *sorted(found - set(CLASSES))])
    marks = {name: mark for name, mark in marks.items() if name in found}
    room = width_mm - 2 * MARGIN_MM
    headings, keys = list[Heading](), list[Key]()
    if marks:
        headings.append(Heading(_("Habitat"), labels.counted((sites["habitat"] != "").sum(), "site")))
        unknown = [UNKNOWN] if (sites["habitat"] == "").any() else []
        keys.append(
            marks_key(_("Habitat"), [_named(mark) for mark in (*marks.values(), *unknown)], rows=4, room_mm=room)
        )
    low, high = (float(warm[known].min()), float(warm[known].max())) if known.any() else (0.0, 0.0)
    if known.any():
        headings.append(Heading(_("Temperature"), labels.counted(known.sum(), "site")))
        keys.append(scale_key(_("Temperature (°C)"), TEMPERATURE_MAP, _ticks(low, high)))
    size = float(np.clip(80.0 / np.sqrt(max(len(sites), 1)) * width_mm / 190, 2.2, 5.0))
    dense = len(sites) > RASTERISE_ABOVE
    with style():
        sheet, maps = map_sheet(frame, headings, keys, width_mm)
        if marks:
            for label, mark in (("", UNKNOWN), *marks.items()):
                these = sites[sites["habitat"] == label]
                maps[0].plot(
                    these["drawn_x_m"], these["drawn_y_m"], mark.marker, ms=size, mfc=mark.fill, mec=mark.edge,
                    mew=0.35, ls="none", zorder=3, rasterized=dense,
                )  # fmt: skip
        if known.any():
            colours = colormaps[TEMPERATURE_MAP]((warm[known] - low) / max(high - low, 1e-9))
            maps[-1].scatter(
                sites["drawn_x_m"][known], sites["drawn_y_m"][known], s=size**2, c=colours, edgecolors=INK,
                linewidths=0.35, zorder=3, rasterized=dense,
            )  # fmt: skip
            maps[-1].plot(
                sites["drawn_x_m"][~known], sites["drawn_y_m"][~known], "o", ms=size, mfc="none", mec=LINE, mew=0.5,
                ls="none", zorder=2, rasterized=dense,
            )  # fmt: skip
    data = sites[["x_m", "y_m", "habitat", "temperature_c", "shells"]].copy()
    data.insert(0, "site", sites["shown_as"])
    return Figure(name, sheet.figure, data, _caption(sites, frame, source), _alt(sites, low, high, bool(known.any())))


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return round temperatures of the scale, or both its ends where it holds no two."""
    found = MaxNLocator(nbins=4, steps=[1, 2, 5, 10]).tick_values(low, high)
    within = [float(degrees) for degrees in found if low - 1e-9 <= degrees <= high + 1e-9]
    shown = within if len(within) > 1 else [low, high]
    whole = all(abs(degrees - round(degrees)) < 1e-9 for degrees in shown)
    span = max(high - low, 1e-9)
    return [((degrees - low) / span, labels.decimals(degrees, 0 if whole else 1)) for degrees in shown]


def _named(mark: Mark) -> Mark:
    name = _(UNKNOWN.label) if mark is UNKNOWN else labels.habitat_name(mark.label)
    return replace(mark, label=labels.sentence(name))


def _caption(sites: pd.DataFrame, frame: MapFrame, source: str) -> str:
    parts = [
        _("Surroundings of the sites ({shells_and_sites}).").format(
            shells_and_sites=labels.shells_and_sites("", sites["shells"].sum(), len(sites))
        ),
        source,
        _("Hollow: not known."),
        frame.notes(),
    ]
    return " ".join(part for part in parts if part)


def _alt(sites: pd.DataFrame, low: float, high: float, warm: bool) -> str:
    counts = sites.loc[sites["habitat"] != "", "habitat"].value_counts()
    parts = [
        many("Maps of {n} site and its surroundings.", "Maps of {n} sites and their surroundings.", len(sites)).format(
            n=labels.number(len(sites))
        )
    ]
    if len(counts):
        ordered = sorted(counts.items(), key=lambda item: (-item[1], str(item[0])))
        named = [
            _("{name} {count}").format(name=labels.habitat_name(str(name)), count=labels.number(count))
            for name, count in ordered
        ]
        parts.append(_("Habitat: {classes}.").format(classes=labels.listing(named)))
    if warm:
        parts.append(
            _("Temperature from {low} to {high} °C.").format(low=labels.decimals(low, 1), high=labels.decimals(high, 1))
        )
    return " ".join(parts)
