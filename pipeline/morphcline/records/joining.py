"""Each row's place: its own where it has one, else that of its site in a table of sites."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morphcline.records.columns import POSITION_FIELDS, Fields, Layout
from morphcline.records.observations import Dates
from morphcline.records.spots import Spots, uncertainty
from morphcline.records.texts import TextColumn, TextTable
from morphcline.records.verdicts import Verdicts
from morphcline.study import Position

#: What a table of sites may add to a record besides its place.
FILLED = ("visit", "habitat", "recorder")


@dataclass(frozen=True)
class PlaceSource:
    """The places of a sheet, ready to be taken by rows.

    Parameters
    ----------
    spots : Spots
    position : Position
    written_as : str
    stated_m : (n,) array
        Uncertainty that each row of the sheet states; NaN where it doesn't.
    far, near_water : (m,) arrays of str
        Of each of the spots: a sentence for a flag, or empty.
    """

    spots: Spots
    position: Position
    written_as: str
    stated_m: NDArray[np.float64]
    far: NDArray[np.object_]
    near_water: NDArray[np.object_]


@dataclass(frozen=True)
class SiteTable:
    """A table of sites.

    Parameters
    ----------
    table : TextTable
    fields : Fields
    places : PlaceSource
    dates : Dates
    of_name : mapping of str to int
        Row of a site's name in lower case, each name's first.
    fates : mapping of int to (str, str)
        Code and reason of the rows rejected.
    """

    table: TextTable
    fields: Fields
    places: PlaceSource
    dates: Dates
    of_name: Mapping[str, int]
    fates: Mapping[int, tuple[str, str]]

    def rows_of(self, site: TextColumn) -> NDArray[np.intp]:
        """Return the table's row for each site named; -1 for those it doesn't hold."""
        return site.each(lambda word: self.of_name.get(word.casefold(), -1), dtype=np.intp)


def check_sites(fields: Fields, verdicts: Verdicts, table: TextTable) -> dict[str, int]:
    """Return the row of each site's name, in lower case, rejecting rows without a name and names that come again."""
    site = fields["site"]
    verdicts.reject(site.empty, "site-missing", "the site is empty; expected the name that records give it")
    of_name: dict[str, int] = {}
    again = np.zeros(len(table), dtype=bool)
    words: list[str] = []
    codes = np.zeros(len(table), dtype=np.int32)
    for row, name in enumerate(site.texts()):
        if not name:
            continue
        first = of_name.setdefault(name.casefold(), row)
        if first != row:
            again[row] = True
            codes[row] = len(words)
            words.append(f'the site "{name}" is in row {table.row[first]} already; expected each site once')
    if words:
        verdicts.reject(again, "site-twice", TextColumn(codes, tuple(words)))
    return of_name


def reject_spots(spots: Spots, verdicts: Verdicts, of_row: NDArray[np.intp], mask: NDArray[np.bool_]) -> None:
    """Reject the rows whose place can't be used."""
    reasons = TextColumn(of_row.astype(np.int32), tuple(spots.reason))
    for code in dict.fromkeys(spots.code.tolist()):
        if code:
            verdicts.reject(mask & (spots.code == code)[of_row], code, reasons)


def has_own_place(fields: Fields, layout: Layout, table: TextTable) -> NDArray[np.bool_]:
    """Tell which rows say anything about their place."""
    if not layout.written_as:
        return np.zeros(len(table), dtype=bool)
    if layout.from_geometry:
        columns = [table.columns[name] for name in table.geometry_columns]
    else:
        columns = [fields[name] for name in POSITION_FIELDS[layout.written_as]]
    said = np.zeros(len(table), dtype=bool)
    for column in columns:
        said |= ~column.empty
    return said


def join_places(
    fields: Fields,
    stated_m: NDArray[np.float64],
    own: PlaceSource | None,
    own_rows: NDArray[np.bool_],
    sites: SiteTable | None,
    verdicts: Verdicts,
) -> dict[str, NDArray[Any]]:
    """Return each row's place, rejecting rows that have none that can be used.

    Parameters
    ----------
    fields : Fields
    stated_m : (n,) array
        Uncertainty that the row states.
    own : PlaceSource or None
    own_rows : (n,) array of bool
        Rows with a place of their own.
    sites : SiteTable or None
    verdicts : Verdicts

    Returns
    -------
    dict
        The columns of an observation from ``longitude`` to ``transformation``, and ``_far``, ``_near_water``.
    """
    rows = len(fields)
    places = _no_places(rows)
    if own is not None:
        chosen = own_rows if sites is not None else np.ones(rows, dtype=bool)
        reject_spots(own.spots, verdicts, own.spots.of_row, chosen)
        _fill(places, chosen, own, own.spots.of_row, stated_m)
    if sites is None:
        return places
    at = sites.rows_of(fields["site"])
    wanted = ~own_rows
    verdicts.reject(
        wanted & fields["site"].empty, "position-missing", "the row has neither a place of its own nor a site"
    )
    verdicts.reject(
        wanted & (at < 0) & ~fields["site"].empty, "site-not-in-table", _absent_sites(fields["site"], sites)
    )
    unusable = np.isin(at, list(sites.fates))
    verdicts.reject(wanted & unusable, "site-not-in-table", _rejected_sites(fields["site"], sites))
    found = wanted & (at >= 0)
    safe = np.maximum(at, 0)
    stated = np.where(np.isnan(stated_m), sites.places.stated_m[safe], stated_m)
    _fill(places, found, sites.places, sites.places.spots.of_row[safe], stated)
    return places


