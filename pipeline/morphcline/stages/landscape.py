"""Landscape: what grows at each site and how warm it is, beside what the recorders noted.

Reads the sites, their records and the study's two rasters; writes the sites of this survey and of earlier ones, how
often recorders and raster agree on the habitat, and the same sites as layers for a GIS: exactly in the folder
``private``, and sites and records once more as the public may see them. A study without one of the rasters runs, and
says what is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.errors import Problem, SourceError, StudyError
from morphcline.files.districts import read_districts
from morphcline.files.rasters import (
    Sampled,
    bands_by_year,
    bilinear,
    class_at,
    describe_raster,
    mean_within,
    shares_within,
)
from morphcline.files.tables import read_table, write_table
from morphcline.files.vectors import write_layers
from morphcline.language import Said, said_many
from morphcline.records.districts import COLUMN as DISTRICT_COLUMN
from morphcline.records.districts import District, assign, larger_squares
from morphcline.records.landscape import (
    LEAST_KNOWN,
    agreement,
    count_records,
    name_classes,
    to_celsius,
    years_of_sites,
)
from morphcline.scoring.habitats import read_habitat
from morphcline.stages._publication import (
    NOTICE,
    PUBLIC_RECORD_COLUMNS,
    PUBLIC_RECORDS,
    public_columns,
    publish,
)
from morphcline.stages.base import Account, Context, Stage
from morphcline.stages.intake import ACCEPTED, FLAGGED, NAMES, REJECTED
from morphcline.study import Habitat, Study, Temperature

_SHARE_DOC = "share of the circle round the site that is of this class; what is left to 1 has no code in the raster"
_SITES = {
    "site": "site",
    "x_m": "easting in the study's CRS, metres",
    "y_m": "northing in the study's CRS, metres",
    "lon": "longitude, degrees, WGS 84",
    "lat": "latitude, degrees, WGS 84",
    "position_uncertainty_m": "radius in metres that holds the place with 95 % confidence",
    "shells": "adult shells that count, of all studied species, all visits",
    "samples": "different visits",
    "seen_not_counted": "shells that enter no frequency: juveniles, worn or bleached ones, species not studied",
    "habitat": "class of land with the largest share within the radius (at the point when it is 0), from the raster; "
    "empty when less than half of the circle has a code",
    "habitat_share": "its share",
    "habitat_noted": "class noted by the recorders on most visits",
    "temperature_c": "temperature from the raster, degrees Celsius; missing off the raster and where it holds nothing",
    "transformation": "operations by which the records' positions came into the study's CRS",
    **DISTRICT_COLUMN,
}
_EARLIER = {"survey": "earlier survey's name", **_SITES}
_AGREEMENT = {
    "noted": "class noted by the recorders",
    "raster": "class from the raster; empty where it says nothing",
    "sites": "sites of this survey",
}

#: Means and years outside this range, in degrees Celsius, are a matter of units.
_PLAUSIBLE_C = (-60.0, 60.0)


def run(context: Context) -> Account:
    """Write the sites' tables and layers; return what the rasters covered and what is left out."""
    study = context.study
    places = read_table(context.path("private/tables/places.csv"))
    records = read_table(context.path(ACCEPTED))
    account: Account = {"warnings": [], "left_out": []}
    sites = describe_sites(places, records, study)
    sites = _join_habitat(sites, study, account)
    sites = _join_temperature(sites, records, study, account)
    districts = read_districts(study)
    sites = sites.assign(district=assign(sites["x_m"], sites["y_m"], districts))
    own, earlier = sites[sites["survey"] == ""], sites[sites["survey"] != ""]
    shares = [name for name in sites.columns if name.startswith("share_")]
    shown = publish(
        context, sites, account, districts=districts, warmth=lambda points: _celsius(points, records, study)
    )
    _report_districts(own, shown[shown["survey"] == ""], districts, account)
    for folder, table in (("private/tables", sites), ("tables", shown)):
        mine, others = table[table["survey"] == ""], table[table["survey"] != ""]
        columns = [name for name in public_columns(_SITES) if name in table]
        write_table(context.path(f"{folder}/sites.csv"), mine[[*columns, *_found(mine, shares)]])
        write_table(context.path(f"{folder}/earlier_sites.csv"), others[["survey", *columns, *_found(others, shares)]])
    pairs = agreement(own["habitat_noted"], own["habitat"])
    write_table(context.path("tables/habitat_agreement.csv"), pairs, _AGREEMENT)
    write_layers(
        context.path("private/sites.gpkg"),
        {
            "sites": _features(own[[*_SITES, *_found(own, shares)]], study.study.crs),
            "earlier_sites": _features(earlier[[*_EARLIER, *_found(earlier, shares)]], study.study.crs),
        },
    )
    account["sites"] = len(own)
    account["earlier_sites"] = len(earlier)
    account["shells"] = int(own["shells"].sum())
    if len(pairs) and study.habitat is not None:
        same = pairs["noted"] == pairs["raster"]
        account["habitat_noted"] = int(pairs["sites"].sum())
        account["habitat_agrees"] = int(pairs.loc[same, "sites"].sum())
    _report_notes(records, study, account)
    return account


