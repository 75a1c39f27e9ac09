"""Put the report together: what it says goes into the template, and one self-contained HTML page comes out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import pandas as pd

from morphcline.render.report import content, methods
from morphcline.render.report.content import Section, ShownFigure
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
    version : str
        Of this package.
    """

    title: str
    area: str
    settings: Mapping[str, Any]
    accounts: Mapping[str, Mapping[str, Any]]
    tables: Mapping[str, pd.DataFrame]
    figures: Sequence[ShownFigure]
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
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("morphcline", "render/report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    sections = _sections(data)
    page = environment.get_template("report.html.j2").render(
        title=data.title,
        area=data.area,
        short=content.in_short(sections, data.tables["regional"]),
        sections=sections,
        warnings=_warnings(data),
        methods=methods.paragraphs(data.settings),
        references=methods.REFERENCES,
        settings=methods.settings_rows(data.settings),
        fieldwork=cautions.FIELDWORK,
        privacy=cautions.PRIVACY,
        evidence=cautions.EVIDENCE,
        blur_m=data.settings["publish"]["blur_m"],
        version=data.version,
        style=files("morphcline.render.report").joinpath("report.css").read_text(encoding="utf-8"),
    )
    return page.rstrip() + "\n"


def _sections(data: ReportData) -> list[Section]:
    tables, figures = data.tables, data.figures
    sections = [content.came_in(data.accounts["intake"])]
    for species in dict.fromkeys(tables["regional"]["species"]):
        sections.append(content.found(tables["regional"], species, figures, slug(species)))
    sections.append(content.surfaces(tables["surfaces"], figures))
    sections.append(content.alike(tables["autocorrelation"], figures))
    sections.append(content.clines(tables["clines"], figures))
    left_out = [str(sentence) for sentence in data.accounts.get("landscape", {}).get("left_out", [])]
    sections.append(content.environment(tables["environment"], left_out))
    change = content.change(tables["change"], figures)
    return sections if change is None else [*sections, change]


def _warnings(data: ReportData) -> list[str]:
    told = [str(sentence) for account in data.accounts.values() for sentence in account.get("warnings", [])]
    return list(dict.fromkeys(told))
