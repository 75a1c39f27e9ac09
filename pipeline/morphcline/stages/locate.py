"""Locate: one position for each site on the study's grid, with how well it is known and how it got there.

Reads the accepted records, whose positions are already in the study's CRS; writes a line for every site of every
survey. Before anything is measured in it, the CRS is judged over the ground that the sites cover.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from morphcline.errors import Problem, StudyError
from morphcline.files.tables import read_table, write_table
from morphcline.files.vectors import read_area
from morphcline.language import said_many
from morphcline.places.bounds import Bounds
from morphcline.places.bulk import Bulk, in_bulk
from morphcline.places.crs import check_working_crs
from morphcline.places.site_position import site_position
from morphcline.places.transforms import Transformation, area_lonlat
from morphcline.records.flags import group_codes
from morphcline.render import labels
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import Study

_COLUMNS = {
    "survey": "earlier survey's name; empty for the study's own survey",
    "site": "site",
    "x_m": "easting in the study's CRS, metres",
    "y_m": "northing in the study's CRS, metres",
    "lon": "longitude, degrees, WGS 84",
    "lat": "latitude, degrees, WGS 84",
    "position_uncertainty_m": "radius in metres that holds the place with 95 % confidence, the transformation's own "
    "included; at least as far as the farthest of its records' positions that can be the same place",
    "transformation": "operations by which the records' positions came into the study's CRS",
    "records": "accepted records",
    "sources": "files they are from",
    "spread_m": "distance in metres from the site's position to the farthest of its records', outvoted ones too",
}

#: A site is a patch some 20 to 30 m across (common practice); records farther apart than this are worth a look.
_WIDE_SPREAD_M = 100.0
_LONGITUDE_DECIMALS = 7  # about a centimetre


def examine(study: Study, accepted: pd.DataFrame) -> None:
    """Raise what stops sites from being placed: no record, or a working CRS in which distances can't be trusted.

    Parameters
    ----------
    study : Study
    accepted : DataFrame
        ``accepted.csv``.

    Raises
    ------
    StudyError
    """
    if accepted.empty:
        raise StudyError(
            Problem(
                "private/records/accepted.csv",
                "",
                "no record was accepted",
                "private/records/rejected.csv says why of each",
            )
        )
    bounds = _ground(accepted, study)
    check_working_crs(study.study.crs, bounds, file=study.file.name)


def run(context: Context) -> Account:
    """Write ``private/tables/places.csv``; return what was used to place the sites."""
    study = context.study
    records = read_table(context.path("private/records/accepted.csv"))
    examine(study, records)
    places = locate(records, study.study.crs)
    write_table(context.path("private/tables/places.csv"), places, _COLUMNS)
    warnings = _spread_warnings(places)
    far = _far_sites(places)
    warnings += _far_warnings(far, study)
    warnings += _outside_area(places, study)
    surveys = {name or "this survey": int(size) for name, size in places.groupby("survey").size().items()}
    uncertainty = places.loc[places["survey"] == "", "position_uncertainty_m"].dropna()
    return {
        "sites": surveys,
        "records": len(records),
        "crs": study.study.crs,
        "transformations": _operations(records, study),
        "far_sites": far["site"].tolist(),
        "median_uncertainty_m": round(float(uncertainty.median()), 1) if len(uncertainty) else None,
        "warnings": warnings,
    }


def locate(records: pd.DataFrame, crs: str) -> pd.DataFrame:
    """Return one position for each site of each survey.

    Parameters
    ----------
    records : DataFrame
        Accepted records: source, row, survey, site, visit, date, x_m, y_m, position_uncertainty_m, transformation.
    crs : str
        The study's CRS, for longitude and latitude.

    Returns
    -------
    DataFrame
        The columns of ``private/tables/places.csv``, in order of survey (the study's own first) and site.
    """
    occasion = records["visit"].where(records["visit"] != "", records["date"])
    line = group_codes(records, ["source", "row"])
    positions = (
        records.assign(occasion=occasion, line=line)
        .groupby(["survey", "site", "x_m", "y_m"], sort=True)
        .agg(uncertainty=("position_uncertainty_m", "min"), visits=("occasion", "nunique"), rows=("line", "nunique"))
        .reset_index()
    )
    rows: list[dict[str, Any]] = []
    for (survey, site), own in positions.groupby(["survey", "site"], sort=True):
        found = site_position(own["x_m"], own["y_m"], own["uncertainty"], own["visits"], own["rows"])
        rows.append(
            {
                "survey": survey,
                "site": site,
                "x_m": found.easting,
                "y_m": found.northing,
                "position_uncertainty_m": found.uncertainty_m,
                "spread_m": found.spread_m,
            }
        )
    places = pd.DataFrame(rows, columns=[name for name in _COLUMNS if name not in ("lon", "lat")])
    by_site = records.groupby(["survey", "site"], sort=True)
    places["records"] = by_site.size().to_numpy()
    for target, column in (("transformation", "transformation"), ("sources", "source")):
        places[target] = by_site[column].agg(_listed).to_numpy()
    area = area_lonlat(crs, places["x_m"], places["y_m"])
    longitude, latitude = Transformation(crs, "EPSG:4326", area, allow_ballpark=True).apply(
        places["x_m"], places["y_m"]
    )
    places["lon"], places["lat"] = longitude.round(_LONGITUDE_DECIMALS), latitude.round(_LONGITUDE_DECIMALS)
    return places[list(_COLUMNS)]


def _listed(names: pd.Series[str]) -> str:
    return "; ".join(sorted(set(names)))


def _ground(records: pd.DataFrame, study: Study) -> Bounds | None:
    """Return the bounds in degrees of the bulk of the records' places; a stray one doesn't widen them."""
    bulk = in_bulk(records["x_m"], records["y_m"])
    return area_lonlat(study.study.crs, records.loc[bulk, "x_m"], records.loc[bulk, "y_m"])


def _operations(records: pd.DataFrame, study: Study) -> list[dict[str, Any]]:
    """Return, per source and CRS, the operation used and how good it is; intake warns of what it lacks."""
    area = _ground(records, study)
    lines = []
    known: dict[str, Transformation] = {}
    for key, rows in records.groupby(["source", "crs", "transformation"], sort=True):
        source, crs, name = (str(part) for part in key)
        if crs not in known:
            known[crs] = Transformation(crs, study.study.crs, area, allow_ballpark=True)
        operation = known[crs]
        lines.append(
            {
                "source": source,
                "crs": crs,
                "transformation": name,
                "accuracy_m": round(operation.accuracy_m, 2) if np.isfinite(operation.accuracy_m) else None,
                "best_available": operation.best_available,
                "missing_grid": operation.missing_grid,
                "records": len(rows),
            }
        )
    return lines


def _spread_warnings(places: pd.DataFrame) -> list[str]:
    wide = places[places["spread_m"] > _WIDE_SPREAD_M].sort_values("spread_m", ascending=False, kind="stable")
    if wide.empty:
        return []
    worst = wide.iloc[0]
    return [
        said_many(
            "{n} site has records more than {metres} m apart (it is {site}, {spread}): is it one place? It lies where "
            "most rows say.",
            "{n} sites have records more than {metres} m apart (the widest is {site}, {spread}): is each one place? "
            "Each lies where most rows say.",
            len(wide),
            n=len(wide),
            metres=round(_WIDE_SPREAD_M),
            site=str(worst["site"]),
            spread=labels.said_distance(float(worst["spread_m"])),
        )
    ]


def _far_sites(places: pd.DataFrame) -> pd.DataFrame:
    """Return the survey's own sites that lie far from the rest, the farthest first, with their distance_m."""
    own = places[places["survey"] == ""]
    bulk = Bulk.of(own["x_m"], own["y_m"])
    if bulk is None:
        return own.iloc[:0].assign(distance_m=np.empty(0))
    away = own.assign(distance_m=bulk.distance_m(own["x_m"], own["y_m"]))
    return away[away["distance_m"] > bulk.reach_m].sort_values("distance_m", ascending=False, kind="stable")


def _far_warnings(far: pd.DataFrame, study: Study) -> list[str]:
    if far.empty:
        return []
    worst = far.iloc[0]
    values = {"n": len(far), "site": str(worst["site"]), "km": round(float(worst["distance_m"]) / 1000)}
    if study.study.area is not None:
        return [
            said_many(
                "{n} site lies far from the rest (it is {site}, {km} km from the middle of the survey): is the place "
                "right?",
                "{n} sites lie far from the rest (the farthest is {site}, {km} km from the middle of the survey): is "
                "the place right?",
                len(far),
                **values,
            )
        ]
    return [
        said_many(
            "{n} site lies far from the rest (it is {site}, {km} km from the middle of the survey); the area of "
            "surfaces and maps leaves it out: is the place right?",
            "{n} sites lie far from the rest (the farthest is {site}, {km} km from the middle of the survey); the area "
            "of surfaces and maps leaves them out: is the place right?",
            len(far),
            **values,
        )
    ]


def _outside_area(places: pd.DataFrame, study: Study) -> list[str]:
    if study.study.area is None:
        return []
    shown = study.shown(study.study.area)
    area = read_area(study.study.area, study.study.crs, shown=shown)
    own = places[places["survey"] == ""]
    outside = int((~shapely.contains_xy(area, own["x_m"], own["y_m"])).sum())
    if not outside:
        return []
    return [
        said_many(
            "{n} site lies outside the study area of {file}; it counts all the same.",
            "{n} sites lie outside the study area of {file}; they count all the same.",
            outside,
            n=outside,
            file=shown,
        )
    ]


STAGE = Stage(
    name="locate",
    summary="one position for each site, with its uncertainty and the transformation used",
    settings=(),
    reads=("private/records/accepted.csv",),
    writes=lambda study: ("private/tables/places.csv",),
    run=run,
    sources=lambda study: () if study.study.area is None else (study.study.area,),
    columns={"private/tables/places.csv": _COLUMNS},
)
