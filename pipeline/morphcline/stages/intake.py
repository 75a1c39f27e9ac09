"""Read the survey's rows, whatever their format and layout, and give each a fate.

Reads the files that ``[records]`` names (earlier surveys and tables of sites too), the study area and the habitat
raster. Writes the observations accepted, those of them that a person should look at, and the rows rejected with the
reason, for every row that came in is in one of them; all of it private, as it came. Sites get the names that every
table uses from here on.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS

from morphcline.errors import MorphclineError, Problem, SourceError
from morphcline.files.exchange.darwin_core_reading import archive_files
from morphcline.files.sheets import read_sheet
from morphcline.files.tables import write_table
from morphcline.language import Said, said_list
from morphcline.places.crs import check_working_crs
from morphcline.records.account import REJECTED_COLUMNS, SourceFate, tabulate_rejected, take_account, warn_of_bulk
from morphcline.records.columns import Fields, Layout, blank_rows, find_columns, take_fields
from morphcline.records.dates import today as today_by_clock
from morphcline.records.exchange_reading import one_row_a_shell
from morphcline.records.extent import Extent, judge
from morphcline.records.flags import Flags, flag_rows
from morphcline.records.joining import (
    PlaceSource,
    SiteTable,
    check_sites,
    fill_texts,
    has_own_place,
    join_places,
    name_sites,
    reject_spots,
)
from morphcline.records.landcover import BANK_M, disagreement, noted_class, refuse_water
from morphcline.records.observations import (
    COLUMNS,
    Cells,
    Dates,
    Morph,
    assemble,
    read_cells,
    read_dates,
    read_morphs,
)
from morphcline.records.positions import check_position, read_spots, read_uncertainty
from morphcline.records.scores import read_scores
from morphcline.records.site_ids import COLUMNS as NAME_COLUMNS
from morphcline.records.spots import Spots, place, rough_bounds, uncertainty
from morphcline.records.texts import TextTable
from morphcline.records.verdicts import Verdicts
from morphcline.stages._public_names import name_publicly
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import Habitat, RecordSource, Sheet, Study

ACCEPTED = "private/records/accepted.csv"
FLAGGED = "private/records/flagged.csv"
REJECTED = "private/records/rejected.csv"
NAMES = "private/tables/site_names.csv"

FLAGGED_COLUMNS = {
    "source": COLUMNS["source"],
    "row": COLUMNS["row"],
    "flag_code": "what to look at, in a word; what concerns a place or a sample is flagged on its first row",
    "flag": "what to look at, in a sentence",
    **{name: meaning for name, meaning in COLUMNS.items() if name not in ("source", "row")},
}


@dataclass(frozen=True)
class Assessment:
    """Every row's fate.

    Attributes
    ----------
    accepted : DataFrame
        Observations; a row of the wide layout gives several.
    rejected, flagged : DataFrame
    names : DataFrame
        The name that each site has in the records.
    account : dict
        Rows in, accepted and rejected, by source and by reason. ``rows``, ``accepted`` and ``rejected`` count rows of
        records; those of tables of sites are counted in their own lines of ``sources`` and in ``site_rows``.
    warnings : tuple of str
    """

    accepted: pd.DataFrame
    rejected: pd.DataFrame
    flagged: pd.DataFrame
    names: pd.DataFrame
    account: Account
    warnings: tuple[str, ...]


@dataclass
class _Opened:
    """A sheet read as text, and what is known about its rows so far."""

    sheet: Sheet
    survey: str
    kind: str
    table: TextTable
    layout: Layout
    morphs: list[Morph]
    sites_at: int | None = None
    fields: Fields | None = None
    verdicts: Verdicts | None = None
    places: PlaceSource | None = None


def assess(study: Study, *, today: dt.date | None = None) -> Assessment:
    """Read everything and judge every row; write nothing.

    Parameters
    ----------
    study : Study
    today : date, optional
        Later dates are flagged; by default the clock's, or that of ``SOURCE_DATE_EPOCH``.

    Raises
    ------
    SourceError
        With every problem of every file: absent, unreadable, columns that aren't there.
    StudyError
        When the study's CRS is unknown, or doesn't measure in metres.
    """
    warnings: list[str] = []
    opened = _open_all(study)
    for one in opened:
        warnings += one.table.warnings
        one.fields = take_fields(one.layout, one.sheet, one.table)
        one.verdicts = Verdicts(len(one.table))
        _reject_shapeless(one)
    warnings += _place_all(study, opened)
    sites = {at: _close_sites(one, warnings) for at, one in enumerate(opened) if one.kind == "sites"}
    frames = []
    fates = []
    for at, one in enumerate(opened):
        if one.kind == "records":
            joined = sites[one.sites_at] if one.sites_at is not None else None
            frames.append(_observations(study, one, joined, warnings))
            of_row = _verdicts(one).of_row()
        else:
            of_row = dict(sites[at].fates)
        fates.append(SourceFate(one.table, one.survey, one.kind, of_row))
    table = pd.concat(frames, ignore_index=True)
    table, names, told = name_publicly(study, table)
    warnings += told
    flags = Flags(table)
    flag_rows(flags, today=today or today_by_clock(), min_shells=study.scoring.min_shells)
    warnings += _flag_landcover(study, flags)
    flagged = flags.table(list(COLUMNS))
    warnings = list(dict.fromkeys([*warn_of_bulk(fates), *warnings]))
    account = take_account(fates, table, flagged) | {"warnings": warnings}
    rejected = tabulate_rejected(fates)
    return Assessment(table[list(COLUMNS)], rejected, flagged, names, account, tuple(warnings))


def run(context: Context) -> Account:
    """Judge every row and write the tables."""
    found = assess(context.study)
    save(found, context)
    return found.account


def save(found: Assessment, context: Context) -> None:
    """Write the tables of an assessment."""
    write_table(context.path(ACCEPTED), found.accepted, COLUMNS)
    write_table(context.path(FLAGGED), found.flagged, FLAGGED_COLUMNS)
    write_table(context.path(REJECTED), found.rejected, REJECTED_COLUMNS)
    write_table(context.path(NAMES), found.names, NAME_COLUMNS)


def _open_all(study: Study) -> list[_Opened]:
    """Read every sheet and find its columns, collecting the problems of all before stopping."""
    problems: list[Problem] = []
    opened: list[_Opened] = []
    for survey, sources in _surveys(study):
        tables_of_sites: dict[str, int | None] = {}
        for source in sources:
            sites_at = None
            if source.sites is not None:
                key = source.sites.model_dump_json()
                if key not in tables_of_sites:
                    tables_of_sites[key] = _open(study, source.sites, survey, "sites", opened, problems)
                sites_at = tables_of_sites[key]
            at = _open(study, source, survey, "records", opened, problems)
            if at is not None:
                opened[at].sites_at = sites_at
    if problems:
        raise SourceError(dict.fromkeys(problems))
    return opened


def _surveys(study: Study) -> Iterator[tuple[str, tuple[RecordSource, ...]]]:
    yield "", study.records
    for earlier in study.earlier:
        yield earlier.name, earlier.sources


def _open(
    study: Study, sheet: Sheet, survey: str, kind: str, opened: list[_Opened], problems: list[Problem]
) -> int | None:
    shown = source_name(study, sheet, kind)
    try:
        table = read_sheet(sheet, shown)
    except SourceError as error:
        problems += error.problems
        return None
    elsewhere = isinstance(sheet, RecordSource) and sheet.sites is not None
    layout, found = find_columns(sheet, table, places_elsewhere=elsewhere)
    found += check_position(sheet.position, layout, table, "crs" in layout.of_field)
    morphs: list[Morph] = []
    if isinstance(sheet, RecordSource):
        morphs, wrong = read_morphs(layout.of_morph, study.file.name)
        found += wrong
    if found:
        problems += found
        return None
    opened.append(_Opened(sheet, survey, kind, table, layout, morphs))
    return len(opened) - 1


def source_name(study: Study, sheet: Sheet, kind: str) -> str:
    """Return a file as messages and tables name it, with its sheet where the file's name would stand for two."""
    shown = study.shown(sheet.path)
    records = [source.path for _, sources in _surveys(study) for source in sources]
    shared = records.count(sheet.path) > (1 if kind == "records" else 0)
    return f"{shown}#{sheet.sheet}" if shared and sheet.sheet is not None else shown


