"""Accepted observations that a person should look at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.places.site_position import ONE_SITE_M, rows_that_agree
from morphcline.scoring.species import expected_lip

#: More shells than this in one row are worth a second look: it takes days to score them.
LARGE_COUNT = 1_000

#: A place that isn't known within this distance says little about a site or its habitat, in metres.
VAGUE_M = 10_000.0

#: What each flag means; what concerns a place or a sample is flagged on its first row in a file.
FLAGS = {
    "mended-score": "the banding was mended before it could be read",
    "mended-date": "the date was a workbook's number for a day",
    "lip-against-species": "the lip is the other species'",
    "date-absent": "no date",
    "date-in-future": "the date has not come yet",
    "far-from-rest": "the place lies outside the study's area, or far from most of the others",
    "position-vague": f"the place is not known within {VAGUE_M / 1000:.0f} km",
    "near-water": "the place lies in water, with land within its uncertainty or 100 m",
    "habitat-disagrees": "the recorder's habitat is not among the raster's at the place",
    "name-in-two-places": "one survey has the site's name at places too far apart",
    "double": "the same was recorded twice at one place; both are kept",
    "count-large": f"more than {LARGE_COUNT:,} shells in one row",
    "small-sample": "fewer shells counted than the study asks of a sample",
}
_ORDER = {code: place for place, code in enumerate(FLAGS)}


@dataclass
class Flags:
    """Collects flags on observations.

    Parameters
    ----------
    observations : DataFrame
    """

    observations: pd.DataFrame
    _found: list[tuple[NDArray[np.intp], str, list[str]]] = field(default_factory=list, init=False)

    def add(self, where: NDArray[np.intp], code: str, sentences: Sequence[str]) -> None:
        """Flag observations, given by position, each with a sentence."""
        if code not in _ORDER:
            raise KeyError(code)
        if len(where):
            self._found.append((where, code, list(sentences)))

    def add_once(self, mask: NDArray[np.bool_], code: str, sentences: pd.Series, key: Sequence[str]) -> None:
        """Flag the first observation of each group of masked ones, saying how many more rows there are."""
        chosen = np.flatnonzero(mask)
        if not len(chosen):
            return
        group = group_codes(self.observations, key, chosen)
        rows = group_codes(self.observations, ["source", "row"], chosen)
        first = ~pd.Series(group).duplicated().to_numpy()
        size = pd.Series(rows).groupby(group).nunique().to_numpy()[group[first]]
        told = sentences.to_numpy(dtype=object)[chosen[first]]
        self.add(chosen[first], code, [f"{text}{_and_more(n)}" for text, n in zip(told, size.tolist(), strict=True)])

    def table(self, columns: Sequence[str]) -> pd.DataFrame:
        """Return ``source, row, flag_code, flag`` and the other columns of the observations flagged, in their order."""
        where = np.concatenate([found[0] for found in self._found] or [np.empty(0, dtype=np.intp)]).astype(np.intp)
        codes = [code for rows, code, _ in self._found for _ in rows]
        sentences = [text for _, _, texts in self._found for text in texts]
        order = np.lexsort((np.array([_ORDER[code] for code in codes], dtype=np.intp), where))
        table = self.observations[list(columns)].iloc[where[order]].reset_index(drop=True)
        table.insert(2, "flag_code", np.array(codes, dtype=object)[order])
        table.insert(3, "flag", np.array(sentences, dtype=object)[order])
        return table


def group_codes(table: pd.DataFrame, columns: Sequence[str], rows: NDArray[np.intp] | None = None) -> NDArray[np.intp]:
    """Return a number for each combination of some columns' values, in order of appearance."""
    codes = np.zeros(len(table) if rows is None else len(rows), dtype=np.int64)
    for name in columns:
        values = table[name] if rows is None else table[name].iloc[rows]
        own, uniques = pd.factorize(values, use_na_sentinel=False)
        codes, _ = pd.factorize(codes * max(len(uniques), 1) + own)
    return codes.astype(np.intp)


