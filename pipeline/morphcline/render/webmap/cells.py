"""Many sites as equal squares: above a number that a browser can draw, the page shows pooled frequencies instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

#: Up to so many sites are drawn one by one.
MOST_SITES = 10_000
#: No more squares than this take their place.
MOST_CELLS = 3_000


@dataclass(frozen=True)
class Cells:
    """Sites pooled into squares.

    Attributes
    ----------
    side_m : float
    cells : DataFrame
        ``site`` (the square's name), ``x_m, y_m`` of its centre, ``sites``: how many lie in it.
    frequencies : DataFrame
        ``species, trait, site, count, total, sites``: pooled.
    sites : int
        How many were pooled.
    """

    side_m: float
    cells: pd.DataFrame
    frequencies: pd.DataFrame
    sites: int

    def corners(self) -> NDArray[np.float64]:
        """Return the squares' corners in metres: an array of shape (cells, 4, 2)."""
        half = self.side_m / 2
        around = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
        centres = self.cells[["x_m", "y_m"]].to_numpy(np.float64)
        return np.asarray(centres[:, None, :] + around[None, :, :])


def pool_into_cells(sites: pd.DataFrame, frequencies: pd.DataFrame, *, most: int = MOST_CELLS) -> Cells:
    """Pool sites into the smallest squares, of a round side, of which there are no more than asked for.

    Parameters
    ----------
    sites : DataFrame
        ``site, x_m, y_m, blur_m``: as published; a side below that of the squares that hide places would tell nothing.
    frequencies : DataFrame
        ``species, trait, site, count, total``.
    most : int
    """
    placed = sites[sites["x_m"].notna() & sites["y_m"].notna()]
    places = placed[["x_m", "y_m"]].to_numpy(np.float64)
    blurred = placed["blur_m"].to_numpy(np.float64)
    side = _round_side(places, most, least=float(np.nanmax(blurred)) if len(blurred) else 0.0)
    squares = np.floor(places / side).astype(np.int64)
    kinds, at, number = np.unique(squares, axis=0, return_inverse=True, return_counts=True)
    width = len(str(len(kinds)))
    names = np.array([f"{place + 1:0{width}d}" for place in range(len(kinds))])
    cells = pd.DataFrame(
        {
            "site": names,
            "x_m": (kinds[:, 0] + 0.5) * side,
            "y_m": (kinds[:, 1] + 0.5) * side,
            "sites": number,
        }
    )
    square_of = pd.Series(names[at.ravel()], index=placed["site"].to_numpy())
    judged = frequencies[(frequencies["total"] > 0) & frequencies["site"].isin(square_of.index)]
    pooled = (
        judged.assign(site=judged["site"].map(square_of))
        .groupby(["species", "trait", "site"], sort=False)
        .agg(count=("count", "sum"), total=("total", "sum"), sites=("total", "size"))
        .reset_index()
    )
    return Cells(side, cells, pooled, len(placed))


def _round_side(places: NDArray[np.float64], most: int, *, least: float) -> float:
    """Return the first of 100 m, 200 m, 500 m, 1 km, … that leaves no more squares than asked for."""
    exponent = 2
    while True:
        for step in (1, 2, 5):
            side = float(step * 10**exponent)
            if side >= least and len(np.unique(np.floor(places / side), axis=0)) <= most:
                return side
        exponent += 1