def _reject_shapeless(one: _Opened) -> None:
    verdicts = _verdicts(one)
    blank = blank_rows(one.table)
    verdicts.reject(blank, "empty-row", "the row is empty")
    ragged = np.zeros(len(one.table), dtype=bool)
    ragged[list(one.table.beyond)] = True
    width = len(one.table.header)
    verdicts.reject(
        ragged,
        "row-ragged",
        f"the row has more cells than the {width} of the header, so it can't be told which is which",
    )


def _place_all(study: Study, opened: list[_Opened]) -> list[str]:
    """Read and judge the places of every sheet."""
    stated = {}
    raw: dict[int, Spots] = {}
    for at, one in enumerate(opened):
        reading = read_uncertainty(_fields(one)["position_uncertainty_m"])
        _verdicts(one).reject(reading.failed, "position-unreadable", reading.reasons())
        stated[at] = reading.values(dtype=np.float64)
        if one.layout.written_as:
            raw[at] = read_spots(_fields(one), one.layout, one.table, one.sheet.position)
    polygon = None
    if study.study.area is not None:
        from morphcline.files.vectors import read_area

        polygon = read_area(study.study.area, study.study.crs, shown=study.shown(study.study.area))
    crs = check_working_crs(study.study.crs, None, file=study.file.name)
    bounds = rough_bounds(list(raw.values()), crs)
    lacking: dict[str, list[str]] = {}
    problems: list[Problem] = []
    for at, spots in raw.items():
        one = opened[at]
        try:
            raw[at], told = place(spots, one.sheet.position, crs, bounds, file=one.table.shown)
            for sentence in told:
                lacking.setdefault(sentence, []).append(one.table.shown)
        except SourceError as error:
            problems += error.problems
    if problems:
        raise SourceError(dict.fromkeys(problems))
    extent = Extent(polygon) if polygon is not None else _bulk(list(raw.values()))
    for at, spots in raw.items():
        one = opened[at]
        spots, far = judge(spots, extent, crs, bounds)
        spots, near_water = _refuse_water(study, spots, stated[at], one)
        one.places = PlaceSource(spots, one.sheet.position, _written(one, spots), stated[at], far, near_water)
    return [
        Said("{file}: {finding}", file=", ".join(dict.fromkeys(files)), finding=sentence)
        for sentence, files in lacking.items()
    ]


