"""What is fed to each reader, and what must hold whatever it was fed: a result that keeps its laws, or one sentence."""

from __future__ import annotations

import csv
import json
import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import making_inputs as making
import numpy as np

from morphcline.errors import Problem, StudyError
from morphcline.files import delimited
from morphcline.files.rasters import examine, sample
from morphcline.files.sheets import read_sheet
from morphcline.files.tables import read_table
from morphcline.places.grid_references import UnreadableReference, read_grid_reference
from morphcline.records.dates import UnreadableDate, read_date, read_day_number
from morphcline.records.numbers import UnreadableNumber, read_count, read_degrees, read_metres, read_number
from morphcline.records.texts import TextTable
from morphcline.scoring.formulas import UnreadableBanding, band_class, read_banding
from morphcline.scoring.habitats import read_habitat
from morphcline.scoring.shells import read_age, read_colour, read_condition, read_lip
from morphcline.scoring.species import read_species
from morphcline.stages.base import Context
from morphcline.stages.intake import ACCEPTED, FLAGGED, REJECTED, assess, save
from morphcline.study import RecordSource, Sheet, load_study, settings_in_force
from morphcline.workers import Workers

#: A sentence for people isn't longer than this, whatever stood in the file.
LONGEST_SENTENCE = 2000


@dataclass(frozen=True)
class Reader:
    """One reader.

    Parameters
    ----------
    name : str
    weight : int
        Its share of the inputs, in thousandths.
    make : callable
        Random generator to input: a text, or the bytes of a file.
    feed : callable
        Input and a folder for files; returns True when it was read, False when it was refused in a sentence, and raises
        where neither is so.
    seconds : float
        Time that it may take, of a processor.
    """

    name: str
    weight: int
    make: Callable[[random.Random], Any]
    feed: Callable[[Any, Path], bool]
    seconds: float = 2.0


def must(holds: bool, what: str) -> None:
    """Raise when a law doesn't hold."""
    if not holds:
        raise AssertionError(what)


def told(error: Exception) -> bool:
    """Return False: it was refused; what was said must be a sentence."""
    sentences = [str(one) for one in error.problems] if isinstance(error, StudyError) else [str(error)]
    must(bool(sentences), "refused without a sentence")
    for sentence in sentences:
        must(bool(sentence.strip()), "refused without a sentence")
        must(len(sentence) <= LONGEST_SENTENCE, f"a sentence of {len(sentence)} characters")
        must(
            all(sign.isprintable() or sign == " " for sign in sentence),
            f"signs that can't be printed in {sentence[:200]!r}",
        )
    return False


def feed_banding(text: str, _folder: Path) -> bool:
    try:
        found = read_banding(text)
    except UnreadableBanding as error:
        return told_of_cell(error)
    if found.formula:
        must(read_banding(found.formula).formula == found.formula, "a formula as we write it reads differently")
        must(band_class(found.formula) == found.band_class, "class and formula differ")
    return True


def told_of_cell(error: ValueError) -> bool:
    """Return False; what is said of a cell goes into a table, so only its being there is asked."""
    must(bool(str(error).strip()), "refused without a sentence")
    return False


def feed_reference(text: str, _folder: Path) -> bool:
    read = False
    for grid in (None, "british", "irish", "mgrs"):
        try:
            square = read_grid_reference(text, grid)  # type: ignore[arg-type]
        except UnreadableReference as error:
            told_of_cell(error)
            continue
        read = True
        must(math.isfinite(square.easting) and math.isfinite(square.northing), "a square nowhere")
        must(1.0 <= square.size_m <= 100_000.0, f"a square of {square.size_m} m")
    return read


def feed_date(text: str, _folder: Path) -> bool:
    import datetime as dt

    read = False
    for order in ("day-first", "month-first", "year-first"):
        try:
            found = read_date(text, order)  # type: ignore[arg-type]
        except UnreadableDate as error:
            told_of_cell(error)
            continue
        read = True
        must(found.first <= found.last, "it ends before it begins")
        must(read_date(found.text, "day-first") == found, "a date as we write it reads differently")
    for day_zero in (dt.date(1899, 12, 30), dt.date(1904, 1, 1)):
        read_day_number(text, day_zero)
    return read


def feed_number(text: str, _folder: Path) -> bool:
    read = 0
    for reader in (
        read_count, read_number, read_metres,
        lambda cell: read_degrees(cell, "longitude"), lambda cell: read_degrees(cell, "latitude"),
    ):  # fmt: skip
        try:
            value = reader(text)
        except UnreadableNumber as error:
            told_of_cell(error)
            continue
        read += 1
        must(math.isfinite(getattr(value, "value", value)), f"{value} is no number")
        must(getattr(value, "unit", 0.0) >= 0.0, "a unit below zero")
    return bool(read)


