"""Places as they may be shown to the public: moved to the centre of a square, and under a name that tells no more."""

from __future__ import annotations

import zlib

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.places.grid import blur

Floats = NDArray[np.float64]


def published_places(sites: pd.DataFrame, *, blur_m: float) -> pd.DataFrame:
    """Return where, and under what name, each site is shown.

    Parameters
    ----------
    sites : DataFrame
        Columns ``site``, ``x_m`` and ``y_m``.
    blur_m : float
        Side of the square; 0 shows the places exactly.

    Returns
    -------
    DataFrame
        One row a site, in the order given: ``site`` (the key, not for the public), ``shown_as``, ``x_m``, ``y_m``
        (centre of the square) and ``drawn_x_m``, ``drawn_y_m``. Sites that share a square are drawn on a small
        lattice within it so that they don't hide each other; their order there has nothing to do with where in the
        square they lie.

    Notes
    -----
    An id that was made from a place (``@451200-6432150``) is replaced by a number while places are blurred.
    """
    easting = sites["x_m"].to_numpy(np.float64)
    northing = sites["y_m"].to_numpy(np.float64)
    shown = sites["site"].astype(str)
    if blur_m <= 0 or sites.empty:
        drawn_x, drawn_y, x, y = easting, northing, easting, northing
    else:
        x, y = (np.asarray(values, dtype=np.float64) for values in blur(easting, northing, blur_m))
        shift_x, shift_y = _lattice(x, y, shown, blur_m)
        drawn_x, drawn_y = x + shift_x, y + shift_y
        shown = _without_places(shown, x, y)
    return pd.DataFrame(
        {"site": sites["site"].to_numpy(), "shown_as": shown.to_numpy(), "x_m": x, "y_m": y,
         "drawn_x_m": drawn_x, "drawn_y_m": drawn_y}
    )  # fmt: skip


def _lattice(x: Floats, y: Floats, names: pd.Series, side: float) -> tuple[Floats, Floats]:
    frame = pd.DataFrame({"x": x, "y": y, "order": _shuffled(names)})
    groups = frame.sort_values(["x", "y", "order"], kind="stable").groupby(["x", "y"])
    rank = groups.cumcount().reindex(frame.index).to_numpy()
    size = frame.groupby(["x", "y"])["order"].transform("size").to_numpy()
    per_row = np.ceil(np.sqrt(size))
    rows = np.ceil(size / per_row)
    column, row = rank % per_row, rank // per_row
    return ((column + 0.5) / per_row - 0.5) * side, ((row + 0.5) / rows - 0.5) * side


def _without_places(names: pd.Series, x: Floats, y: Floats) -> pd.Series:
    made = names.str.startswith("@").to_numpy()
    order = np.lexsort((_shuffled(names), y, x))
    renamed = names.to_numpy(dtype=object).copy()
    renamed[order[made[order]]] = [f"unnamed site {n + 1}" for n in range(int(made.sum()))]
    return pd.Series(renamed, index=names.index)


def _shuffled(names: pd.Series) -> NDArray[np.int64]:
    """Return sort keys that are the same every time and follow nothing: an id made from a place sorts by place."""
    return np.array([zlib.crc32(name.encode()) for name in names], dtype=np.int64)
