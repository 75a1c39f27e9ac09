"""The regional report.

Reads the tables, the figures with their captions, and what the earlier stages said of themselves; writes one page,
``report.html``, that needs nothing beside it.
"""

from __future__ import annotations

import base64
from pathlib import Path

from morphcline import __version__
from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table
from morphcline.records.period import survey_years
from morphcline.render import labels
from morphcline.render.report import ReportData, ShownFigure, render_report
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import Study, settings_in_force

REPORT = "report.html"
_TABLES = ("regional", "surfaces", "autocorrelation", "clines", "environment", "environment_skill", "change", "sites")
_ACCEPTED = "records/accepted.csv"
_FLAGGED = "records/flagged.csv"
_FIGURES = "figures/README.md"

_SECTIONS = (
    "study", "records", "earlier", "scoring", "habitat", "temperature", "surfaces", "autocorrelation", "clines",
    "change", "publish",
)  # fmt: skip

#: Formats a page can show, the sharper first, with the size in bytes beyond which the next is taken.
_SHOWN = (("svg", "image/svg+xml", 500_000), ("png", "image/png", 20_000_000))


def run(context: Context) -> Account:
    """Write the report."""
    study = context.study
    tables = {name: read_table(context.path(f"tables/{name}.csv")) for name in _TABLES}
    figures = [
        figure
        for name in context.accounts["maps"]["figures"]
        if (figure := _figure(context.path("figures"), name)) is not None
    ]
    data = ReportData(
        title=study.study.title or study.study.name,
        area=_where_and_when(context),
        settings=settings_in_force(study),
        accounts=context.accounts,
        tables=tables,
        figures=figures,
        version=__version__,
    )
    write_text(context.path(REPORT), render_report(data))
    return {"figures": len(figures), "warnings": []}


def _where_and_when(context: Context) -> str:
    years = labels.period(survey_years(read_table(context.path(_ACCEPTED)), read_table(context.path(_FLAGGED))))
    sites = labels.counted(len(read_table(context.path("tables/sites.csv"))), "site")
    crs = labels.crs_name(context.study.study.crs)
    return f"{sites}{', ' + years if years else ''}; coordinates in {crs}."


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
