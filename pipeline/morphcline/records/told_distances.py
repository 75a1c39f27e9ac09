"""Points and distances that tables tell, no finer than the squares that hide the sites.

A mean of places tells one of them, where another mean leaves it out; a distance from a known place draws a circle.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morphcline.records.change_table import ChangeTables

#: Columns that count metres from the origin along the bearing.
_FROM_ORIGIN = ("centre_m", "centre_low", "centre_high", "centre_low_given_ends", "centre_high_given_ends")


def steps_up(metres: ArrayLike, step_m: float) -> NDArray[np.float64]:
    """Return distances raised to whole steps; as they are where the step is 0."""
    metres = np.asarray(metres, dtype=np.float64)
    return np.ceil(metres / step_m) * step_m if step_m > 0 else metres


def nearest_step(metres: ArrayLike, step_m: float) -> NDArray[np.float64]:
    """Return values rounded to whole steps; as they are where the step is 0."""
    metres = np.asarray(metres, dtype=np.float64)
    return np.round(metres / step_m) * step_m if step_m > 0 else metres


def told_from(clines: pd.DataFrame, step_m: float) -> pd.DataFrame:
    """Return clines counted from points at whole steps, near the means of their sites.

    Parameters
    ----------
    clines : DataFrame
        ``origin_x_m, origin_y_m, bearing_deg`` and the centres, which count from there along the bearing.
    step_m : float
        0: from the means themselves.
    """
    if step_m <= 0 or clines.empty:
        return clines
    bearing = np.deg2rad(clines["bearing_deg"].to_numpy(np.float64))
    origin = clines[["origin_x_m", "origin_y_m"]].to_numpy(np.float64)
    rounded = nearest_step(origin, step_m)
    east, north = (rounded - origin).T
    moved = east * np.sin(bearing) + north * np.cos(bearing)
    shifted = {name: clines[name] - moved for name in _FROM_ORIGIN}
    return clines.assign(**shifted, origin_x_m=rounded[:, 0], origin_y_m=rounded[:, 1])


def told_change(tables: ChangeTables, *, within_m: float, step_m: float) -> ChangeTables:
    """Return the tables of change without the distances that would find a place beside one that is known.

    Parameters
    ----------
    tables : ChangeTables
    within_m : float
        Within which sites of two surveys are paired; means over pairs are raised to quarters of it.
    step_m : float
        To whole steps of which the distance of a site without a pair is raised. 0: all is told as it is.
    """
    if step_m <= 0:
        return tables
    pooled = tables.change["site"] == ""
    change = tables.change.assign(
        distance_m=pd.Series(steps_up(tables.change["distance_m"], within_m / 4), tables.change.index).where(pooled)
    )
    radius = tables.radius.assign(distance_m=steps_up(tables.radius["distance_m"], within_m / 4))
    unmatched = tables.unmatched.assign(nearest_m=steps_up(tables.unmatched["nearest_m"], step_m))
    return replace(tables, change=change, radius=radius, unmatched=unmatched)
