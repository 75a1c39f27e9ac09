"""Map of sites: the colour of a symbol is a frequency, its size the number of shells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.figures.frame import MARGIN_MM, MapFrame, map_sheet, maps_in_words
from morphcline.render.figures.keys import frequency_key, interval_notes, marks_key, size_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, Figure, Heading, draw_circles, style
from morphcline.render.palettes import INK, LINE, Mark, frequency_colours

#: Shells at which symbols stop growing, and those the legend shows.
LARGEST_SAMPLE = 150
SIZES_SHOWN = (20, 50, 100, 150)

NOT_SCORED = Mark(marked("Survey site with none found, or none scored"), "+", "none", edge=LINE, size=2.8)


@dataclass(frozen=True)
class SitePanel:
    """One trait on a map of sites.

    Parameters
    ----------
    trait : str
    sites : DataFrame
        Columns ``shown_as, x_m, y_m, drawn_x_m, drawn_y_m, count, total, frequency, enough``; a site where nothing
        could be judged has a ``total`` of 0 or missing.
    pattern : str
        The main pattern in a few words, for the alt text.
    """

    trait: str
    sites: pd.DataFrame
    pattern: str


def draw_sites(
    name: str,
    species: str,
    panels: Sequence[SitePanel],
    frame: MapFrame,
    *,
    min_shells: int,
    width_mm: float,
    confidence: float = 0.95,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the frequencies of one species at the sites, a panel a trait.

    Parameters
    ----------
    name, species : str
    panels : sequence of SitePanel
        At least one.
    frame : MapFrame
    min_shells : int
        Below it a sample is drawn hollow.
    width_mm : float
    confidence : float
        Of the intervals that the key of sizes gives.
    among : mapping
        Denominators by trait.
    """
    most = max(len(panel.sites) for panel in panels)
    largest = float(np.clip(112.0 / np.sqrt(max(most, 1)) * width_mm / 190, 3.4, 7.5))
    small = max(0.5 * largest, 2.0)
    keys = [
        frequency_key(),
        size_key(
            _("Shells judged"),
            [(_shown(n), float(_diameter(n, largest))) for n in SIZES_SHOWN],
            interval_notes(SIZES_SHOWN, confidence),
        ),
    ]
    extra = []
    if any((_seen(panel.sites) & ~_enough(panel.sites)).any() for panel in panels):
        too_small = many("Sample too small (under {n} shell)", "Sample too small (under {n} shells)", min_shells)
        extra.append(Mark(too_small.format(n=labels.number(min_shells)), "o", "none", edge=LINE, size=small))
    if any((~_seen(panel.sites)).any() for panel in panels):
        extra.append(replace(NOT_SCORED, label=_(NOT_SCORED.label)))
    if extra:
        keys.append(marks_key(_("Not coloured"), extra, rows=2, room_mm=width_mm - 2 * MARGIN_MM))
    with style():
        sheet, maps = map_sheet(frame, [_heading(panel) for panel in panels], keys, width_mm)
        for axes, panel in zip(maps, panels, strict=True):
            _draw_panel(axes, panel.sites, largest, small)
    data = pd.concat([_data(species, panel) for panel in panels], ignore_index=True)
    caption = _caption(species, panels, frame, min_shells, confidence, among)
    return Figure(name, sheet.figure, data, caption, _alt(species, panels))


def _shown(shells: int) -> str:
    return labels.number(shells) if shells < LARGEST_SAMPLE else f"≥{labels.number(shells)}"


def _diameter(shells: float | NDArray[np.float64], largest: float) -> NDArray[np.float64]:
    """Return a symbol's diameter in points: its area grows with the sample."""
    return largest * np.sqrt(np.clip(shells, 12, LARGEST_SAMPLE) / LARGEST_SAMPLE)


def _seen(sites: pd.DataFrame) -> NDArray[np.bool_]:
    return (sites["total"].fillna(0) > 0).to_numpy()


def _enough(sites: pd.DataFrame) -> NDArray[np.bool_]:
    return (sites["enough"].fillna(False).astype(bool) & (sites["total"].fillna(0) > 0)).to_numpy()


