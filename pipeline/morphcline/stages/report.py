"""The regional report, and what is handed over to a GIS.

Reads the tables, the figures with their captions, and what the earlier stages said of themselves; writes one page,
``report.html``, that needs nothing beside it, the layers of ``sites.gpkg``, styles, and a catalogue.
"""

from __future__ import annotations

import pandas as pd

from morphcline import __version__
from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table
from morphcline.language import _, many
from morphcline.records.period import survey_years
from morphcline.render import labels
from morphcline.render.report import ReportData, render_report
from morphcline.render.report.parts import leading_traits
from morphcline.scoring.traits import wanted_traits
from morphcline.stages import maps
from morphcline.stages._gis import gis_reads, gis_writes, write_gis
from morphcline.stages._report_figures import report_figures
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
    "samples",
    "habitat_frequencies",
    "habitat_agreement",
)
_ACCEPTED = "records/accepted.csv"
_FLAGGED = "records/flagged.csv"

_SECTIONS = (
    "study", "records", "earlier", "scoring", "habitat", "temperature", "surfaces", "steepness",
    "autocorrelation", "clines", "change", "publish", "report",
)  # fmt: skip


def run(context: Context) -> Account:
    """Write the report, and the layers for a GIS."""
    study = context.study
    layers, told = write_gis(context)
    among = {trait.name: trait.denominator for trait in wanted_traits(study.scoring)}
    tables = {name: _with_denominators(read_table(context.path(f"tables/{name}.csv")), among) for name in _TABLES}
    figures = report_figures(context)
    shown = {figure.name for figure in figures}
    accepted = read_table(context.path(_ACCEPTED))
    leading = leading_traits(tables["regional"]["trait"])
    data = ReportData(
        title=study.study.title or study.study.name,
        area=_where_and_when(context, accepted),
        settings=settings_in_force(study, _SECTIONS),
        accounts=context.accounts,
        tables=tables,
        figures=figures,
        recorders=_recorders(accepted, named=study.publish.names is True),
        among=labels.denominators_in_text(leading, {**labels.STANDARD_DENOMINATORS, **among}),
        elsewhere=[name for name in context.accounts["maps"]["figures"] if name not in shown],
        version=__version__,
    )
    write_text(context.path(REPORT), render_report(data))
    return {"figures": len(figures), "files": layers, "warnings": told}


def _where_and_when(context: Context, accepted: pd.DataFrame) -> str:
    years = labels.period(survey_years(accepted, read_table(context.path(_FLAGGED))))
    number = len(read_table(context.path("tables/sites.csv")))
    sites = many("{n} site", "{n} sites", number).format(n=labels.number(number))
    crs = labels.crs_name(context.study.study.crs)
    if not years:
        return _("{sites}; coordinates in {crs}.").format(sites=sites, crs=crs)
    return _("{sites}, {years}; coordinates in {crs}.").format(sites=sites, years=years, crs=crs)


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
        return _("Records by {names}.").format(names=labels.listing(names))
    return many(
        "Records by {n} recorder, whose name is kept back.",
        "Records by {n} recorders, whose names are kept back.",
        len(names),
    ).format(n=labels.number(len(names)))


def _reads(study: Study) -> tuple[str, ...]:
    drawn_from = maps.STAGE.inputs(study)
    tables = (f"tables/{name}.csv" for name in _TABLES)
    return tuple(dict.fromkeys((_ACCEPTED, _FLAGGED, *tables, *drawn_from, *gis_reads(study))))


STAGE = Stage(
    name="report",
    summary="the regional report, and layers, styles and a catalogue for a GIS",
    settings=_SECTIONS,
    reads=_reads,
    writes=lambda study: (REPORT, *gis_writes(study)),
    run=run,
    sources=maps.STAGE.sources,
    reads_accounts=True,
)
