"""Draw the figures and the page with the map.

Reads the tables of every stage before and the surfaces; writes ``figures/<figure>`` in each format asked for, with the
data drawn (``.csv``), the caption and the alternative text (``.txt``), and an index of them. Places are blurred as the
study file asks before anything is drawn. A figure without data is left out, and the account says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table
from morphcline.language import Language, _, speaking
from morphcline.records.period import survey_years
from morphcline.render.webmap import render_page
from morphcline.stages._concordance import LAYERS
from morphcline.stages._figure_orders import TABLES, figure_material, figure_orders
from morphcline.stages._mapframe import map_frame
from morphcline.stages._orders import Order
from morphcline.stages._plates import OF_SPECIES, SINGLE, plate_orders
from morphcline.stages._saving import save
from morphcline.stages._steepness import steepness_name
from morphcline.stages._webpage import page_data
from morphcline.stages.base import Account, Context, Stage
from morphcline.stages.surfaces import raster_name
from morphcline.study import Study
from morphcline.workers import Workers

_INDEX = "figures/README.md"
_PAGE = "map.html"
_ACCEPTED = "records/accepted.csv"
_FLAGGED = "records/flagged.csv"

#: Beginnings of our figures' names; files of an earlier run that are no longer drawn are known by them.
_KINDS = {name.split("_")[0] for name in (*OF_SPECIES, *SINGLE, "transects", "plate")}
_ENDINGS = (".png", ".svg", ".pdf", ".csv", ".txt")


@dataclass(frozen=True)
class _Written:
    name: str
    files: list[str] = field(default_factory=list)
    caption: str = ""
    alt: str = ""


def run(context: Context) -> Account:
    """Draw every figure that has data, the index of figures, and the page with the map."""
    material = figure_material(context)
    frame = map_frame(material)
    orders = list(figure_orders(material, frame))
    plates, lacking = plate_orders(context.study, orders)
    orders += plates
    wanted = [order for order in orders if order.draw is not None]
    draw = partial(
        _draw_and_save,
        language=context.study.language,
        folder=context.path("figures"),
        formats=context.study.publish.formats,
    )
    written: list[_Written] = []
    # Files are written where this process runs, not on the nodes of a cluster.
    workers = context.workers if context.workers.scheduler is None else Workers()
    # Alone in this process, one by one, so that progress shows; else all at once, so that no worker waits.
    batch = 1 if workers.processes == 1 else max(len(wanted), 1)
    for start in range(0, len(wanted), batch):
        context.tick(start, len(wanted), f"figure {wanted[start].name}")
        for sheets in workers.map(draw, wanted[start : start + batch]):
            written += sheets
    files = [f"figures/{name}" for figure in written for name in figure.files]
    _clear_stale(context.path("figures"), {Path(name).name for name in files})
    write_text(context.path(_INDEX), _index(context.study, written))
    years = survey_years(read_table(context.path(_ACCEPTED)), read_table(context.path(_FLAGGED)))
    write_text(context.path(_PAGE), render_page(page_data(material, frame, years)))
    return {
        "figures": [figure.name for figure in written],
        "left_out": {order.name: order.left_out_because for order in orders if order.draw is None},
        "files": files,
        "warnings": lacking,
    }


def _draw_and_save(order: Order, *, language: Language, folder: Path, formats: tuple[str, ...]) -> list[_Written]:
    assert order.draw is not None
    with speaking(language):
        drawn = order.draw()
        figures = drawn if isinstance(drawn, list) else [drawn]
        return [_Written(one.name, save(one, folder, formats), one.caption, one.alt) for one in figures]


def _clear_stale(folder: Path, keep: set[str]) -> None:
    """Remove figures of an earlier run that this one no longer draws; other files in the folder stay."""
    if not folder.is_dir():
        return
    for path in folder.iterdir():
        ours = path.suffix in _ENDINGS and path.stem.split("_")[0] in _KINDS
        if ours and path.name not in keep:
            path.unlink()


def _index(study: Study, written: list[_Written]) -> str:
    title = _("Figures: {study}").format(study=study.study.title or study.study.name)
    beside = _("Beside each figure: the data drawn (`.csv`), and its caption and alternative text (`.txt`).")
    lines = [f"# {title}", "", beside, ""]
    for figure in written:
        names = ", ".join(f"`{name}`" for name in figure.files)
        alt = _("*Alternative text:* {alt}").format(alt=figure.alt)
        lines += [f"## {figure.name}", "", _("Files: {names}").format(names=names), ""]
        lines += [figure.caption, "", alt, ""]
    return "\n".join(lines)


def _sources(study: Study) -> tuple[Path, ...]:
    named = (study.study.area, study.publish.basemap, study.publish.locator, study.clines.transects, study.clines.axis)
    return tuple(path for path in named if isinstance(path, Path))


STAGE = Stage(
    name="maps",
    summary="figures for print, and the page with the map",
    settings=(
        "study",
        "scoring",
        "habitat",
        "temperature",
        "surfaces",
        "steepness",
        "autocorrelation",
        "clines",
        "change",
        "publish",
    ),
    reads=lambda study: (
        _ACCEPTED,
        _FLAGGED,
        *(f"tables/{name}.csv" for name in TABLES),
        LAYERS,
        *(raster_name(species) for species in study.scoring.species),
        *(steepness_name(species) for species in study.scoring.species),
    ),
    writes=lambda study: (_INDEX, _PAGE),
    run=run,
    sources=_sources,
)
