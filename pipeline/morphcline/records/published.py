"""Where sites are drawn: in the square that hides them, apart from the others that share it."""

from __future__ import annotations

import zlib

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def published_places(sites: pd.DataFrame) -> pd.DataFrame:
    """Return where each site is drawn.

    Parameters
    ----------
    sites : DataFrame
        The public table of sites: ``site``, ``x_m``, ``y_m`` and ``blur_m``; empty places are withheld.

    Returns
    -------
    DataFrame
        One row a site that has a place, in the order given: ``site``, ``shown_as``, ``x_m``, ``y_m`` (centre of the
        square, or the place itself where it isn't hidden) and ``drawn_x_m``, ``drawn_y_m``. Sites that share a square
        are drawn on a small lattice within it so that they don't hide each other; their order there has nothing to do
        with where in the square they lie.
    """
    seen = sites[sites["x_m"].notna() & sites["y_m"].notna()]
    x, y, side = (seen[name].to_numpy(np.float64) for name in ("x_m", "y_m", "blur_m"))
    shift_x, shift_y = _lattice(x, y, seen["site"].astype(str), side)
    return pd.DataFrame(
        {"site": seen["site"].to_numpy(), "shown_as": seen["site"].astype(str).to_numpy(), "x_m": x, "y_m": y,
         "drawn_x_m": x + shift_x, "drawn_y_m": y + shift_y}
    )  # fmt: skip


def _lattice(x: Floats, y: Floats, names: pd.Series, side: Floats) -> tuple[Floats, Floats]:
    frame = pd.DataFrame({"x": x, "y": y, "side": side, "order": _shuffled(names)})
    square = ["x", "y", "side"]
    groups = frame.sort_values([*square, "order"], kind="stable").groupby(square)
    rank = groups.cumcount().reindex(frame.index).to_numpy()
    size = frame.groupby(square)["order"].transform("size").to_numpy()
    per_row = np.ceil(np.sqrt(size))
    rows = np.ceil(size / np.maximum(per_row, 1))
    column, row = rank % per_row, rank // per_row
    return ((column + 0.5) / per_row - 0.5) * side, ((row + 0.5) / rows - 0.5) * side


def _shuffled(names: pd.Series) -> NDArray[np.int64]:
    """Return sort keys that are the same every time and follow nothing."""
    return np.array([zlib.crc32(name.encode()) for name in names], dtype=np.int64)
