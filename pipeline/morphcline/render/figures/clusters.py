"""Local association: where a site and its neighbours are alike or unlike beyond chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.figures.frame import MARGIN_MM, MapFrame, map_sheet, maps_in_words
from morphcline.render.figures.keys import marks_key, note_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, Figure, Heading, style
from morphcline.render.palettes import LOCAL_GROUPS

SIGNALS = ("high among high", "high among low", "low among high", "low among low")


@dataclass(frozen=True)
class ClusterPanel:
    """One trait's local association.

    Parameters
    ----------
    trait : str
    sites : DataFrame
        Columns ``shown_as, x_m, y_m, drawn_x_m, drawn_y_m, local_i, p_permutation, p_fdr, group, total``.
    """

    trait: str
    sites: pd.DataFrame

    @property
    def signals(self) -> int:
        """Sites with a local signal."""
        return int(self.sites["group"].isin(SIGNALS).sum())

    @property
    def tested(self) -> int:
        """Sites that were tested."""
        return int((self.sites["group"] != "not tested").sum())


@dataclass(frozen=True)
class LocalTest:
    """How the local statistic was judged: neighbours in words, permutations, and the false-discovery rate."""

    neighbours: str
    permutations: int
    level: float


def draw_clusters(
    name: str,
    species: str,
    panels: Sequence[ClusterPanel],
    frame: MapFrame,
    test: LocalTest,
    *,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the local association of one species' traits, a panel for each trait with a signal at any site.

    Parameters
    ----------
    name, species : str
    panels : sequence of ClusterPanel
        At least one has a signal; traits without are named in the caption, and are in the data.
    frame : MapFrame
    test : LocalTest
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    shown = [panel for panel in panels if panel.signals]
    most = max(len(panel.sites) for panel in panels)
    scale = float(np.clip(11.5 / np.sqrt(max(most, 1)) * width_mm / 190, 0.45, 1.0))
    note = _(
        "Local Moran's I, two-sided,\n{permutations} conditional permutations;\n"
        "false-discovery rate {level} (Benjamini & Hochberg);\nneighbours: {neighbours}"
    ).format(permutations=labels.number(test.permutations), level=labels.level(test.level), neighbours=test.neighbours)
    marks = [replace(mark, label=_(mark.label)) for mark in LOCAL_GROUPS.values()]
    keys = [marks_key("", marks, rows=2, room_mm=width_mm - 2 * MARGIN_MM), note_key(note.splitlines())]
    headings = [Heading(labels.trait_title(panel.trait), _note(panel)) for panel in shown]
    with style():
        sheet, maps = map_sheet(frame, headings, keys, width_mm)
        for axes, panel in zip(maps, shown, strict=True):
            _draw_panel(axes, panel.sites, scale)
    data = pd.concat([_data(species, panel) for panel in panels], ignore_index=True)
    return Figure(name, sheet.figure, data, _caption(species, panels, frame, test, among), _alt(species, panels, test))


def _note(panel: ClusterPanel) -> str:
    message = many("signal at {n} site of {of}", "signal at {n} sites of {of}", panel.signals)
    return message.format(n=labels.number(panel.signals), of=labels.number(panel.tested))


def _draw_panel(axes: Axes, sites: pd.DataFrame, scale: float) -> None:
    dense = len(sites) > RASTERISE_ABOVE
    # From the commonest and faintest to the rarest.
    for order, group in enumerate(reversed(list(LOCAL_GROUPS))):
        mark = replace(LOCAL_GROUPS[group], size=LOCAL_GROUPS[group].size * scale)
        found = sites[sites["group"] == group]
        axes.plot(
            found["drawn_x_m"], found["drawn_y_m"], mark.marker, ms=mark.size, mfc=mark.fill, mec=mark.edge,
            mew=0.35, ls="none", zorder=2 + 0.1 * order, rasterized=dense,
        )  # fmt: skip


def _data(species: str, panel: ClusterPanel) -> pd.DataFrame:
    table = panel.sites[["x_m", "y_m", "total", "local_i", "p_permutation", "p_fdr", "group"]].copy()
    table.insert(0, "site", panel.sites["shown_as"])
    table.insert(0, "trait", panel.trait)
    table.insert(0, "species", species)
    return table


def _caption(
    species: str, panels: Sequence[ClusterPanel], frame: MapFrame, test: LocalTest, among: labels.Denominators
) -> str:
    most = max(panels, key=lambda panel: panel.tested)
    shells = int(most.sites.loc[most.sites["group"] != "not tested", "total"].sum())
    sentences = [
        _("{species}: local association of frequencies with those of their neighbours ({neighbours}), up to "
          "{shells_and_sites} tested.").format(
            species=species, neighbours=test.neighbours,
            shells_and_sites=labels.shells_and_sites("", shells, most.tested),
        ),
        _("“{group}” is a site with a high frequency among neighbours with low ones, and so on.").format(
            group=_(LOCAL_GROUPS["high among low"].label)
        ),
        _("Local Moran's I of rate-adjusted frequencies, two-sided, {permutations} conditional permutations, "
          "false-discovery rate {level} (Benjamini & Hochberg) within a trait.").format(
            permutations=labels.number(test.permutations), level=labels.level(test.level)
        ),
        _quiet(panels),
        _("Samples below the minimum and sites without neighbours are not tested."),
        labels.denominators_in_text([panel.trait for panel in panels], among),
        frame.notes(),
    ]  # fmt: skip
    return " ".join(part for part in sentences if part)


def _quiet(panels: Sequence[ClusterPanel]) -> str:
    """Name the traits that have no panel because no site shows a signal."""
    names = [
        many("{trait} ({n} site tested)", "{trait} ({n} sites tested)", panel.tested).format(
            trait=labels.trait_name(panel.trait), n=labels.number(panel.tested)
        )
        for panel in panels
        if not panel.signals
    ]
    if not names:
        return ""
    return _("Not drawn, for no site shows a signal: {traits}.").format(traits=labels.listing(names))


def _alt(species: str, panels: Sequence[ClusterPanel], test: LocalTest) -> str:
    shown = sum(1 for panel in panels if panel.signals)
    first = _("{species}: {maps} of sites that are like or unlike their neighbours beyond chance, at a false-discovery "
              "rate of {level}.")  # fmt: skip
    parts = [first.format(species=species, maps=maps_in_words(shown), level=labels.level(test.level))]
    for panel in panels:
        counts = panel.sites["group"].value_counts()
        found = [
            _("{name} {count}").format(name=labels.group_name(group), count=labels.number(int(counts[group])))
            for group in SIGNALS
            if counts.get(group, 0)
        ]
        message = (
            many("{trait}: {groups}, of {n} site tested.", "{trait}: {groups}, of {n} sites tested.", panel.tested)
            if found
            else many(
                "{trait}: no local signal, of {n} site tested.",
                "{trait}: no local signal, of {n} sites tested.",
                panel.tested,
            )
        )
        parts.append(
            message.format(
                trait=labels.trait_title(panel.trait), groups=labels.listing(found), n=labels.number(panel.tested)
            )
        )
    return " ".join(parts)