def feed_word(text: str, _folder: Path) -> bool:
    read = 0
    for reader in (read_species, read_age, read_colour, read_condition, read_lip):
        try:
            reader(text)
        except ValueError as error:
            told_of_cell(error)
            continue
        read += 1
    return bool(read_habitat(text)) or bool(read)


def feed_text_file(data: bytes, folder: Path) -> bool:
    path = folder / "rows.csv"
    path.write_bytes(data)
    usual = delimited.LARGE
    outcomes: list[Any] = []
    for large in (usual, 1):  # both ways of reading have to agree
        delimited.LARGE = large
        try:
            outcomes.append(as_rows(read_sheet(Sheet(path=path), "rows.csv")))
        except StudyError as error:
            told(error)
            outcomes.append(str(error))
        finally:
            delimited.LARGE = usual
    must(outcomes[0] == outcomes[1], "the two ways of reading differ")
    return not isinstance(outcomes[0], str)


def as_rows(table: TextTable) -> list[Any]:
    """Return all that a table holds, for comparison."""
    return [table.header, [table.as_it_came(at) for at in range(len(table))], table.row.tolist(), table.short]


def feed_file(name: str, **keys: Any) -> Callable[[bytes, Path], bool]:
    """Return what feeds a file of some format to the reader of sheets."""

    def feed(data: bytes, folder: Path) -> bool:
        path = folder / name
        path.write_bytes(data)
        sheet = RecordSource(path=path, **keys) if keys else Sheet(path=path)
        try:
            table = read_sheet(sheet, name)
        except StudyError as error:
            return told(error)
        must(len(table) > 0, "a table without a row")
        must(all(len(table.columns[column]) == len(table) for column in table.header), "columns of unequal length")
        return True

    return feed


def feed_study(data: bytes, folder: Path) -> bool:
    path = folder / "study.toml"
    path.write_bytes(data)
    try:
        study = load_study(path)
    except StudyError as error:
        return told(error)
    json.dumps(settings_in_force(study), allow_nan=False)
    return True


_JUDGED = """
[study]
name = "fuzzed"
crs = "{crs}"
[records]
path = "rows.csv"
delimiter = ","
encoding = "utf-8"
{keys}
"""
#: What a study file says of each kind of sheet; "sites" has its places in a table of sites.
_KINDS = {
    "counts": ("EPSG:2154", ""),
    "shells": ("EPSG:2154", 'layout = "shells"'),
    "wide": (
        "EPSG:2154",
        'layout = "wide"\n[records.wide]\n"yellow/00000" = "Y0"\n"pink/mid-banded" = "P1"\n"/12345" = "five"',
    ),
    "references": ("EPSG:27700", '[records.position]\nwritten_as = "grid-reference"'),
    "sites": ("EPSG:2154", 'sites = { path = "places.csv", delimiter = ",", encoding = "utf-8" }'),
}
_PLACES = "site,longitude,latitude\nS0,6.1,46.1\nS1,6.2,46.2\nS1,7.2,46.2\n,6,46\nS2,x,46\nS3,6.3 E,46.3 N\n"


def make_sheet(rng: random.Random) -> tuple[str, list[list[str]]]:
    """Return a kind of sheet, and one that is sound as a file, so that its rows can be counted without reading it."""
    kind = rng.choice(tuple(_KINDS))
    table = making.rows(rng)
    table[0] = list(making.HEADER)
    columns = dict(zip(table[0], zip(*table[1:], strict=True), strict=True))
    rows = range(len(table) - 1)
    if kind == "shells":
        del columns["count"]
    elif kind == "wide":
        columns |= {"Y0": columns.pop("count"), "P1": columns.pop("banding"), "five": columns.pop("colour")}
    elif kind == "references":
        del columns["longitude"], columns["latitude"]
        columns["grid_reference"] = tuple(making.cell(rng, making.REFERENCES) for _ in rows)
    elif kind == "sites":
        del columns["longitude"], columns["latitude"]
    cells = [[columns[name][at].replace("\0", "") for name in columns] for at in rows]
    return kind, [list(columns), *cells]


