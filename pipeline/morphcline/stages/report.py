"""The regional report, and what is handed over to a GIS.

Reads the public tables and what the earlier stages said of themselves; writes ``report.html``, a page that needs
nothing beside it, one like it for each district of the study file, all of them as PDF where it asks for that; and the
layers of ``sites.gpkg``, styles, and a catalogue.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from morphcline import __version__
from morphcline.files.atomic import write_text
from morphcline.files.districts import read_districts
from morphcline.files.pdf import write_pdf
from morphcline.files.tables import read_table
from morphcline.language import _, many
from morphcline.records.districts import District
from morphcline.records.period import survey_years
from morphcline.render import labels
from morphcline.render.report import ReportData, ShownFigure, render_report
from morphcline.render.report.parts import leading_traits
from morphcline.scoring.traits import wanted_traits
from morphcline.stages import maps
from morphcline.stages._district_reports import address, district_pages
from morphcline.stages._gis import gis_reads, gis_writes, write_gis
from morphcline.stages._report_figures import PAGE_WIDTH_MM, report_figures, report_material
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
    "districts",
    "district_habitats",
)
_RECORDS = ("records/accepted.csv", "records/flagged.csv")

_SECTIONS = (
    "study", "records", "earlier", "scoring", "habitat", "temperature", "surfaces", "steepness",
    "autocorrelation", "clines", "change", "publish", "report",
)  # fmt: skip


def run(context: Context) -> Account:
    """Write the report of the region and of each district, and the layers for a GIS."""
    study = context.study
    files, told = write_gis(context)
    among = {**labels.STANDARD_DENOMINATORS, **{one.name: one.denominator for one in wanted_traits(study.scoring)}}
    material = report_material(context)
    accepted, flagged = (read_table(context.path(name)) for name in _RECORDS)
    period = labels.period(survey_years(accepted, flagged))
    districts = read_districts(study)
    data = _data(context, report_figures(context, material), among, accepted, period, districts)
    style = {"width_mm": PAGE_WIDTH_MM, "among": among}
    pages = {REPORT: render_report(data)}
    pages |= dict(
        district_pages(context, districts, data, {"accepted": accepted, "flagged": flagged}, material, style, period)
    )
    for number, (name, page) in enumerate(pages.items()):
        write_text(context.path(name), page)
        files.append(name)
        if study.report.pdf:
            context.tick(number, len(pages), f"{name} as PDF")
            files.append(name.replace(".html", ".pdf"))
            write_pdf(context.path(files[-1]), page)
    return {"figures": len(data.figures), "files": files, "warnings": told}


def _data(
    context: Context,
    figures: list[ShownFigure],
    among: dict[str, str],
    accepted: pd.DataFrame,
    period: str,
    districts: Sequence[District],
) -> ReportData:
    study = context.study
    tables = {name: _with_denominators(read_table(context.path(f"tables/{name}.csv")), among) for name in _TABLES}
    shown = {figure.name for figure in figures}
    leading = leading_traits(tables["regional"]["trait"])
    return ReportData(
        title=study.study.title or study.study.name,
        area=_where_and_when(study.study.crs, len(tables["sites"]), period),
        settings=settings_in_force(study, _SECTIONS),
        accounts=context.accounts,
        tables=tables,
        figures=figures,
        recorders=_recorders(accepted, named=study.publish.names is True),
        among=labels.denominators_in_text(leading, among),
        elsewhere=[name for name in context.accounts["maps"]["figures"] if name not in shown],
        version=__version__,
        districts=[(district.name, address(district.name)) for district in districts],
    )


def _where_and_when(crs: str, number: int, period: str) -> str:
    sites = labels.counted(number, "site")
    if not period:
        return _("{sites}; coordinates in {crs}.").format(sites=sites, crs=labels.crs_name(crs))
    return _("{sites}, {years}; coordinates in {crs}.").format(sites=sites, years=period, crs=labels.crs_name(crs))


def _with_denominators(table: pd.DataFrame, among: dict[str, str]) -> pd.DataFrame:
    """Add to each row of a trait the shells among which it is counted, for the study's own traits too."""
    if "trait" not in table:
        return table
    return table.assign(denominator=[among.get(trait, "") for trait in table["trait"]])


def _recorders(accepted: pd.DataFrame, *, named: bool) -> str:
    """Say who sent records in: by name only if the study file says so."""
    names = sorted({name for name in accepted.loc[accepted["survey"] == "", "recorder"] if name})
    if not names:
        return ""
    if named:
        return _("Records by {names}.").format(names=labels.listing(names))
    return many(
        "Records by {n} recorder, whose name is withheld.",
        "Records by {n} recorders, whose names are withheld.",
        len(names),
    ).format(n=labels.number(len(names)))


def _reads(study: Study) -> tuple[str, ...]:
    drawn_from = maps.STAGE.inputs(study)
    tables = (f"tables/{name}.csv" for name in _TABLES)
    return tuple(dict.fromkeys((*_RECORDS, *tables, *drawn_from, *gis_reads(study))))


def _sources(study: Study) -> tuple[Path, ...]:
    return (*maps.STAGE.sources(study), *(area.path for area in study.report.area))


STAGE = Stage(
    name="report",
    summary="the regional report, and layers, styles and a catalogue for a GIS",
    settings=_SECTIONS,
    reads=_reads,
    writes=lambda study: (REPORT, *gis_writes(study)),
    run=run,
    sources=_sources,
    reads_accounts=True,
)
