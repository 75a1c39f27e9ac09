"""What each site is called in everything that comes out: a name that tells neither a place nor a person."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import pandas as pd
from pyproj import Transformer

from morphcline.places.grid_references import UnreadableReferenceError, read_grid_reference

#: How a name that was made of a place begins; no such name leaves the records as they were read.
MADE = "@"

E_MAIL = re.compile(r"[^\s@<>(),;]+@[^\s@<>(),;]+\.[^\s@<>(),;]+")
_DATE = re.compile(r"\d{4}-\d{2}(?:-\d{2})?")
_TELEPHONE = re.compile(r"(?<![\w./-])(?:\+|0)\d[\d ()./-]{6,}\d(?!\w)")
_LEAST_DIGITS = 9
_DEGREES = re.compile(r"-?\d{1,3}[.,]\d{3,}\D+?-?\d{1,3}[.,]\d{3,}")
_METRES = re.compile(r"(?<!\d)\d{6,7}(?:[.,]\d+)?\D+\d{6,7}(?!\d)")
#: A reference to a square that lies farther off than this is a code that only looks like one.
_NEAR_M = 5_000.0

COLUMNS = {
    "survey": "earlier survey's name; empty for the study's own survey",
    "site": "the site in every table and map",
    "recorded_as": "its name in the records; empty: it has none, and its rows are known by their place alone",
}


class People:
    """Tell whether a text names one of some people.

    Parameters
    ----------
    names : iterable of str
        As recorded; an e-mail address beside a name is no part of it.

    Notes
    -----
    A text names somebody who is named in it in full, or by the last name (unless the land has such names too: hill,
    wood), or by any name that owns something in it ("Tansy's garden"). Words of fewer than three letters are initials.
    """

    def __init__(self, names: Iterable[str]):
        full: set[str] = set()
        last: set[str] = set()
        any_name: set[str] = set()
        for name in set(names):
            words = _words(E_MAIL.sub("", name))
            if not words:
                continue
            if len(words) > 1:
                full.add(" ".join(words))
            any_name.update(word for word in words if len(word) >= 3)
            if len(words[-1]) >= 3 and words[-1] not in _OF_THE_LAND:
                last.add(words[-1])
        self._full, self._last, self._any = full, last, any_name

    def in_text(self, text: str) -> bool:
        """Return whether a text names one of them."""
        words = _words(text)
        if self._last.intersection(words):
            return True
        joined = f" {' '.join(words)} "
        if any(f" {name} " in joined for name in self._full):
            return True
        return bool(self._any.intersection(_OWNER.findall(text.casefold())))


_OWNER = re.compile(r"([^\W\d_]+)['\u2019]s?(?!\w)")
#: Last names that places bear by themselves.
_OF_THE_LAND = frozenset({
    "bank", "bridge", "brook", "bush", "church", "common", "dale", "down", "east", "farm", "field", "fields", "ford",
    "garden", "gate", "grange", "green", "grove", "hall", "heath", "hedge", "hill", "hills", "house", "lane", "lea",
    "marsh", "meadow", "mill", "moor", "north", "orchard", "park", "pond", "road", "shaw", "south", "stone", "street",
    "town", "vale", "valley", "wall", "water", "west", "wood", "woods",
})  # fmt: skip


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W\d_]+", re.sub(r"['\u2019]s?(?!\w)", " ", text.casefold()))


def tells_somebody(text: str, people: People) -> bool:
    """Return whether a text holds an e-mail address, a telephone number or the name of one of some people."""
    if E_MAIL.search(text) or people.in_text(text):
        return True
    numbers = _TELEPHONE.findall(_DATE.sub(" ", text))
    return any(sum(character.isdigit() for character in number) >= _LEAST_DIGITS for number in numbers)


def visits_for_public(table: pd.DataFrame, people: People) -> pd.Series:
    """Return the visits as they may be shown: numbers for those that tell a person or a place."""
    recorded = table["visit"].astype(str)
    texts = list(dict.fromkeys(recorded))
    numbers = _numbers("visit", set(texts))
    return recorded.map({text: next(numbers) if _tells_much(text, people) else text for text in texts})


def _tells_much(text: str, people: People) -> bool:
    return bool(_DEGREES.search(text) or _METRES.search(text)) or tells_somebody(text, people)


def name_for_public(
    table: pd.DataFrame, *, crs: str, blur_m: float, keep_names: bool, people: People | None = None
) -> tuple[pd.Series, pd.DataFrame]:
    """Return the sites' names as they may be shown, and which recorded name stands behind each.

    Parameters
    ----------
    table : DataFrame
        Observations in the order they were read: ``survey``, ``site`` as recorded (made of the place, with :data:`MADE`
        in front, where the row named none), ``x_m``, ``y_m`` in ``crs``.
    crs : str
    blur_m : float
        Side of the square in which places are hidden; 0: they aren't.
    keep_names : bool
        Show recorded names, but for those that tell a place finer than that, or a person.
    people : People, optional
        Who mustn't be named.

    Returns
    -------
    Series
        Of the table's index.
    DataFrame
        Columns :data:`COLUMNS`.

    Notes
    -----
    Numbers follow the order in which sites were first met, so that rows added at the end leave the others' alone, and
    no number tells where a site lies.
    """
    recorded, people = table["site"].astype(str), people or People(())
    first = table.loc[~recorded.duplicated(), ["x_m", "y_m"]].assign(site=recorded[~recorded.duplicated()])
    taken = set(first["site"])
    unnamed, hidden = _numbers("unnamed", taken), _numbers("site", taken)
    shown: dict[str, str] = {}
    for east, north, name in first.itertuples(index=False):
        if name.startswith(MADE):
            shown[name] = next(unnamed)
        elif name and (not keep_names or _tells(name, float(east), float(north), crs, blur_m, people)):
            shown[name] = next(hidden)
        else:
            shown[name] = name
    public = recorded.map(shown)
    names = pd.DataFrame({"survey": table["survey"], "site": public, "recorded_as": recorded})
    names = names.drop_duplicates().sort_values(["survey", "site"], kind="stable", ignore_index=True)
    names["recorded_as"] = names["recorded_as"].where(~names["recorded_as"].str.startswith(MADE), "")
    return public, names


def _numbers(word: str, taken: set[str]) -> Iterator[str]:
    number = 0
    while True:
        number += 1
        name = f"{word} {number:04d}"
        if name not in taken:
            yield name


def _tells(name: str, easting: float, northing: float, crs: str, blur_m: float, people: People) -> bool:
    if tells_somebody(name, people):
        return True
    if blur_m <= 0:
        return False
    if _DEGREES.search(name) or _METRES.search(name):
        return True
    try:
        square = read_grid_reference(name)
    except UnreadableReferenceError:
        return False
    if square.size_m >= blur_m:
        return False
    east, north = Transformer.from_crs(square.crs, crs, always_xy=True).transform(square.easting, square.northing)
    return bool(abs(east - easting) < _NEAR_M and abs(north - northing) < _NEAR_M)
