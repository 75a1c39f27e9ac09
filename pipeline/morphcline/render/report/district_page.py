"""The report of one district, of the same run as that of the region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import pandas as pd

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.report import certainty
from morphcline.render.report.arrange import Arranged, figure_label, numbered
from morphcline.render.report.page import blurred
from morphcline.render.report.parts import Row, Section, ShownFigure, ShownTable, rows_of
from morphcline.render.report.summary import in_words
from morphcline.render.report.templates import fill, in_italics, of_css
from morphcline.render.report.topics import district
from morphcline.scoring import cautions


@dataclass(frozen=True)
class DistrictData:
    """What the report of a district is made from.

    Parameters
    ----------
    name : str
    title : str
        Of the survey.
    period : str
        Years, may be empty.
    settings : mapping
        In force.
    tables : mapping
        ``districts, district_habitats, sites, samples, accepted, flagged``: rows of this district and this survey.
    figures : sequence of ShownFigure
    crossing : sequence of mappings
        Rows of ``clines.csv`` whose centre line crosses the district.
    fitted : bool
        Whether the region has centre lines at all.
    larger_square_m : float or None
        Side of the square that hides a site, where it is larger than the district.
    among : str
        Among which shells each leading trait is counted, in a sentence.
    region : str
        Address of the report of the region.
    version : str
        Of this package.
    """

    name: str
    title: str
    period: str
    settings: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame]
    figures: Sequence[ShownFigure]
    crossing: Sequence[Row]
    fitted: bool
    larger_square_m: float | None
    among: str
    region: str
    version: str


def render_district(data: DistrictData) -> str:
    """Return the report of a district as one HTML page, self-contained but for the way to the region's report."""
    rows = rows_of(data.tables["districts"])
    sites = data.tables["sites"]
    key_map, others = _key_map(data.figures)
    arranged = numbered(Arranged(_sections(data, others), []), figures_before=0 if key_map is None else 1)
    return fill(
        "district.html.j2",
        filters={"species": partial(in_italics, data.settings["scoring"]["species"]), "css": of_css},
        title=data.name,
        running=_("{survey}: {district}").format(survey=data.title, district=data.name),
        survey=data.title,
        period=data.period,
        counts=_counts(data),
        findings=[(finding.text, in_words(finding)) for finding in district.findings(rows)] if len(sites) else [],
        key_map=key_map,
        among=data.among,
        scale=certainty.scale(),
        rule=district.rule(),
        body=arranged.body,
        places=list(district.privacy(sites, data.larger_square_m)),
        blur=blurred(data.settings["publish"]),
        privacy=cautions.PRIVACY,
        evidence=cautions.EVIDENCE,
        fieldwork=cautions.FIELDWORK,
        holder=data.settings["report"],
        region=data.region,
        version=data.version,
    )


def _counts(data: DistrictData) -> list[tuple[str, str]]:
    sites, samples = data.tables["sites"], data.tables["samples"]
    shells = int(samples["shells"].sum())
    species = samples["species"].nunique()
    return [
        (labels.number(len(sites)), many("site", "sites", len(sites))),
        (labels.number(shells), many("adult shell that counts", "adult shells that count", shells)),
        (labels.number(species), many("species", "species", species)),
    ]


def _key_map(figures: Sequence[ShownFigure]) -> tuple[ShownFigure | None, list[ShownFigure]]:
    first = next((figure for figure in figures if figure.name.startswith("sites_")), None)
    if first is None:
        return None, list(figures)
    return replace(first, label=figure_label("1")), [figure for figure in figures if figure is not first]


def _sections(data: DistrictData, figures: Sequence[ShownFigure]) -> list[Section]:
    level = labels.level(data.settings["scoring"]["confidence"])
    tables = data.tables
    told = [
        district.found(tables, species, figures, level)
        for species in dict.fromkeys(tables["districts"]["species"])
        if len(tables["sites"])
    ]
    own = (tables[name] for name in ("sites", "accepted", "flagged", "samples"))
    return [
        *told,
        district.crossing(data.crossing, fitted=data.fitted),
        district.quality(*own),
        Section("sites", _("Its sites"), tables=_list(tables)),
    ]


def _list(tables: Mapping[str, pd.DataFrame]) -> list[ShownTable]:
    return [district.site_list(tables["sites"], tables["samples"])] if len(tables["sites"]) else []