def describe_sites(places: pd.DataFrame, records: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Return the places with what their records say: shells, samples, seen_not_counted, habitat_noted."""
    others = () if study.habitat is None else tuple(study.habitat.classes.values())
    told = count_records(records, lambda note: read_habitat(note, others=others) if note else "")
    return places.merge(told, how="left", left_on=["survey", "site"], right_index=True, validate="one_to_one")


def _join_habitat(sites: pd.DataFrame, study: Study, account: Account) -> pd.DataFrame:
    if study.habitat is None:
        account["left_out"].append(Said("habitat from a raster: the study file has no [habitat]"))
        return sites.assign(habitat="", habitat_share=np.nan)
    settings, shown = study.habitat, study.shown(study.habitat.path)
    shares, missing = _shares(sites, settings, study, shown)
    found = name_classes(shares, settings.classes, water=settings.water)
    table = sites.assign(habitat=found.habitat, habitat_share=found.share)
    table = pd.concat([table.reset_index(drop=True), found.shares], axis=1)
    account["habitat"] = {"radius_m": settings.radius_m, **missing}
    _report_missing(missing, len(sites), shown, "habitat", account)
    if not settings.classes:
        account["warnings"].append(
            Said("{file}: [habitat.classes] names no class, so codes stand for themselves.", file=shown)
        )
    for code, times in found.unlisted.items():
        account["warnings"].append(
            said_many(
                "{file}: code {code}, found at {n} site, is not listed in [habitat.classes]; it counts as 'unlisted'.",
                "{file}: code {code}, found at {n} sites, is not listed in [habitat.classes]; it counts as 'unlisted'.",
                times,
                file=shown,
                code=str(code),
                n=times,
            )
        )
    account["habitat"]["unlisted"] = {str(code): times for code, times in found.unlisted.items()}
    _report_loose_places(sites, settings, account)
    return table


def _shares(
    sites: pd.DataFrame, settings: Habitat, study: Study, shown: str
) -> tuple[list[dict[int, float]], dict[str, int]]:
    """Return shares by code, and how many sites have a code, hold nothing, and lie off the raster."""
    place = (settings.path, settings.band, sites["x_m"].to_numpy(), sites["y_m"].to_numpy())
    if settings.radius_m > 0:
        cells = shares_within(*place, crs=study.study.crs, radius_m=settings.radius_m, shown=shown)
    else:
        cells = class_at(*place, crs=study.study.crs, shown=shown)
    known = np.array([sum(one.shares.values()) for one in cells])
    outside, nodata = np.array([one.outside for one in cells]), np.array([one.nodata for one in cells])
    off, empty = (known < LEAST_KNOWN) & (outside >= nodata), (known < LEAST_KNOWN) & (outside < nodata)
    counts = {"inside": int((known >= LEAST_KNOWN).sum()), "nodata": int(empty.sum()), "outside": int(off.sum())}
    return [one.shares for one in cells], counts


def _join_temperature(sites: pd.DataFrame, records: pd.DataFrame, study: Study, account: Account) -> pd.DataFrame:
    if study.temperature is None:
        account["left_out"].append(Said("temperature: the study file has no [temperature]"))
        return sites.assign(temperature_c=np.nan)
    settings, shown = study.temperature, study.shown(study.temperature.path)
    if settings.year is None:
        read = _temperature(sites, settings, settings.band, study, shown)
        values, missing = read.value, read.counts
    else:
        values, missing = _by_year(sites, records, settings, study, shown, account)
    celsius = to_celsius(values, settings.units)
    _check_plausible(celsius, values, sites["site"].to_numpy(), settings, shown)
    account["temperature"] = {"radius_m": settings.radius_m, "units": settings.units, **missing}
    _report_missing(missing, len(sites), shown, "temperature", account)
    return sites.assign(temperature_c=celsius)


def _celsius(points: pd.DataFrame, records: pd.DataFrame, study: Study) -> NDArray[np.float64]:
    """Return the temperature at the points of squares, in their sites' years; what is missing there is no news.

    At the points themselves: what is asked for is the mean over a square, and circles round so many take minutes.
    """
    assert study.temperature is not None
    settings = study.temperature.model_copy(update={"radius_m": 0.0})
    shown = study.shown(settings.path)
    if settings.year is None:
        values = _temperature(points, settings, settings.band, study, shown).value
    else:
        values, _ = _by_year(points, records, settings, study, shown, {"warnings": []})
    return to_celsius(values, settings.units)


def _temperature(sites: pd.DataFrame, settings: Temperature, band: int, study: Study, shown: str) -> Sampled:
    place = (settings.path, band, sites["x_m"].to_numpy(), sites["y_m"].to_numpy())
    if settings.radius_m > 0:
        return mean_within(*place, crs=study.study.crs, radius_m=settings.radius_m, shown=shown)
    return bilinear(*place, crs=study.study.crs, shown=shown)


def _by_year(
    sites: pd.DataFrame, records: pd.DataFrame, settings: Temperature, study: Study, shown: str, account: Account
) -> tuple[NDArray[np.float64], dict[str, int]]:
    """Return each site's temperature in the years of its records, their plain mean where several stand for it."""
    bands = bands_by_year(describe_raster(settings.path, shown=shown))
    if not bands:
        raise SourceError(
            Problem(
                shown,
                "",
                'no band is described by a year, as year = "record" needs',
                "bands described like 2019 are accepted, or give a band",
            )
        )
    years = years_of_sites(records, latest=study.scoring.visits == "latest")
    wanted = [years.get(key, []) for key in zip(sites["survey"], sites["site"], strict=True)]
    total, number = np.zeros(len(sites)), np.zeros(len(sites))
    outside, nodata = np.zeros(len(sites), dtype=bool), np.zeros(len(sites), dtype=bool)
    for year in sorted({year for own in wanted for year in own} & set(bands)):
        rows = np.array([position for position, own in enumerate(wanted) if year in own])
        read = _temperature(sites.iloc[rows], settings, bands[year], study, shown)
        has_value = np.isfinite(read.value)
        total[rows] += np.where(has_value, read.value, 0.0)
        number[rows] += has_value
        outside[rows] |= read.outside
        nodata[rows] |= read.nodata
    absent: dict[int, int] = {}
    for own in wanted:
        for year in own:
            if year not in bands:
                absent[year] = absent.get(year, 0) + 1
    undated = sum(not own for own in wanted)
    for year, times in sorted(absent.items()):
        account["warnings"].append(
            said_many(
                "{file}: no band is described by the year {year} of {n} site; there are {first} to {last}.",
                "{file}: no band is described by the year {year} of {n} sites; there are {first} to {last}.",
                times,
                file=shown,
                year=str(year),
                n=times,
                first=str(min(bands)),
                last=str(max(bands)),
            )
        )
    if undated:
        account["warnings"].append(
            said_many(
                "{file}: {n} site has no dated record, hence no temperature.",
                "{file}: {n} sites have no dated record, hence no temperature.",
                undated,
                file=shown,
                n=undated,
            )
        )
    values = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    counts = {
        "inside": int((number > 0).sum()),
        "nodata": int((nodata & ~outside & (number == 0)).sum()),
        "outside": int((outside & (number == 0)).sum()),
        "without_year": int(((number == 0) & ~outside & ~nodata).sum()),
    }
    return values, counts


def _check_plausible(
    celsius: NDArray[np.float64],
    values: NDArray[np.float64],
    names: NDArray[np.object_],
    settings: Temperature,
    shown: str,
) -> None:
    with np.errstate(invalid="ignore"):
        odd = np.flatnonzero((celsius < _PLAUSIBLE_C[0]) | (celsius > _PLAUSIBLE_C[1]))
    if odd.size:
        first = odd[0]
        raise StudyError(
            Problem(
                shown,
                "[temperature] units",
                f"{values[first]:.6g} read as {settings.units} is {celsius[first]:.4g} °C at the site "
                f"{names[first]!r}, which can't be (the same for {odd.size} of {celsius.size} sites)",
                'set units to "celsius", "kelvin" or "fahrenheit", or store in the file the band\'s scale and offset '
                "or its nodata value, where such a number means that there is none",
            )
        )


def _report_missing(missing: dict[str, int], sites: int, shown: str, what: str, account: Account) -> None:
    if sites and missing["outside"] == sites:
        raise SourceError(
            Problem(shown, "", "the raster covers none of the sites", "give one of the study's area, and check its CRS")
        )
    for key in ("outside", "nodata"):
        if missing[key]:
            account["warnings"].append(_missing(key, missing[key], what, shown))


def _missing(key: str, n: int, what: str, shown: str) -> Said:
    """Say at how many sites a raster tells nothing."""
    if (key, what) == ("outside", "habitat"):
        return said_many(
            "{file}: {n} site lies off the raster and has no habitat.",
            "{file}: {n} sites lie off the raster and have no habitat.",
            n, file=shown, n=n,
        )  # fmt: skip
    if key == "outside":
        return said_many(
            "{file}: {n} site lies off the raster and has no temperature.",
            "{file}: {n} sites lie off the raster and have no temperature.",
            n, file=shown, n=n,
        )  # fmt: skip
    if what == "habitat":
        return said_many(
            "{file}: {n} site lies where it holds nothing and has no habitat.",
            "{file}: {n} sites lie where it holds nothing and have no habitat.",
            n, file=shown, n=n,
        )  # fmt: skip
    return said_many(
        "{file}: {n} site lies where it holds nothing and has no temperature.",
        "{file}: {n} sites lie where it holds nothing and have no temperature.",
        n, file=shown, n=n,
    )  # fmt: skip


def _report_loose_places(sites: pd.DataFrame, settings: Habitat, account: Account) -> None:
    if settings.radius_m <= 0:
        return
    loose = int((sites["position_uncertainty_m"] > settings.radius_m).sum())
    account["habitat"]["placed_less_well_than_radius"] = loose
    if loose:
        account["warnings"].append(
            said_many(
                "{n} site is placed less well than the habitat radius of {radius} m (earlier surveys counted in): the "
                "raster's habitat there is the neighbourhood's.",
                "{n} sites are placed less well than the habitat radius of {radius} m (earlier surveys counted in): "
                "the raster's habitat there is the neighbourhood's.",
                loose,
                n=loose,
                radius=settings.radius_m,
            )
        )


def _report_notes(records: pd.DataFrame, study: Study, account: Account) -> None:
    others = () if study.habitat is None else tuple(study.habitat.classes.values())
    notes = sorted({note for note in records["habitat"].unique() if note and not read_habitat(note, others=others)})
    if notes:
        account["warnings"].append(
            said_many(
                "{n} wording of the recorders' habitat notes names no single class and is left out of the comparison; "
                "see the column habitat of private/records/accepted.csv.",
                "{n} wordings of the recorders' habitat notes name no single class and are left out of the comparison; "
                "see the column habitat of private/records/accepted.csv.",
                len(notes),
                n=len(notes),
            )
        )


def _report_districts(own: pd.DataFrame, shown: pd.DataFrame, districts: Sequence[District], account: Account) -> None:
    """Say how many sites lie in each district, in none, and in one that can't be told beside their square."""
    if not districts:
        return
    larger = larger_squares(shown, districts)
    account["districts"] = {
        district.name: {
            "sites": int((shown["district"] == district.name).sum()),
            "larger_square_m": larger.get(district.name),
        }
        for district in districts
    }
    outside = int((own["district"] == "").sum())
    kept_back = int((shown["district"] == "").sum()) - outside
    account |= {"sites_in_no_district": outside, "sites_with_district_kept_back": kept_back}
    if outside:
        account["warnings"].append(
            said_many(
                "{n} site lies in no district of [[report.area]]; it counts in the region alone.",
                "{n} sites lie in no district of [[report.area]]; they count in the region alone.",
                outside,
                n=outside,
            )
        )
    if kept_back:
        account["warnings"].append(
            said_many(
                "{n} site counts in no district, since its district and the square in which it is shown would together "
                "tell its place too well.",
                "{n} sites count in no district, since their districts and the squares in which they are shown would "
                "together tell their places too well.",
                kept_back,
                n=kept_back,
            )
        )


def _found(sites: pd.DataFrame, shares: list[str]) -> list[str]:
    return [name for name in shares if (sites[name] > 0).any()]


def _features(sites: pd.DataFrame, crs: str) -> gpd.GeoDataFrame:
    points = gpd.points_from_xy(sites["x_m"], sites["y_m"], crs=crs)
    table = sites.astype(object).where(sites != "", None).astype(sites.dtypes.to_dict())
    return gpd.GeoDataFrame(table, geometry=points)


def _sources(study: Study) -> tuple[Path, ...]:
    paths = [part.path for part in (study.habitat, study.temperature) if part is not None]
    paths += [area.path for area in study.report.area]
    return (*paths, *([study.publish.pseudonym_key] if study.publish.pseudonym_key else []))


STAGE = Stage(
    name="landscape",
    summary="habitat and temperature at each site; what of sites and records the public may see",
    settings=(
        "habitat",
        "temperature",
        "scoring",
        "publish.blur_m",
        "publish.names",
        "publish.sensitive",
        "change.within_m",
        "report.area",
    ),
    reads=(ACCEPTED, FLAGGED, REJECTED, NAMES, "private/tables/places.csv"),
    writes=lambda study: (
        "private/tables/sites.csv",
        "private/tables/earlier_sites.csv",
        "private/sites.gpkg",
        NOTICE,
        "tables/sites.csv",
        "tables/earlier_sites.csv",
        "tables/habitat_agreement.csv",
        *PUBLIC_RECORDS,
    ),
    run=run,
    sources=_sources,
    columns={
        "private/tables/sites.csv": {**_SITES, "share_<class>": _SHARE_DOC},
        "private/tables/earlier_sites.csv": {**_EARLIER, "share_<class>": _SHARE_DOC},
        "tables/sites.csv": {**public_columns(_SITES), "share_<class>": _SHARE_DOC},
        "tables/earlier_sites.csv": {**public_columns(_EARLIER), "share_<class>": _SHARE_DOC},
        **PUBLIC_RECORD_COLUMNS,
        "tables/habitat_agreement.csv": _AGREEMENT,
    },
)