def fill_texts(fields: Fields, sites: SiteTable | None) -> dict[str, NDArray[np.object_]]:
    """Return the texts of each row's site, visit, habitat, recorder and note; a table of sites fills the empty ones.

    A site is spelt as its table spells it.
    """
    texts = {name: fields[name].texts() for name in ("site", *FILLED, "note")}
    if sites is None:
        return texts
    at = sites.rows_of(fields["site"])
    known, safe = at >= 0, np.maximum(at, 0)
    texts["site"] = np.where(known, sites.fields["site"].texts()[safe], texts["site"])
    for name in FILLED:
        empty = known & (texts[name] == "")
        texts[name] = np.where(empty, sites.fields[name].texts()[safe], texts[name])
    return texts


def name_sites(sites: NDArray[np.object_], places: Mapping[str, NDArray[Any]]) -> NDArray[np.object_]:
    """Return the sites' names; a row without one gets a name made of its place, rounded to metres."""
    nameless = np.flatnonzero((sites == "") & np.isfinite(places["x_m"]) & np.isfinite(places["y_m"]))
    if not len(nameless):
        return sites
    named = sites.copy()
    east = np.rint(places["x_m"][nameless]).astype(np.int64).tolist()
    north = np.rint(places["y_m"][nameless]).astype(np.int64).tolist()
    named[nameless] = [f"@{e}-{n}" for e, n in zip(east, north, strict=True)]
    return named


def _no_places(rows: int) -> dict[str, NDArray[Any]]:
    def text() -> NDArray[Any]:
        return np.full(rows, "", dtype=object)

    def number() -> NDArray[Any]:
        return np.full(rows, np.nan)

    return {
        "longitude": number(), "latitude": number(), "easting": number(), "northing": number(),
        "grid_reference": text(), "crs": text(), "x_m": number(), "y_m": number(),
        "position_uncertainty_m": number(), "transformation": text(), "_far": text(), "_near_water": text(),
    }  # fmt: skip


def _fill(
    places: dict[str, NDArray[Any]],
    mask: NDArray[np.bool_],
    source: PlaceSource,
    spot: NDArray[np.intp],
    stated_m: NDArray[np.float64],
) -> None:
    spots = source.spots
    degrees = source.written_as == "longitude-latitude"
    first, second = ("longitude", "latitude") if degrees else ("easting", "northing")
    radius = uncertainty(spots, stated_m, source.position, spot)
    by_row: dict[str, NDArray[Any]] = {
        first: spots.first[spot],
        second: spots.second[spot],
        "grid_reference": spots.reference[spot],
        "crs": spots.crs[spot],
        "x_m": spots.x_m[spot],
        "y_m": spots.y_m[spot],
        "position_uncertainty_m": radius,
        "transformation": spots.transformation[spot],
        "_far": source.far[spot],
        "_near_water": source.near_water[spot],
    }
    for name, values in by_row.items():
        places[name][mask] = values[mask]


def _absent_sites(site: TextColumn, sites: SiteTable) -> TextColumn:
    names = list(sites.fields["site"].used)

    def sentence(word: str) -> str:
        if word.casefold() in sites.of_name:
            return ""
        near = difflib.get_close_matches(word, names, n=1, cutoff=0.75)
        hint = f'the nearest is "{near[0]}"' if near else "expected one of its sites, or a place in the row"
        return f'the site "{word}" is not in {sites.table.shown}; {hint}'

    return site.changed(sentence)


def _rejected_sites(site: TextColumn, sites: SiteTable) -> TextColumn:
    def sentence(word: str) -> str:
        row = sites.of_name.get(word.casefold(), -1)
        if row not in sites.fates:
            return ""
        where = f"row {sites.table.row[row]} of {sites.table.shown}"
        return f'the site "{word}" is in {where}, which was rejected: {sites.fates[row][1]}'

    return site.changed(sentence)
