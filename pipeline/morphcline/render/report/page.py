"""Put the report together: what it says goes into the template, and one self-contained HTML page comes out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import pandas as pd
from markupsafe import Markup, escape

from morphcline.render import labels
from morphcline.render.report import methods, summary
from morphcline.render.report.parts import Section, ShownFigure
from morphcline.render.report.templates import fill
from morphcline.render.report.topics import (
    change,
    clines,
    concordance,
    environment,
    genetics,
    neighbours,
    records,
    selection,
    steepness,
    surfaces,
)
from morphcline.scoring import cautions
from morphcline.scoring.species import slug


@dataclass(frozen=True)
class ReportData:
    """What the report is made from.

    Parameters
    ----------
    title : str
    area : str
        Where and when, in a sentence.
    settings : mapping
        The settings in force.
    accounts : mapping
        What each stage reported of itself.
    tables : mapping
        Tables by name, without folder and ending: ``"regional"``, ``"clines"``.
    figures : sequence of ShownFigure
    recorders : str
        Who sent records in, in a sentence; may be empty.
    version : str
        Of this package.
    """

    title: str
    area: str
    settings: Mapping[str, Any]
    accounts: Mapping[str, Mapping[str, Any]]
    tables: Mapping[str, pd.DataFrame]
    figures: Sequence[ShownFigure]
    recorders: str
    version: str


def render_report(data: ReportData) -> str:
    """Return the report as one HTML page.

    Parameters
    ----------
    data : ReportData

    Returns
    -------
    str
        Self-contained: no link out, no script.
    """
    return fill(
        "report.html.j2",
        filters={"species": partial(_italic_species, data.settings["scoring"]["species"])},
        title=data.title,
        area=data.area,
        short=summary.findings(data.tables),
        sections=_sections(data),
        warnings=_warnings(data),
        methods=methods.paragraphs(data.settings),
        references=methods.REFERENCES,
        settings=methods.settings_rows(data.settings),
        fieldwork=cautions.FIELDWORK,
        privacy=cautions.PRIVACY,
        evidence=cautions.EVIDENCE,
        blur_m=data.settings["publish"]["blur_m"],
        version=data.version,
    )


def _sections(data: ReportData) -> list[Section]:
    tables, figures = data.tables, data.figures
    level = labels.level(data.settings["scoring"]["confidence"])
    regional = tables["regional"]
    told = [records.came_in(data.accounts["intake"], data.recorders)]
    notes = [str(note) for note in data.accounts["frequencies"].get("notes", [])]
    for species in dict.fromkeys(regional["species"]):
        of_species = [note for note in notes if note.startswith(species)]
        told.append(records.found(regional, species, figures, slug(species), of_species, level))
    left_out = [str(sentence) for sentence in data.accounts["landscape"].get("left_out", [])]
    told += [
        surfaces.surfaces(tables["surfaces"], data.settings["surfaces"], figures, data.accounts.get("surfaces", {})),
        steepness.steepness(
            tables["steepness"],
            tables["steep_together"],
            figures,
            level=data.settings["steepness"]["level"],
            confidence=data.settings["scoring"]["confidence"],
        ),
        neighbours.alike(tables["autocorrelation"], tables["correlogram_reach"], tables["variogram_fit"], figures),
        *filter(None, [genetics.genetics(tables, figures, level)]),
        clines.clines(tables["clines"], figures),
        concordance.concordance(tables["concordance"], tables["curved"], tables["transects"], figures, level),
        *filter(None, [selection.held_by(tables["selection"])]),
        environment.environment(tables, figures, left_out, level),
    ]
    since = change.change(tables["change"], figures, tables.get("change_radius"), level)
    return told if since is None else [*told, since]


def _italic_species(names: Sequence[str], text: str) -> Markup:
    """Escape a text and set the species' names in it in italics."""
    marked = str(escape(text))
    for name in names:
        marked = marked.replace(str(escape(name)), f"<i>{escape(name)}</i>")
    return Markup(marked)


def _warnings(data: ReportData) -> list[str]:
    told = [str(sentence) for account in data.accounts.values() for sentence in account.get("warnings", [])]
    return list(dict.fromkeys(told))
