"""Where divided circles have room: one a site, or one for the sites of a square, or none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

#: Diameters in millimetres: slices of a smaller circle aren't read, a larger one hides the map.
LEAST_MM = 3.2
MOST_MM = 6.4
#: More circles than this share overlapping another: neighbours are pooled.
MOST_OVERLAPPING = 0.1
#: Fewer squares than this along the map's shorter side tell no pattern: sites show their commonest class instead.
FEWEST_SQUARES = 4
_NICE = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)

ONE_A_SITE, ONE_A_SQUARE, COMMONEST = "sites", "squares", "commonest"


@dataclass(frozen=True)
class Room:
    """How a map's circles are drawn, by the room that they have.

    Parameters
    ----------
    way : {"sites", "squares", "commonest"}
        A circle a site; a circle for the sites of a square; no circles.
    side_m : float
        Of the squares; 0 without.
    overlapping : float
        Share of the sites' circles that would overlap another.
    full_at : float
        Shells at which circles stop growing; at a quarter of them they stop shrinking.
    """

    way: str
    side_m: float
    overlapping: float
    full_at: float


def room_for_circles(
    tables: Sequence[pd.DataFrame], *, metres_per_mm: float, shorter_side_mm: float, min_shells: float
) -> Room:
    """Decide how circles are drawn on maps of one scale; the same way on each.

    Parameters
    ----------
    tables : sequence of DataFrame
        One a map: ``drawn_x_m, drawn_y_m, total`` of the sites.
    metres_per_mm : float
        Scale of the map.
    shorter_side_mm : float
        Of the map.
    min_shells : float
        A circle stands for at least so many.
    """
    shown = [table[table["total"] >= min_shells] for table in tables]
    full_at = _full_at(pd.concat([table["total"] for table in shown]))
    share = max(_overlapping(table, metres_per_mm, full_at) for table in shown)
    if share <= MOST_OVERLAPPING:
        return Room(ONE_A_SITE, 0.0, share, full_at)
    side = nice_side(MOST_MM * metres_per_mm)
    if shorter_side_mm * metres_per_mm < FEWEST_SQUARES * side:
        return Room(COMMONEST, 0.0, share, full_at)
    pooled = pd.concat([pooled_by_square(table, side, ["total"])["total"] for table in tables])
    return Room(ONE_A_SQUARE, side, share, _full_at(pooled[pooled >= min_shells]))


def diameters_mm(total: ArrayLike, full_at: float) -> Floats:
    """Return circles' diameters: areas grow with the shells, from a quarter of ``full_at`` up to it.

    Examples
    --------
    >>> diameters_mm([10, 50, 100, 200, 900], full_at=200).round(2).tolist()
    [3.2, 3.2, 4.53, 6.4, 6.4]
    """
    shells = np.asarray(total, dtype=np.float64)
    return np.asarray(MOST_MM * np.sqrt(np.clip(shells / full_at, (LEAST_MM / MOST_MM) ** 2, 1.0)))


def pooled_by_square(sites: pd.DataFrame, side_m: float, counts: Sequence[str]) -> pd.DataFrame:
    """Return the sites of each square added up.

    Parameters
    ----------
    sites : DataFrame
        ``site, drawn_x_m, drawn_y_m, total`` and the columns to add up.
    side_m : float
        Squares lie at whole multiples of it.
    counts : sequence of str

    Returns
    -------
    DataFrame
        One row a square that has a shell, from the south-west by rows: ``drawn_x_m, drawn_y_m`` (mean of its sites
        weighted by shells), ``column, row`` of the square, ``sites`` (how many have a shell), ``members`` (their ids)
        and the counts.
    """
    used = sites[sites["total"] > 0]
    column = np.floor(used["drawn_x_m"] / side_m).astype(np.int64)
    row = np.floor(used["drawn_y_m"] / side_m).astype(np.int64)
    table = used.assign(
        column=column,
        row=row,
        weighted_x=used["drawn_x_m"] * used["total"],
        weighted_y=used["drawn_y_m"] * used["total"],
    )
    groups = table.groupby(["row", "column"], sort=True)
    pooled = groups[list(dict.fromkeys([*counts, "total"]))].sum()
    weights = groups[["weighted_x", "weighted_y"]].sum()
    pooled["drawn_x_m"] = weights["weighted_x"] / pooled["total"]
    pooled["drawn_y_m"] = weights["weighted_y"] / pooled["total"]
    pooled["sites"] = groups.size()
    if "site" in table:
        pooled["members"] = groups["site"].agg(lambda names: "; ".join(sorted(map(str, names))))
    return pooled.reset_index()


def kept_within(pooled: pd.DataFrame, side_m: float, radii_m: ArrayLike) -> pd.DataFrame:
    """Return pooled sites with their circles moved to lie within their squares, so that no two overlap."""
    radii = np.asarray(radii_m, dtype=np.float64)
    moved = pooled.copy()
    for axis, index in (("drawn_x_m", "column"), ("drawn_y_m", "row")):
        start = pooled[index].to_numpy(np.float64) * side_m
        moved[axis] = np.clip(pooled[axis].to_numpy(np.float64), start + radii, start + side_m - radii)
    return moved


def nice_side(least: float) -> float:
    """Return the smallest of 1, 1.5, 2, 2.5, 3, 4, 5, 6 and 8 times a power of ten that isn't below a length.

    Examples
    --------
    >>> nice_side(2900), nice_side(8100), nice_side(150)
    (3000.0, 10000.0, 150.0)
    """
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(step * power for step in (*_NICE, 10.0) if step * power >= least * (1 - 1e-9)))


def _full_at(totals: pd.Series) -> float:
    """Return shells at which circles are full: of 20, 40, 100, 200, 400, … the first not below four in five samples."""
    if totals.empty:
        return 100.0
    high = float(totals.quantile(0.8))
    return float(next(n for power in (10, 100, 1000, 10_000, 100_000) for n in (2 * power, 4 * power, 10 * power)
                      if n >= high or n >= 1_000_000))  # fmt: skip


def _overlapping(sites: pd.DataFrame, metres_per_mm: float, full_at: float) -> float:
    if len(sites) < 2:
        return 0.0
    places = sites[["drawn_x_m", "drawn_y_m"]].to_numpy(np.float64) / metres_per_mm
    radii = diameters_mm(sites["total"], full_at) / 2
    pairs = cKDTree(places).query_pairs(MOST_MM, output_type="ndarray")
    apart = np.hypot(*(places[pairs[:, 0]] - places[pairs[:, 1]]).T)
    touching = pairs[apart < radii[pairs[:, 0]] + radii[pairs[:, 1]]]
    return len(np.unique(touching)) / len(sites)
