"""What each site is called in everything that comes out: a name that tells neither a place nor a person."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pandas as pd
from pyproj import Transformer

from morphcline.places.grid_references import UnreadableReferenceError, read_grid_reference

#: How a name that was made of a place begins; no such name leaves the records as they were read.
MADE = "@"

E_MAIL = re.compile(r"[^\s@<>(),;]+@[^\s@<>(),;]+\.[^\s@<>(),;]+")
_DEGREES = re.compile(r"-?\d{1,3}[.,]\d{3,}\D+?-?\d{1,3}[.,]\d{3,}")
_METRES = re.compile(r"(?<!\d)\d{6,7}(?:[.,]\d+)?\D+\d{6,7}(?!\d)")
#: A reference to a square that lies farther off than this is a code that only looks like one.
_NEAR_M = 5_000.0

COLUMNS = {
    "survey": "earlier survey's name; empty for the study's own survey",
    "site": "the site in every table and map",
    "recorded_as": "its name in the records; empty: it has none, and its rows are known by their place alone",
}


def name_for_public(
    table: pd.DataFrame, *, crs: str, blur_m: float, keep_names: bool
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
        Show recorded names, but for those that tell a place finer than that or hold an e-mail address.

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
    recorded = table["site"].astype(str)
    first = table.loc[~recorded.duplicated(), ["x_m", "y_m"]].assign(site=recorded[~recorded.duplicated()])
    taken = set(first["site"])
    unnamed, hidden = _numbers("unnamed", taken), _numbers("site", taken)
    shown: dict[str, str] = {}
    for east, north, name in first.itertuples(index=False):
        if name.startswith(MADE):
            shown[name] = next(unnamed)
        elif name and (not keep_names or _tells(name, float(east), float(north), crs, blur_m)):
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


def _tells(name: str, easting: float, northing: float, crs: str, blur_m: float) -> bool:
    if E_MAIL.search(name):
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