def _heading(panel: SitePanel) -> Heading:
    used = panel.sites[_enough(panel.sites)]
    return Heading(
        labels.trait_title(panel.trait), labels.shells_and_sites(panel.trait, used["total"].sum(), len(used))
    )


def _draw_panel(axes: Axes, sites: pd.DataFrame, largest: float, small: float) -> None:
    dense = len(sites) > RASTERISE_ABOVE
    seen, enough = _seen(sites), _enough(sites)
    missing, few = sites[~seen], sites[seen & ~enough]
    axes.plot(
        missing["drawn_x_m"], missing["drawn_y_m"], NOT_SCORED.marker, ms=NOT_SCORED.size, mec=LINE, mew=0.5,
        ls="none", zorder=2, rasterized=dense,
    )  # fmt: skip
    axes.plot(
        few["drawn_x_m"], few["drawn_y_m"], "o", ms=small, mfc="none", mec=LINE, mew=0.6, ls="none", zorder=2.5,
        rasterized=dense,
    )  # fmt: skip
    full = sites[enough]
    draw_circles(
        axes, full["drawn_x_m"], full["drawn_y_m"], _diameter(full["total"].to_numpy(np.float64), largest),
        frequency_colours(full["frequency"].to_numpy(np.float64)) / 255, edgecolors=INK, linewidths=0.35, zorder=3,
    )  # fmt: skip


def _data(species: str, panel: SitePanel) -> pd.DataFrame:
    columns = ["x_m", "y_m", "count", "total", "frequency", "enough"]
    table = panel.sites[columns].copy()
    table.insert(0, "site", panel.sites["shown_as"])
    table.insert(0, "trait", panel.trait)
    table.insert(0, "species", species)
    return table


def _caption(
    species: str,
    panels: Sequence[SitePanel],
    frame: MapFrame,
    min_shells: int,
    confidence: float,
    among: labels.Denominators,
) -> str:
    most = max(panels, key=lambda panel: int(_enough(panel.sites).sum()))
    used = most.sites[_enough(most.sites)]
    numbers = labels.shells_and_sites("", used["total"].sum(), len(used))
    return " ".join(
        [
            _("{species}: frequencies at the sites.").format(species=species),
            _("Colour is the frequency, on one fixed scale from 0 to 100% for every map; the symbol's area grows with "
              "the number of shells judged, up to {most}, and with it falls what chance alone does to a frequency (± "
              "in the key: half the {level} interval of a frequency of 50%, in percentage points).").format(
                most=labels.number(LARGEST_SAMPLE), level=labels.level(confidence)
            ),
            _("Up to {shells_and_sites} ({trait}); each panel gives its own numbers.").format(
                shells_and_sites=numbers, trait=labels.trait_name(most.trait)
            ),
            labels.denominators_in_text([panel.trait for panel in panels], among),
            many("Samples of fewer than {n} adult shell, or in which fewer than 5 could be judged, are hollow; crosses "
                 "are sites of the survey where no such shell was found or scored.",
                 "Samples of fewer than {n} adult shells, or in which fewer than 5 could be judged, are hollow; "
                 "crosses are sites of the survey where no such shell was found or scored.", min_shells).format(
                n=labels.number(min_shells)
            ),
            frame.notes(),
        ]
    )  # fmt: skip


def _alt(species: str, panels: Sequence[SitePanel]) -> str:
    first = _("{species}: {maps} of sites as circles coloured by frequency.")
    parts = [first.format(species=species, maps=maps_in_words(len(panels)))]
    for panel in panels:
        used = panel.sites[_enough(panel.sites)]
        title = labels.trait_title(panel.trait)
        if used.empty:
            parts.append(_("{trait}: no sample is large enough.").format(trait=title))
            continue
        parts.append(
            _("{trait}: {range}, {pattern} ({shells_and_sites}).").format(
                trait=title, range=labels.percent_range(used["frequency"].min(), used["frequency"].max()),
                pattern=panel.pattern,
                shells_and_sites=labels.shells_and_sites(panel.trait, used["total"].sum(), len(used)),
            )
        )  # fmt: skip
    return " ".join(parts)
