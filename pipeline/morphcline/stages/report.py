"""The regional report.

Reads the tables, the figures with their captions, and what the earlier stages said of themselves; writes one page,
``report.html``, that needs nothing beside it.
"""

from __future__ import annotations

import base64
from pathlib import Path

import pandas as pd

from morphcline import __version__
from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table
from morphcline.records.period import survey_years
from morphcline.render import labels
from morphcline.render.report import ReportData, ShownFigure, render_report
from morphcline.scoring.traits import wanted_traits
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import Study, settings_in_force

REPORT = "report.html"
_TABLES = (
    "regional",
    "surfaces",
    "steepness",
    "steep_together",
    "autocorrelation",
    "correlogram_reach",
    "variogram_fit",
    "clines",
    "selection",
    "concordance",
    "curved",
    "transects",
    "environment",
    "environment_skill",
    "marginal_effects",
    "habitat_pairs",
    "change",
    "change_radius",
    "associations",
    "alleles",
    "differentiation",
    "isolation",
    "sites",
)
_ACCEPTED = "records/accepted.csv"
_FLAGGED = "records/flagged.csv"
_FIGURES = "figures/README.md"

_SECTIONS = (
    "study", "records", "earlier", "scoring", "habitat", "temperature", "surfaces", "steepness",
    "autocorrelation", "clines", "change", "publish",
)  # fmt: skip

#: Formats a page can show, the sharper first, with the size in bytes beyond which the next is taken.
_SHOWN = (("svg", "image/svg+xml", 500_000), ("png", "image/png", 20_000_000))


def run(context: Context) -> Account:
    """Write the report."""
    study = context.study
    among = {trait.name: trait.denominator for trait in wanted_traits(study.scoring)}
    tables = {name: _with_denominators(read_table(context.path(f"tables/{name}.csv")), among) for name in _TABLES}
    figures = [
        figure
        for name in context.accounts["maps"]["figures"]
        if (figure := _figure(context.path("figures"), name)) is not None
    ]
    accepted = read_table(context.path(_ACCEPTED))
    data = ReportData(
        title=study.study.title or study.study.name,
        area=_where_and_when(context, accepted),
        settings=settings_in_force(study, _SECTIONS),
        accounts=context.accounts,
        tables=tables,
        figures=figures,
        recorders=_recorders(accepted, named=study.publish.names is True),
        version=__version__,
    )
    write_text(context.path(REPORT), render_report(data))
    return {"figures": len(figures), "warnings": _unshown(context.accounts["maps"]["figures"], figures)}


def _unshown(drawn: list[str], shown: list[ShownFigure]) -> list[str]:
    names = {figure.name for figure in shown}
    missing = [name for name in drawn if name not in names]
    if not missing:
        return []
    return [
        f"{labels.counted(len(missing), 'figure')} can't stand in the report, which takes SVG and PNG: add one of them "
        f"to [publish] formats ({', '.join(missing)})."
    ]


def _where_and_when(context: Context, accepted: pd.DataFrame) -> str:
    years = labels.period(survey_years(accepted, read_table(context.path(_FLAGGED))))
    sites = labels.counted(len(read_table(context.path("tables/sites.csv"))), "site")
    crs = labels.crs_name(context.study.study.crs)
    return f"{sites}{', ' + years if years else ''}; coordinates in {crs}."


def _with_denominators(table: pd.DataFrame, among: dict[str, str]) -> pd.DataFrame:
    """Add to each row of a trait how it reads in a sentence, the study's own traits included."""
    if "trait" not in table:
        return table
    known = {**labels.STANDARD_DENOMINATORS, **among}
    return table.assign(in_text=[labels.trait_in_text(trait, known) for trait in table["trait"]])


def _recorders(accepted: pd.DataFrame, *, named: bool) -> str:
    """Say who sent records in: by name only if the study file says so."""
    names = sorted({name for name in accepted.loc[accepted["survey"] == "", "recorder"] if name})
    if not names:
        return ""
    if named:
        return f"Records by {labels.listing(names)}."
    return f"Records by {labels.counted(len(names), 'recorder')}, whose names are kept back."


def _figure(folder: Path, name: str) -> ShownFigure | None:
    """Return a figure in the first format that a page can show, or None when there is none."""
    caption, _, alt = (folder / f"{name}.txt").read_text(encoding="utf-8").partition("\n\n")
    for ending, kind, most in _SHOWN:
        path = folder / f"{name}.{ending}"
        if path.is_file() and path.stat().st_size <= most:
            content = base64.b64encode(path.read_bytes()).decode()
            return ShownFigure(name, f"data:{kind};base64,{content}", caption.strip(), alt.strip())
    return None


def _reads(study: Study) -> tuple[str, ...]:
    return (_ACCEPTED, _FLAGGED, *(f"tables/{name}.csv" for name in _TABLES), _FIGURES)


STAGE = Stage(
    name="report",
    summary="the regional report",
    settings=_SECTIONS,
    reads=_reads,
    writes=lambda study: (REPORT,),
    run=run,
    reads_accounts=True,
)
