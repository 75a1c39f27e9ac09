"""Figures as a report wants them: the leading traits alone, as wide as its page, so low that two stand on one."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from morphcline.language import Language, speaking
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.sheet import Figure, no_taller_than
from morphcline.render.report import ShownFigure
from morphcline.render.report.parts import leading_pairs
from morphcline.stages._figure_orders import figure_material, figure_orders
from morphcline.stages._mapframe import map_frame
from morphcline.stages._orders import Order
from morphcline.stages._panels import Material
from morphcline.stages._saving import save
from morphcline.stages.base import Context
from morphcline.study import Study
from morphcline.workers import Workers

#: Size of a page's text, and the height of a figure of which two stand on it with their captions.
PAGE_WIDTH_MM = 180.0
TALLEST_MM = 80.0

#: Kinds that a report leaves to the folder of figures.
_ELSEWHERE = ("morphs", "composition", "plate", "bandwidth", "variogram", "habitat")
#: Vector images are taken in up to so many bytes of a page; larger ones as bitmaps of 300 dots an inch.
_LARGEST_SVG = 700_000
_FORMATS = {"svg": "image/svg+xml", "png": "image/png"}


def report_material(context: Context) -> Material:
    """Return what the maps are drawn of, with the leading traits of each species alone."""
    return leading_material(figure_material(context))


def report_figures(context: Context, material: Material) -> list[ShownFigure]:
    """Draw every figure that has data and take it in."""
    sheets = drawn(context, _wanted(material, map_frame(material)))
    return [figure for of_order in sheets for figure in of_order]


def drawn(context: Context, orders: Sequence[Order]) -> list[list[ShownFigure]]:
    """Draw what is ordered and take it in, the sheets of each order."""
    workers = context.workers if context.workers.scheduler is None else Workers()
    return workers.map(partial(_draw, language=context.study.language), orders)


def leading_material(material: Material) -> Material:
    """Return a study's material with the leading traits of each species alone, for sheets as wide as the page."""
    leading = leading_pairs(material.tables["regional"])
    tables = {name: _rows_of(table, leading) for name, table in material.tables.items()}
    return replace(material, study=page_wide(material.study), tables=tables)


def page_wide(study: Study) -> Study:
    """Return a study whose figures are as wide as the report's text, without a small map in the place of height."""
    changed = study.publish.model_copy(update={"width_mm": PAGE_WIDTH_MM, "locator": False})
    return study.model_copy(update={"publish": changed})


def _rows_of(table: pd.DataFrame, leading: set[tuple[str, str]]) -> pd.DataFrame:
    if not {"species", "trait"} <= set(table.columns) or table.empty:
        return table
    keep = [key in leading for key in zip(table["species"], table["trait"], strict=True)]
    if "second_trait" in table:
        seconds = zip(table["second_species"], table["second_trait"], strict=True)
        keep = [first and key in leading for first, key in zip(keep, seconds, strict=True)]
    return table[pd.Series(keep, index=table.index, dtype=bool)]


def _wanted(material: Material, frame: MapFrame) -> list[Order]:
    orders = figure_orders(material, frame)
    return [order for order in orders if order.draw is not None and not order.name.startswith(_ELSEWHERE)]


def _draw(order: Order, *, language: Language) -> list[ShownFigure]:
    assert order.draw is not None
    with speaking(language), no_taller_than(TALLEST_MM), TemporaryDirectory() as folder:
        for kind, mime in _FORMATS.items():
            found = order.draw()
            figures = found if isinstance(found, list) else [found]
            shown = [_taken_in(figure, Path(folder), kind, mime) for figure in figures]
            if kind == "png" or max(len(figure.source) for figure in shown) <= _LARGEST_SVG:
                return shown
    return []


def _taken_in(figure: Figure, folder: Path, kind: str, mime: str) -> ShownFigure:
    save(figure, folder, (kind,))
    content = base64.b64encode((folder / f"{figure.name}.{kind}").read_bytes()).decode()
    return ShownFigure(figure.name, f"data:{mime};base64,{content}", figure.caption, figure.alt)