def flag_rows(flags: Flags, *, today: dt.date, min_shells: int) -> None:
    """Add every flag that the observations alone give rise to.

    Parameters
    ----------
    flags : Flags
        Their observations carry ``_layout``, ``_first_day``, ``_far``, ``_mended_score`` and ``_mended_date``.
    today : date
    min_shells : int
    """
    table = flags.observations
    if table.empty:
        return
    mended = np.flatnonzero((table["_mended_score"] != "").to_numpy())
    flags.add(mended, "mended-score", [f"banding {text}" for text in table["_mended_score"].iloc[mended]])
    dated = (table["_mended_date"] != "").to_numpy()
    flags.add_once(dated, "mended-date", table["_mended_date"], ["source", "site", "date"])
    _flag_lips(flags)
    absent = pd.Series("the date is empty", index=table.index)
    flags.add_once((table["date"] == "").to_numpy(), "date-absent", absent, ["source", "site"])
    future = (table["_first_day"] > today.toordinal()).to_numpy()
    flags.add_once(
        future, "date-in-future", "the date " + table["date"] + " has not come yet", ["source", "site", "date"]
    )
    far = (table["_far"] != "").to_numpy()
    flags.add_once(far, "far-from-rest", table["_far"], ["source", "site", "x_m", "y_m"])
    _flag_vague(flags)
    _flag_names(flags)
    _flag_doubles(flags)
    large = np.flatnonzero((table["count"] > LARGE_COUNT).to_numpy())
    flags.add(large, "count-large", [f"the count is {n:,}; is it meant?" for n in table["count"].iloc[large].tolist()])
    _flag_samples(flags, min_shells)


def _and_more(rows: int) -> str:
    if rows == 1:
        return ""
    return f" (and {rows - 1} more row{'s' if rows > 2 else ''} alike)"


def _flag_lips(flags: Flags) -> None:
    table = flags.observations
    rule = {name: expected_lip(name) for name in table["species"].unique()}
    expected = table["species"].map(rule).to_numpy(dtype=object)
    lip = table["lip"].to_numpy(dtype=object)
    wrong = np.flatnonzero(np.isin(lip, ["dark", "white"]) & (expected != "") & (lip != expected))
    sentences = [f"the lip is {lip[k]}, and that of {table['species'].iloc[k]} is usually {expected[k]}" for k in wrong]
    flags.add(wrong, "lip-against-species", sentences)


def _flag_vague(flags: Flags) -> None:
    table = flags.observations
    radius = table["position_uncertainty_m"]
    told = (radius / 1000).map("the place is known within {:.0f} km only".format)
    flags.add_once((radius > VAGUE_M).to_numpy(), "position-vague", told, ["source", "site", "x_m", "y_m"])


def _flag_names(flags: Flags) -> None:
    """Flag, for each site's name, the place that most of its rows agree on, and those too far from it."""
    table = flags.observations
    line = group_codes(table, ["source", "row"])
    place = group_codes(table, ["survey", "site", "x_m", "y_m"])
    places = (
        table.assign(_place=place, _line=line, _at=np.arange(len(table)))
        .groupby("_place", sort=True)
        .agg(
            survey=("survey", "first"), site=("site", "first"), x_m=("x_m", "first"), y_m=("y_m", "first"),
            radius=("position_uncertainty_m", "max"), rows=("_line", "nunique"), at=("_at", "first"),
        )
    )  # fmt: skip
    several = places[places.duplicated(["survey", "site"], keep=False)]
    where: list[int] = []
    sentences: list[str] = []
    for (_, name), group in several.groupby(["survey", "site"], sort=False):
        votes = rows_that_agree(group["x_m"], group["y_m"], group["radius"], group["rows"])
        usual = group.iloc[np.lexsort((group["at"], -group["rows"], -votes))[0]]
        apart = np.hypot(group["x_m"] - usual["x_m"], group["y_m"] - usual["y_m"])
        away = group[apart > ONE_SITE_M + group["radius"].fillna(0) + np.nan_to_num(usual["radius"])]
        if away.empty:
            continue
        for this, other in [(usual, away.iloc[0]), *((row, usual) for _, row in away.iterrows())]:
            distance = np.hypot(this["x_m"] - other["x_m"], this["y_m"] - other["y_m"])
            where.append(int(this["at"]))
            sentences.append(
                f'the site "{name}" lies {distance / 1000:.1f} km from where row {table["row"].iloc[other["at"]]} of '
                f"{table['source'].iloc[other['at']]} has it"
            )
    flags.add(np.array(where, dtype=np.intp), "name-in-two-places", sentences)


