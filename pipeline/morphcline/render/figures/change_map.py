"""Map of change: where frequencies rose and fell between two surveys of the same places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from numpy.typing import NDArray

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.figures.frame import MapFrame, map_sheet, maps_in_words
from morphcline.render.figures.keys import marks_key, scale_key, size_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, Figure, Heading, style
from morphcline.render.palettes import INK, Mark

#: A diverging map that those who see red and green alike can read; its middle is no change.
CHANGE_MAP = "PuOr_r"
#: Change at which the colour is full.
FULL = 0.4
#: Below it a pair counts as unchanged: it would read as 0 points.
NONE = 0.005
#: Shells in both samples at which symbols stop growing, and those the legend shows.
LARGEST = 60
SIZES_SHOWN = (10, 30, 60)


@dataclass(frozen=True)
class ChangePanel:
    """One trait's change since one survey.

    Parameters
    ----------
    trait, survey : str
    pairs : DataFrame
        Columns ``shown_as, x_m, y_m, drawn_x_m, drawn_y_m, earlier_count, earlier_total, later_count, later_total,
        earlier_frequency, later_frequency, difference``: a row a pair of places.
    pattern : str
        The main pattern in a few words, for the alt text.
    """

    trait: str
    survey: str
    pairs: pd.DataFrame
    pattern: str


def draw_change_map(
    name: str,
    species: str,
    panels: Sequence[ChangePanel],
    frame: MapFrame,
    *,
    within_m: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the change at the places of two surveys, a panel a trait and earlier survey.

    Parameters
    ----------
    name, species : str
    panels : sequence of ChangePanel
        At least one.
    frame : MapFrame
    within_m : float
        Places closer than this are paired.
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    most = max(len(panel.pairs) for panel in panels)
    largest = float(np.clip(72.0 / np.sqrt(max(most, 1)) * width_mm / 190, 3.6, 8.0))
    ticks = [((value + FULL) / (2 * FULL), labels.points(value)) for value in (-FULL, -FULL / 2, 0.0, FULL / 2, FULL)]
    colour = colormaps[CHANGE_MAP]
    marks = [
        Mark(_("Rose"), "^", to_hex(colour(0.85)), edge=INK, size=5.0),
        Mark(_("Fell"), "v", to_hex(colour(0.15)), edge=INK, size=5.0),
        Mark(_("Unchanged"), "o", to_hex(colour(0.5)), edge=INK, size=3.6),
    ]
    keys = [
        scale_key(_("Change (percentage points)"), CHANGE_MAP, ticks),
        size_key(_("Shells in each survey"), [(_shown(n), float(_diameter(float(n), largest))) for n in SIZES_SHOWN]),
        marks_key("", marks, rows=3),
    ]
    headings = [
        Heading(
            labels.trait_title(panel.trait),
            _("now against {survey}, {pairs}").format(
                survey=panel.survey, pairs=labels.counted(len(panel.pairs), "pair")
            ),
        )
        for panel in panels
    ]
    with style():
        sheet, maps = map_sheet(frame, headings, keys, width_mm)
        for axes, panel in zip(maps, panels, strict=True):
            _draw_panel(axes, panel.pairs, largest)
    data = pd.concat([_data(species, panel) for panel in panels], ignore_index=True)
    return Figure(name, sheet.figure, data, _caption(species, panels, frame, within_m, among), _alt(species, panels))


def _shown(shells: int) -> str:
    return labels.number(shells) if shells < LARGEST else f"≥{labels.number(shells)}"


def _diameter(shells: float | NDArray[np.float64], largest: float) -> NDArray[np.float64]:
    """Return a symbol's diameter in points: its area grows with the precision of the difference."""
    return largest * np.sqrt(np.clip(shells, 6, LARGEST) / LARGEST)