def feed_sheet(made: tuple[str, list[list[str]]], folder: Path) -> bool:
    kind, table = made
    with (folder / "rows.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, quoting=csv.QUOTE_ALL).writerows(table)
    (folder / "places.csv").write_text(_PLACES, encoding="utf-8")
    crs, keys = _KINDS[kind]
    (folder / "study.toml").write_text(_JUDGED.format(crs=crs, keys=keys), encoding="utf-8")
    study = load_study(folder / "study.toml")
    try:
        found = assess(study)
    except StudyError as error:
        return told(error)
    rows = len(table) - 1
    must(found.account["rows"] == rows, f"{rows} rows went in and {found.account['rows']} were seen")
    own = found.rejected[found.rejected["source"] == "rows.csv"]
    fates = sorted([*found.accepted["row"].unique(), *own["row"]])
    must(fates == list(range(2, rows + 2)), f"rows {fates} have a fate, of 2 to {rows + 1}")
    if kind == "sites":
        must(found.account["site_rows"] == _PLACES.count("\n") - 1, "rows of the table of sites are missing")
    for reason in found.rejected["reason"]:
        must(0 < len(str(reason).strip()) < 6000, f"a reason of {len(str(reason))} characters")
    for cells in found.rejected["row_as_it_came"]:
        json.loads(cells)
    save(found, Context(study, folder / "out", Workers()))
    for name, written in ((ACCEPTED, found.accepted), (REJECTED, found.rejected), (FLAGGED, found.flagged)):
        back = read_table(folder / "out" / name)
        must(len(back) == len(written), f"{name}: {len(written)} lines were written and {len(back)} read back")
        must(back["row"].tolist() == written["row"].tolist(), f"{name}: rows read back differ")
    for field in ("site", "note", "recorder", "banding"):
        back = read_table(folder / "out" / ACCEPTED)[field].tolist()
        must(back == found.accepted[field].tolist(), f"{field} reads back differently")
    return len(found.accepted) > 0


@cache
def sound_file(ending: str) -> bytes:
    """Return a small sound file of a format."""
    import tempfile

    import geopandas as gpd
    import rasterio
    import shapely
    from rasterio.transform import from_origin

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"sound{ending}"
        if ending == ".tif":
            with rasterio.open(
                path, "w", driver="GTiff", width=8, height=8, count=1, dtype="float32", crs="EPSG:2154", nodata=-1.0,
                transform=from_origin(700_000, 6_600_000, 10, 10),
            ) as raster:  # fmt: skip
                raster.write(np.arange(64, dtype="float32").reshape(1, 8, 8))
        else:
            points = gpd.GeoDataFrame(
                {"site": ["A", "B", None], "count": [3, 4, 5], "species": ["Cepaea nemoralis"] * 3},
                geometry=[shapely.Point(6, 46), None, shapely.Point(6.1, 46)],
                crs="EPSG:4326",
            )
            if ending == ".gpkg":
                points.to_file(path, layer="finds")
            else:
                points.to_parquet(path)
        return path.read_bytes()


def damaged(ending: str) -> Callable[[random.Random], bytes]:
    """Return what makes damaged files of a format."""
    return lambda rng: making.damage(rng, sound_file(ending))


def feed_raster(data: bytes, folder: Path) -> bool:
    path = folder / "cells.tif"
    path.write_bytes(data)
    try:
        examine(path, shown="cells.tif")
        values = sample(path, 1, [700_005.0, 700_045.0], [6_599_995.0, 6_599_945.0], crs="EPSG:2154", shown="cells.tif")
    except StudyError as error:
        return told(error)
    must(values.value.shape == (2,), "as many values as places")
    return True


def feed_problem(text: str, _folder: Path) -> bool:
    """Whatever stood in a file, what is printed of it is one line of signs that can be printed."""
    told(StudyError(Problem(text[:100], text, f"found {text!r}", text)))
    return True


READERS = (
    Reader("band formulas", 200, lambda rng: making.cell(rng, making.BANDINGS), feed_banding),
    Reader("grid references", 150, lambda rng: making.cell(rng, making.REFERENCES), feed_reference),
    Reader("dates", 190, lambda rng: making.cell(rng, making.DATES), feed_date),
    Reader("numbers, degrees, distances", 150, lambda rng: making.cell(rng, making.NUMBERS), feed_number),
    Reader("names and words", 75, lambda rng: making.cell(rng, making.WORDS), feed_word),
    Reader("messages", 20, lambda rng: making.cell(rng, making.WORDS), feed_problem),
    Reader("text files", 70, making.text_file, feed_text_file, 20.0),
    Reader("workbooks", 15, making.workbook, feed_file("rows.xlsx"), 20.0),
    Reader("GeoPackages", 10, damaged(".gpkg"), feed_file("rows.gpkg"), 20.0),
    Reader("Parquet files", 15, damaged(".parquet"), feed_file("rows.parquet"), 20.0),
    Reader("exchange archives", 40, making.archive, feed_file("rows.zip", layout="darwin-core"), 20.0),
    Reader("study files", 40, making.study_file, feed_study, 20.0),
    Reader("rasters", 20, damaged(".tif"), feed_raster, 20.0),
    Reader("sheets judged row by row", 5, make_sheet, feed_sheet, 30.0),
)