def _flag_doubles(flags: Flags) -> None:
    """Flag what is recorded twice at one place.

    In the layouts counts and wide a row says how many there were, so two rows that agree in everything are one too
    many. In the layout shells two rows that agree are two shells alike; there whole samples are compared, and one
    that another file holds too is a double.
    """
    table = flags.observations
    head = group_codes(table, ["survey", "site", "visit", "date", "recorder"])
    shells = (table["_layout"] == "shells").to_numpy()
    source = group_codes(table, ["source"])
    row = group_codes(table, ["source", "row"])
    unit, _ = pd.factorize(np.where(shells, head * (source.max() + 1) + source, row) * 2 + shells)
    content = group_codes(
        table, ["species", "qualifier", "colour", "banding", "band_class", "count", "age", "condition", "lip"]
    )
    hashed = pd.util.hash_array(content)  # added up, it doesn't depend on the order of a unit's observations
    units = (
        pd.DataFrame({"unit": unit, "head": head, "hash": hashed, "shells": shells, "at": np.arange(len(table))})
        .groupby("unit", sort=True)
        .agg(
            head=("head", "first"), sum=("hash", "sum"), size=("hash", "size"), shells=("shells", "first"),
            at=("at", "first"),
        )
    )  # fmt: skip
    key = ["head", "sum", "size", "shells"]
    alike = units[units.duplicated(key, keep=False)]
    alike = alike.assign(place=_same_places(table.iloc[alike["at"]], alike.groupby(key, sort=False).ngroup()))
    key = [*key, "place"]
    alike = alike[alike.duplicated(key, keep=False)]
    if alike.empty:
        return
    number = alike.groupby(key, sort=False).ngroup().to_numpy()
    position = alike["at"].to_numpy(dtype=np.intp)
    first = position[np.unique(number, return_index=True)[1]][number]
    second = position[alike.groupby(key, sort=False).cumcount().to_numpy() == 1][number]
    other = np.where(position == first, second, first)
    told = [
        f"the {'sample' if whole else 'row'} is the same as {'that from ' if whole else ''}row {table['row'].iloc[k]} "
        f"of {table['source'].iloc[k]}; both are {'counted' if counted else 'kept'}: delete one if it is a double"
        for k, whole, counted in zip(other, alike["shells"], table["counted"].iloc[position], strict=True)
    ]
    flags.add(position, "double", told)


def _same_places(rows: pd.DataFrame, group: pd.Series) -> NDArray[np.intp]:
    """Return a number for each place within each group; places within their uncertainties of its first are the same."""
    east, north = rows["x_m"].to_numpy(dtype=float), rows["y_m"].to_numpy(dtype=float)
    radius = np.nan_to_num(rows["position_uncertainty_m"].to_numpy(dtype=float))
    place = np.zeros(len(rows), dtype=np.intp)
    where = pd.DataFrame({"group": group.to_numpy(), "east": east, "north": north})
    several = where.drop_duplicates()["group"].value_counts().loc[lambda number: number > 1].index
    for _, members in where[where["group"].isin(several)].groupby("group", sort=False):
        left, number = members.index.to_numpy(), 0
        while len(left):
            apart = np.hypot(east[left] - east[left[0]], north[left] - north[left[0]])
            same = (apart <= radius[left] + radius[left[0]]) | (np.arange(len(left)) == 0)
            place[left[same]] = number
            left, number = left[~same], number + 1
    return place


def _flag_samples(flags: Flags, min_shells: int) -> None:
    table = flags.observations
    counted = np.flatnonzero(table["counted"].to_numpy(dtype=bool))
    if not len(counted):
        return
    sample = group_codes(table, ["survey", "site", "visit", "species"], counted)
    total = np.bincount(sample, weights=table["count"].to_numpy()[counted]).astype(np.int64)
    first = ~pd.Series(sample).duplicated().to_numpy()
    small = first & (total[sample] < min_shells)
    sentences = [
        f"the sample holds {n} counted shell{'s' if n != 1 else ''} of its species; the study asks for {min_shells}"
        for n in total[sample[small]].tolist()
    ]
    flags.add(counted[small], "small-sample", sentences)