def _worth(pairs: pd.DataFrame) -> NDArray[np.float64]:
    """Return the shells in each survey that would tell the difference as well as the two samples do."""
    worth: NDArray[np.float64] = (2 / (1 / pairs["earlier_total"] + 1 / pairs["later_total"])).to_numpy(np.float64)
    return worth


def _draw_panel(axes: Axes, pairs: pd.DataFrame, largest: float) -> None:
    change = pairs["difference"].to_numpy(np.float64)
    sizes = _diameter(_worth(pairs), largest)
    colours = colormaps[CHANGE_MAP](np.clip((change + FULL) / (2 * FULL), 0.0, 1.0))
    east, north = pairs["drawn_x_m"].to_numpy(np.float64), pairs["drawn_y_m"].to_numpy(np.float64)
    for marker, some in (("o", np.abs(change) < NONE), ("v", change <= -NONE), ("^", change >= NONE)):
        # The large below the small, so that none is hidden.
        rows = np.flatnonzero(some)[np.argsort(-sizes[some], kind="stable")]
        axes.scatter(
            east[rows], north[rows], s=sizes[rows] ** 2, c=colours[rows], marker=marker, edgecolors=INK, linewidths=0.4,
            zorder=3, rasterized=len(pairs) > RASTERISE_ABOVE,
        )  # fmt: skip


def _data(species: str, panel: ChangePanel) -> pd.DataFrame:
    columns = [
        "x_m", "y_m", "earlier_count", "earlier_total", "later_count", "later_total", "earlier_frequency",
        "later_frequency", "difference",
    ]  # fmt: skip
    table = panel.pairs[columns].copy()
    table.insert(0, "site", panel.pairs["shown_as"])
    table.insert(0, "earlier_survey", panel.survey)
    table.insert(0, "trait", panel.trait)
    table.insert(0, "species", species)
    return table


def _caption(
    species: str, panels: Sequence[ChangePanel], frame: MapFrame, within_m: float, among: labels.Denominators
) -> str:
    most = max(len(panel.pairs) for panel in panels)
    return " ".join(
        [
            many(
                "{species}: change of frequencies between two surveys, at {n} place seen in both (within {distance}).",
                "{species}: change of frequencies between two surveys, at up to {n} places seen in both (within "
                "{distance}).",
                most,
            ).format(species=species, n=labels.number(most), distance=labels.distance(within_m)),
            _(
                "Triangles point up where the frequency rose and down where it fell; colour is the change, full at "
                "{full} percentage points, and the symbol's area grows with how surely it is known: the harmonic mean "
                "of the two samples' shells, up to {most}."
            ).format(full=labels.number(100 * FULL), most=labels.number(LARGEST)),
            _(
                "A single place changes by chance as well: with 30 shells in each survey and a frequency near one "
                "half, its change has a standard deviation of 13 points; the figure of pooled changes has the "
                "intervals."
            ),
            labels.denominators_in_text(dict.fromkeys(panel.trait for panel in panels), among),
            frame.notes(),
        ]
    )


def _alt(species: str, panels: Sequence[ChangePanel]) -> str:
    parts = [
        _("{species}: {maps} of places as triangles that say where frequencies rose and fell.").format(
            species=species, maps=maps_in_words(len(panels))
        )
    ]
    for panel in panels:
        change = panel.pairs["difference"]
        parts.append(
            many(
                "{trait} since {survey}: rose at {rose}, fell at {fell} of {n} place, from {least} to {most} points, "
                "{pattern}.",
                "{trait} since {survey}: rose at {rose}, fell at {fell} of {n} places, from {least} to {most} points, "
                "{pattern}.",
                len(change),
            ).format(
                trait=labels.trait_title(panel.trait),
                survey=panel.survey,
                rose=labels.number(int((change >= NONE).sum())),
                fell=labels.number(int((change <= -NONE).sum())),
                n=labels.number(len(change)),
                least=labels.points(float(change.min())),
                most=labels.points(float(change.max())),
                pattern=panel.pattern,
            )
        )
    return " ".join(parts)
