"""Where samples stand for the maps: in the squares that hide them.

A smoothed surface is a sum over the sites with known weights. Its cells are many more than the sites' coordinates, and
from their digits every site's place could be computed back, to less than a metre. So what is drawn for the public is
drawn from what is public.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from morphcline.records.smoothing import Samples
from morphcline.stats.barriers import blocked
from morphcline.stats.kernels import Flags, Floats

#: Points along a square's side where a site may stand that a barrier parts from the centre; and how many of them must
#: lie on the site's side of it.
_POINTS, _LEAST = 8, 4


def drawn_samples(samples: Samples, sites: pd.DataFrame, barriers: Floats) -> Samples:
    """Return the samples at the places that are drawn; those without one are left out.

    Parameters
    ----------
    samples : Samples
        At their exact places.
    sites : DataFrame
        As the public sees them: ``site, x_m, y_m, blur_m``.
    barriers : array (segments, 4)

    Notes
    -----
    That is the centre of the square, or, where a barrier parts the square, the point nearest to the centre on the
    site's side: as long as a sixteenth of the square lies there, or else the centre after all.
    """
    public = sites.set_index("site").loc[list(samples.names), ["x_m", "y_m", "blur_m"]].to_numpy(np.float64)
    places, side = public[:, :2].copy(), public[:, 2]
    if len(barriers):
        for row in np.flatnonzero(side > 0):
            here = samples.places[row : row + 1]
            if blocked(here, places[row : row + 1], barriers)[0, 0]:
                places[row] = _on_its_side(here, places[row], float(side[row]), barriers)
    shown = np.isfinite(places).all(axis=1)
    if shown.all() and np.array_equal(places, samples.places):
        return samples
    return replace(
        samples,
        names=tuple(name for name, seen in zip(samples.names, shown, strict=True) if seen),
        places=places[shown],
        count=samples.count[shown],
        total=samples.total[shown],
    )


def _on_its_side(here: Floats, centre: Floats, side: float, barriers: Floats) -> Floats:
    steps = ((np.arange(_POINTS) + 0.5) / _POINTS - 0.5) * side
    east, north = np.meshgrid(steps, steps)
    points: Floats = centre + np.column_stack([east.ravel(), north.ravel()])
    apart = np.hypot(*(points[:, None] - points).transpose(2, 0, 1))
    # Sides are what neighbouring points have in common, so that they don't depend on where the site is seen from.
    seen = (apart <= 1.01 * side / _POINTS) & ~blocked(points, points, barriers)
    label = connected_components(coo_array(seen), directed=False)[1]
    away = np.hypot(*(points - here).T)
    free: Flags = ~blocked(here, points, barriers)[0]
    if not free.any():
        return centre
    own = label == label[np.where(free, away, np.inf).argmin()]
    if own.sum() < _LEAST:
        return centre
    nearest: Floats = points[np.where(own, np.hypot(*(points - centre).T), np.inf).argmin()]
    return nearest