def _written(one: _Opened, spots: Spots) -> str:
    """Return how places are written; a layer's own points are in degrees or metres by their CRS."""
    if not one.layout.from_geometry:
        return one.layout.written_as
    known = [crs for crs in spots.crs.tolist() if crs]
    degrees = bool(known) and CRS.from_user_input(known[0]).is_geographic
    return "longitude-latitude" if degrees else "easting-northing"


def _bulk(all_spots: list[Spots]) -> Extent:
    east = np.concatenate([spots.x_m[spots.usable] for spots in all_spots] or [np.empty(0)])
    north = np.concatenate([spots.y_m[spots.usable] for spots in all_spots] or [np.empty(0)])
    known = np.isfinite(east) & np.isfinite(north)
    different = np.unique(np.rint(np.column_stack([east[known], north[known]])), axis=0)
    return Extent.of_bulk(different[:, 0], different[:, 1])


def _refuse_water(
    study: Study, spots: Spots, stated: NDArray[np.float64], one: _Opened
) -> tuple[Spots, NDArray[np.object_]]:
    habitat = study.habitat
    nowhere = np.full(len(spots), "", dtype=object)
    if habitat is None or not set(habitat.classes.values()) & set(habitat.water):
        return spots, nowhere
    radius = np.full(len(spots), BANK_M)
    np.fmax.at(radius, spots.of_row, uncertainty(spots, stated, one.sheet.position))
    where = np.flatnonzero(spots.usable)
    near = _classes_near(study, habitat, spots.x_m[where], spots.y_m[where], radius[where])
    return refuse_water(spots, where, near, habitat.classes, habitat.water)


def _classes_near(
    study: Study, habitat: Habitat, easting: NDArray[Any], northing: NDArray[Any], radius_m: NDArray[Any]
) -> list[Any]:
    if not len(easting):
        return []
    from morphcline.files.rasters import classes_near

    return classes_near(
        habitat.path,
        habitat.band,
        easting,
        northing,
        crs=study.study.crs,
        radius_m=radius_m,
        shown=study.shown(habitat.path),
    )


def _close_sites(one: _Opened, warnings: list[str]) -> SiteTable:
    fields, verdicts, places = _fields(one), _verdicts(one), one.places
    if places is None:
        raise MorphclineError(f"the table of sites {one.table.shown} was read without places")
    of_name = check_sites(fields, verdicts, one.table)
    dates, told = read_dates(fields, one.sheet, verdicts, one.table)
    warnings += told
    everything = np.ones(len(one.table), dtype=bool)
    reject_spots(places.spots, verdicts, places.spots.of_row, everything)
    return SiteTable(one.table, fields, places, dates, of_name, verdicts.of_row())


