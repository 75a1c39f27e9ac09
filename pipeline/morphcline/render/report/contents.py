"""What the report tells, section by section: of the leading traits in the body, of the others in the appendix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from morphcline.language import _, again
from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.arrange import Arranged, arrange, parted
from morphcline.render.report.parts import Points, Section, ShownFigure, ShownTable, main_rows, rows_of
from morphcline.render.report.topics import (
    change,
    clines,
    concordance,
    environment,
    genetics,
    neighbours,
    quality,
    records,
    selection,
    steepness,
    surfaces,
)
from morphcline.render.report.topics.habitat_table import by_habitat
from morphcline.scoring.species import slug

Tables = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class Told:
    """What sections are made from.

    Parameters
    ----------
    tables : mapping
    figures : sequence of ShownFigure
    accounts : mapping
        What each stage reported of itself.
    settings : mapping
        In force.
    recorders : str
        Who sent records in, in a sentence.
    """

    tables: Tables
    figures: Sequence[ShownFigure]
    accounts: Mapping[str, Mapping[str, Any]]
    settings: Mapping[str, Any]
    recorders: str

    @property
    def level(self) -> str:
        """Confidence of the intervals, in words."""
        return labels.level(self.settings["scoring"]["confidence"])

    @property
    def species(self) -> list[str]:
        """Names of the species found."""
        return [str(name) for name in dict.fromkeys(self.tables["regional"]["species"])]


def contents(told: Told) -> Arranged:
    """Return the report's body and appendix."""
    leading, others = parted(told.tables)
    left_out = [again(sentence) for sentence in told.accounts["landscape"].get("left_out", [])]
    body = [
        *(_found(told, species, leading) for species in told.species),
        *_by_trait(told, leading, told.figures, told.accounts.get("surfaces", {})),
        *filter(None, [genetics.genetics(told.tables, told.figures, told.level)]),
        environment.environment(leading, told.figures, left_out, told.level),
        *filter(None, [_change(told, leading, told.figures)]),
        quality.quality(records.came_in(told.accounts["intake"], told.recorders), told.tables, told.accounts),
    ]
    further = [
        Section("more-surfaces", _("Over the region"), points=_smoothed(told, others)),
        *_by_trait(told, others, (), {}),
        environment.environment(others, (), (), told.level),
        *filter(None, [_change(told, others, ())]),
    ]
    return arrange(body, _morphs(told), *map(_further, further))


def _found(told: Told, species: str, leading: Tables) -> Section:
    """Return how frequent the traits of a species are, over the region and by habitat."""
    notes = [again(note) for note in told.accounts["frequencies"].get("notes", []) if str(note).startswith(species)]
    main = pd.DataFrame(main_rows(rows_of(told.tables["regional"], species=species)))
    section = records.found(main, species, told.figures, slug(species), notes, told.level)
    habitats = by_habitat(leading["habitat_frequencies"], species, told.level)
    return replace(section, tables=[*section.tables, *habitats])


def _by_trait(
    told: Told, tables: Tables, figures: Sequence[ShownFigure], smoothing: Mapping[str, Any]
) -> list[Section]:
    """Return the sections whose tables are parted by trait; of pairs of traits only with the leading ones."""
    settings = told.settings
    return [
        surfaces.surfaces(tables["surfaces"], settings["surfaces"], figures, smoothing),
        steepness.steepness(
            tables["steepness"],
            tables["steep_together"],
            figures,
            level=settings["steepness"]["level"],
            confidence=settings["scoring"]["confidence"],
        ),
        neighbours.alike(tables["autocorrelation"], tables["correlogram_reach"], tables["variogram_fit"], figures),
        clines.clines(tables["clines"], figures),
        concordance.concordance(
            tables["concordance"], tables["curved"], tables["transects"], figures, told.level
        ),
        *filter(None, [selection.held_by(tables["selection"])]),
    ]  # fmt: skip


def _change(told: Told, tables: Tables, figures: Sequence[ShownFigure]) -> Section | None:
    return change.change(tables["change"], figures, tables.get("change_radius"), told.level)


def _smoothed(told: Told, tables: Tables) -> list[Points]:
    bandwidth = told.settings["surfaces"]["bandwidth"]
    neighbours = bandwidth["neighbours"] if isinstance(bandwidth, Mapping) else None
    texts = [
        sentences.surface(main, neighbours=neighbours)
        for _species, rows in tables["surfaces"].groupby("species", sort=False)
        if (main := main_rows(rows_of(rows)))
    ]
    return [Points("", texts)] if texts else []


def _morphs(told: Told) -> Section:
    """Return the regional frequencies of the nine morphs."""
    tables: list[ShownTable] = []
    for species in told.species:
        rows = told.tables["regional"][told.tables["regional"]["species"] == species]
        main = labels.main_traits(rows["trait"])
        morphs = rows[~rows["trait"].isin(main)]
        if len(morphs):
            tables += records.found(morphs, species, (), slug(species), (), told.level).tables
    return Section("morphs", _("The nine morphs"), tables=tables)


def _further(section: Section) -> Section:
    """Return what a section says of traits that don't lead: its points and tables under a title of their own."""
    return Section(
        f"further-{section.anchor}",
        _("{title} (further traits)").format(title=section.title),
        points=[group for group in section.points if group.texts],
        tables=[table for table in section.tables if table.rows],
    )
