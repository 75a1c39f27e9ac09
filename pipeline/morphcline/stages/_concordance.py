"""The part of the stage of clines that compares them with each other and draws their centres as lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry
from threadpoolctl import threadpool_limits

from morphcline.errors import Problem, StudyError
from morphcline.files.geopackage import write_geopackage
from morphcline.files.tables import write_table
from morphcline.files.vectors import study_area
from morphcline.records.cline_tables import ClineTask
from morphcline.records.concordance_table import (
    CONCORDANCE_COLUMNS,
    CURVED_COLUMNS,
    Compared,
    CurveTask,
    Pair,
    PairTask,
    compare_task,
    compared,
    concordance_rows,
    curve_task,
    curved_row,
    fit_curve_task,
    pairs_of,
    prepared,
)
from morphcline.records.stacking import framed, joined
from morphcline.scoring.traits import MORPHS
from morphcline.stages._layers import BANDS, LINES
from morphcline.stages.base import Context
from morphcline.stats.cline_curve import CentreLine, CurvedCline
from morphcline.stats.clines import Clines
from morphcline.stats.concordance import DRAWS, Comparison, Redrawn, SigmoidCline, refit_redrawn
from morphcline.stats.linked_surveys import linked_normals

Floats = NDArray[np.float64]

LAYERS = "clines.gpkg"
CENTRE_LINES, CENTRE_BANDS = LINES.name, BANDS.name

#: What this part of the stage writes, with the columns of its tables.
CONCORDANCE_TABLES = {"tables/concordance.csv": CONCORDANCE_COLUMNS, "tables/curved.csv": CURVED_COLUMNS}


@dataclass(frozen=True)
class _RefitTask:
    cline: SigmoidCline
    normals: Floats


_Task = CurveTask | _RefitTask | PairTask


@dataclass(frozen=True)
class _Curve:
    task: ClineTask
    fitted: Clines
    work: CurveTask | None
    model: str
    reason: str


def write_concordance(
    context: Context, tasks: Sequence[ClineTask], fitted: Sequence[Clines], sites: pd.DataFrame
) -> None:
    """Compare clines with each other and bend their centres; write both tables and the layers.

    Parameters
    ----------
    context : Context
    tasks, fitted : sequences
        Every species and trait, and what was fitted to it.
    sites : DataFrame
        ``sites.csv``, as the public sees them.
    """
    clines, origin = _compared(context, tasks, fitted)
    told = [one for one in clines if one.cline is not None]
    normals, scores = _linked(context, told)
    refits = [_RefitTask(one.cline, deviates) for one, deviates in zip(told, normals, strict=True) if one.cline]
    curves = [
        _Curve(task, result, *curve_task(task, result, context.rng("curved", task.species, task.trait)))
        for task, result in zip(tasks, fitted, strict=True)
        if task.trait not in MORPHS
    ]
    bending = [curve.work for curve in curves if curve.work is not None]
    context.tick(0, len(refits) + len(bending), "concordance and curved clines")
    first: list[_Task] = [*bending, *refits]
    done = context.workers.map(_work, first)
    bent = iter([one for one in done if isinstance(one, CurvedCline)])
    draws = [one for one in done if isinstance(one, Redrawn)]
    redrawn = {id(one): surveys for one, surveys in zip(told, draws, strict=True)}
    step = context.study.publish.coarsest_m
    pairs = [prepared(first, second, redrawn, scores, origin, step_m=step) for first, second in pairs_of(clines)]
    second: list[_Task] = [pair.task for pair in pairs if pair.task is not None]
    comparisons = iter([one for one in context.workers.map(_work, second) if isinstance(one, tuple)])
    context.tick(len(refits) + len(bending), len(refits) + len(bending), "concordance and curved clines")
    _write_pairs(context, pairs, [next(comparisons) if pair.task is not None else () for pair in pairs])
    _write_curves(context, curves, [next(bent) if curve.work is not None else None for curve in curves], sites)


def _work(task: _Task) -> CurvedCline | Redrawn | tuple[Comparison, ...]:
    with threadpool_limits(limits=1):
        if isinstance(task, CurveTask):
            return fit_curve_task(task)
        return refit_redrawn(task.cline, task.normals) if isinstance(task, _RefitTask) else compare_task(task)


def _compared(
    context: Context, tasks: Sequence[ClineTask], fitted: Sequence[Clines]
) -> tuple[list[Compared], tuple[float, float]]:
    """Return the clines to be compared about one origin and in one unit, and the origin."""
    wanted = context.study.clines.compared
    fitted_traits = {task.trait for task in tasks}
    absent = [trait for trait in context.study.clines.asked_to_compare if trait not in fitted_traits]
    if absent:
        raise StudyError(
            Problem(
                context.study.file.name,
                "[clines] compared",
                f"found {absent[0]!r}, to which no cline is fitted",
                "one of: " + ", ".join(dict.fromkeys(task.trait for task in tasks)),
            )
        )
    chosen = sorted(
        ((task, result) for task, result in zip(tasks, fitted, strict=True) if task.trait in wanted),
        key=lambda pair: (context.study.scoring.species.index(pair[0].species), wanted.index(pair[0].trait)),
    )
    if not chosen:
        return [], (0.0, 0.0)
    places = np.unique(np.vstack([np.column_stack([task.easting, task.northing]) for task, _ in chosen]), axis=0)
    middle = places.mean(axis=0)
    origin = (float(middle[0]), float(middle[1]))
    # At a single place there is no distance, and no cline either.
    unit = float(np.hypot(*(places - middle).T).max()) or 1.0
    return [compared(task, result, origin, unit) for task, result in chosen], origin


def _linked(context: Context, told: Sequence[Compared]) -> tuple[list[Floats], dict[int, Floats]]:
    """Return each cline's deviates at its sites, and each one's residuals at all sites of the study."""
    if not told:
        return [], {}
    everywhere = np.unique(np.vstack([np.column_stack([one.task.easting, one.task.northing]) for one in told]), axis=0)
    line = {tuple(place): number for number, place in enumerate(everywhere.tolist())}
    at, scores = [], []
    for one in told:
        assert one.cline is not None
        places = np.column_stack([one.task.easting, one.task.northing])[one.judged].tolist()
        rows = np.array([line[tuple(place)] for place in places], dtype=np.intp)
        known = np.full(len(everywhere), np.nan)
        known[rows] = one.cline.scores
        at.append(rows)
        scores.append(known)
    normals = linked_normals(scores, context.rng("concordance"), DRAWS)
    return (
        [normals[:, rows, number] for number, rows in enumerate(at)],
        {id(one): known for one, known in zip(told, scores, strict=True)},
    )


def _write_pairs(context: Context, pairs: Sequence[Pair], comparisons: Sequence[tuple[Comparison, ...]]) -> None:
    rows = [concordance_rows(pair, found) for pair, found in zip(pairs, comparisons, strict=True)]
    write_table(context.path("tables/concordance.csv"), joined(rows, CONCORDANCE_COLUMNS), CONCORDANCE_COLUMNS)


def _write_curves(
    context: Context, curves: Sequence[_Curve], bent: Sequence[CurvedCline | None], sites: pd.DataFrame
) -> None:
    rows = [
        curved_row(curve.task, curve.fitted, curve.model, curve.reason, found)
        for curve, found in zip(curves, bent, strict=True)
    ]
    write_table(context.path("tables/curved.csv"), framed(rows, CURVED_COLUMNS), CURVED_COLUMNS)
    study = context.study
    shown = sites[sites["x_m"].notna()]
    area = study_area(study, shown["x_m"], shown["y_m"]) if any(found is not None for found in bent) else None
    lines: list[dict[str, object]] = []
    bands: list[dict[str, object]] = []
    for curve, row, found in zip(curves, rows, bent, strict=True):
        if found is None or found.line is None or area is None:
            continue
        origin = (curve.fitted.origin_easting, curve.fitted.origin_northing)
        line, band = _shapes(found.line, origin, area)
        fixed = {"species": row["species"], "trait": row["trait"], "model": row["model"], "line": row["drawn"],
                 "level": study.scoring.confidence, "p_curved": found.p_curved, "sites": row["sites"]}  # fmt: skip
        for shape, rows_of in ((line, lines), (band, bands)):
            if not shape.is_empty:
                rows_of.append({**fixed, "geometry": shape})
    layers = []
    for described, found_rows in ((LINES, lines), (BANDS, bands)):
        frame = pd.DataFrame(found_rows, columns=[*described.fields, "geometry"])
        layers.append(described.of(gpd.GeoDataFrame(frame, geometry="geometry", crs=study.study.crs)))
    write_geopackage(context.path(LAYERS), layers)


def _shapes(line: CentreLine, origin: tuple[float, float], area: BaseGeometry) -> tuple[BaseGeometry, BaseGeometry]:
    """Return a centre line and its band within the study's area, as a multiline and a multipolygon."""
    ring = np.vstack([line.low, line.high[::-1]]) + origin
    within = shapely.intersection(shapely.LineString(line.line + origin), area)
    band = shapely.intersection(shapely.make_valid(shapely.Polygon(ring)), area)
    return _only(within, "LineString"), _only(band, "Polygon")


def _only(shape: BaseGeometry, kind: str) -> BaseGeometry:
    parts = [part for part in shapely.get_parts(shapely.get_parts(shape)) if part.geom_type == kind]
    return shapely.multilinestrings(parts) if kind == "LineString" else shapely.multipolygons(parts)