def _observations(study: Study, one: _Opened, sites: SiteTable | None, warnings: list[str]) -> pd.DataFrame:
    source, fields, verdicts = one.sheet, _fields(one), _verdicts(one)
    if not isinstance(source, RecordSource):
        raise MorphclineError(f"{one.table.shown} is no source of records")
    unread = verdicts.rejected
    cells: Cells | None = None
    nothing_found = np.zeros(len(one.table), dtype=bool)
    if source.layout == "wide":
        cells = read_cells(one.morphs, one.table, verdicts, unread)
        nothing_found[cells.row[cells.morph < 0]] = True
    elif not {"colour", "banding"} & one.layout.of_field.keys():
        warnings.append(
            Said("{file}: no column holds colour or banding, so its shells count for no trait", file=one.table.shown)
        )
    scores = read_scores(
        fields, verdicts, layout=source.layout, species_studied=study.scoring.species, nothing_found=nothing_found
    )
    dates, told = read_dates(fields, source, verdicts, one.table)
    warnings += told
    stated = read_uncertainty(fields["position_uncertainty_m"]).values(dtype=np.float64)
    own_rows = has_own_place(fields, one.layout, one.table)
    places = join_places(fields, stated, one.places, own_rows, sites, verdicts)
    texts = fill_texts(fields, sites)
    texts["site"] = name_sites(texts["site"], places)
    if sites is not None:
        dates = _dates_filled(dates, sites, fields)
    observations = assemble(
        shown=one.table.shown,
        survey=one.survey,
        table=one.table,
        scores=scores,
        dates=dates,
        places=places,
        texts=texts,
        keep=~verdicts.rejected,
        morphs=one.morphs,
        cells=cells,
    ).assign(_layout=source.layout)
    return one_row_a_shell(observations, one.table) if source.layout == "darwin-core" else observations


def _dates_filled(dates: Dates, sites: SiteTable, fields: Fields) -> Dates:
    at = sites.rows_of(fields["site"])
    return dates.filled((at >= 0) & (dates.text == ""), sites.dates, np.maximum(at, 0))


def _flag_landcover(study: Study, flags: Flags) -> list[str]:
    """Flag places near water, and notes of a habitat that the raster doesn't have there."""
    table, habitat = flags.observations, study.habitat
    if table.empty:
        return []
    wet = (table["_near_water"] != "").to_numpy()
    flags.add_once(wet, "near-water", table["_near_water"], ["source", "site", "x_m", "y_m"])
    if habitat is None or not habitat.classes:
        return []
    meaning = {text: noted_class(text, habitat.classes) for text in table["habitat"].unique()}
    shown = set(habitat.classes.values())
    meant = table["habitat"].map(meaning)
    noted = table.assign(_meant=meant)[meant.isin(shown).to_numpy()]
    key = ["x_m", "y_m", "habitat", "position_uncertainty_m"]
    different = noted.drop_duplicates(key)
    radius = np.fmax(different["position_uncertainty_m"].to_numpy(), habitat.radius_m)
    near = _classes_near(study, habitat, different["x_m"].to_numpy(), different["y_m"].to_numpy(), radius)
    told = [
        disagreement(note, name, found, habitat.classes)
        for note, name, found in zip(different["habitat"], different["_meant"], near, strict=True)
    ]
    told_of = different[key].assign(_told=pd.Series(told, index=different.index, dtype=object))
    merged = table[key].merge(told_of, on=key, how="left")["_told"]
    sentences = merged.where(merged.notna(), "")
    flags.add_once(
        (sentences != "").to_numpy(), "habitat-disagrees", sentences, ["source", "site", "x_m", "y_m", "habitat"]
    )
    absent = sorted({name for name in meaning.values() if name and name not in shown})
    if absent:
        return [
            Said(
                "the habitat raster has no class {classes}, so recorders' notes of it aren't compared",
                classes=said_list(absent),
            )
        ]
    return []


def _fields(one: _Opened) -> Fields:
    if one.fields is None:
        raise MorphclineError("the fields were asked for before they were read")
    return one.fields


def _verdicts(one: _Opened) -> Verdicts:
    if one.verdicts is None:
        raise MorphclineError("the verdicts were asked for before the rows were read")
    return one.verdicts


def _sources(study: Study) -> tuple[Path, ...]:
    paths: list[Path] = []
    for _, sources in _surveys(study):
        for source in sources:
            paths += archive_files(source.path) if source.layout == "darwin-core" else [source.path]
            if source.sites is not None:
                paths.append(source.sites.path)
    if study.study.area is not None:
        paths.append(study.study.area)
    if study.habitat is not None:
        paths.append(study.habitat.path)
    return tuple(dict.fromkeys(paths))


STAGE = Stage(
    name="intake",
    summary="read the records and give every row a fate",
    settings=("records", "earlier", "scoring", "habitat", "publish.site_names", "publish.blur_m", "publish.names"),
    reads=(),
    writes=lambda study: (ACCEPTED, FLAGGED, REJECTED, NAMES),
    run=run,
    sources=_sources,
    columns={ACCEPTED: COLUMNS, FLAGGED: FLAGGED_COLUMNS, REJECTED: REJECTED_COLUMNS, NAMES: NAME_COLUMNS},
)
