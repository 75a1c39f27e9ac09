"""Put the report together: what it says goes into the template, and one self-contained HTML page comes out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import pandas as pd

from morphcline.language import _, again, many
from morphcline.render import labels
from morphcline.render.report import certainty, methods, summary
from morphcline.render.report.arrange import figure_label, numbered
from morphcline.render.report.contents import Told, contents
from morphcline.render.report.parts import ShownFigure
from morphcline.render.report.templates import fill, in_italics, of_css
from morphcline.render.report.topics import quality
from morphcline.scoring import cautions
from morphcline.scoring.species import slug

#: Kind of the map on the first page.
_KEY_MAP = "sites_"


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
        Of the leading traits, as low as a text wants them.
    recorders : str
        Who sent records in, in a sentence; may be empty.
    among : str
        Among which shells each leading trait is counted, in a sentence.
    elsewhere : sequence of str
        Names of figures that stand in the folder of figures alone.
    version : str
        Of this package.
    districts : sequence of (str, str)
        Name and address of the reports of districts, if any.
    """

    title: str
    area: str
    settings: Mapping[str, Any]
    accounts: Mapping[str, Mapping[str, Any]]
    tables: Mapping[str, pd.DataFrame]
    figures: Sequence[ShownFigure]
    recorders: str
    among: str
    elsewhere: Sequence[str]
    version: str
    districts: Sequence[tuple[str, str]] = ()


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
    key_map = _key_map(data)
    figures = [figure for figure in data.figures if key_map is None or figure.name != key_map.name]
    told = Told(data.tables, figures, data.accounts, data.settings, data.recorders)
    arranged = numbered(contents(told), figures_before=0 if key_map is None else 1)
    species = data.settings["scoring"]["species"]
    return fill(
        "report.html.j2",
        filters={"species": partial(in_italics, species), "css": of_css},
        title=data.title,
        running=data.title,
        area=data.area,
        counts=_counts(data),
        recorders=data.recorders,
        findings=[(finding.text, summary.in_words(finding)) for finding in summary.findings(data.tables)],
        among=data.among,
        rule=summary.rule(),
        scale=certainty.scale(),
        key_map=key_map,
        quality=quality.in_one_line(data.accounts),
        districts=data.districts,
        body=arranged.body,
        appendix=arranged.appendix,
        elsewhere=data.elsewhere,
        warnings=warnings(data.accounts),
        methods=methods.paragraphs(data.settings),
        references=methods.REFERENCES,
        settings=[row for row in methods.settings_rows(data.settings) if row[1]],
        fieldwork=cautions.FIELDWORK,
        privacy=cautions.PRIVACY,
        evidence=cautions.EVIDENCE,
        blur=blurred(data.settings["publish"]),
        holder=data.settings["report"],
        version=data.version,
    )


def blurred(publish: Mapping[str, Any]) -> str:
    """Say how places are hidden, if they are."""
    side = publish["blur_m"]
    if not side:
        return ""
    return _("Places in this report are moved to the centre of a square of {side} before they are drawn.").format(
        side=labels.distance(side)
    )


def warnings(accounts: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return what the stages warn of, each once, in the language in force."""
    told = [again(sentence) for account in accounts.values() for sentence in account.get("warnings", [])]
    return list(dict.fromkeys(told))


def _counts(data: ReportData) -> list[tuple[str, str]]:
    """Return the numbers that head the report, each with what it counts."""
    intake, sites = data.accounts["intake"], data.tables["sites"]
    found = list(dict.fromkeys(data.tables["regional"]["species"]))
    shells = int(data.tables["samples"]["shells"].sum())
    numbers = (
        (intake["accepted"], many("record accepted", "records accepted", intake["accepted"])),
        (len(sites), many("site", "sites", len(sites))),
        (shells, many("adult shell that counts", "adult shells that count", shells)),
        (len(found), many("species", "species", len(found))),
    )
    return [(labels.number(number), what) for number, what in numbers]


def _key_map(data: ReportData) -> ShownFigure | None:
    """Return the map of sites of the species with most shells."""
    regional = data.tables["regional"]
    if regional.empty:
        return None
    most = regional.groupby("species", sort=False)["total"].max().sort_values(ascending=False, kind="stable")
    for species in most.index:
        figure = next((item for item in data.figures if item.name == _KEY_MAP + slug(str(species))), None)
        if figure is not None:
            return replace(figure, label=figure_label("1"))
    return None
