"""Barriers that a sample doesn't speak across: which places see each other past ridges, rivers and roads."""

from __future__ import annotations

import numpy as np

from morphcline.stats.kernels import Flags, Floats

#: Segments whose sides are held at once: a tile's cells times these are a few megabytes.
_TOGETHER = 256


def blocked(points: Floats, sites: Floats, segments: Floats, *, reach: float = np.inf) -> Flags:
    """Return which straight ways from points to sites cross a barrier.

    Parameters
    ----------
    points : array (points, 2)
    sites : array (sites, 2)
    segments : array (segments, 4)
        The barriers' straight pieces: easting and northing of one end, then of the other.
    reach : float
        Ways longer than this don't matter, and may be said to be free.

    Returns
    -------
    array of bool (points, sites)
        A way through the end of a segment crosses it; a point or site on a barrier lies on both sides of it, and a way
        along a barrier doesn't cross it.

    Notes
    -----
    A line of sight, not a way round: what lies in a barrier's shadow is unknown from here, though a longer way round
    its end may be open. Distances round barriers would need a network over the region; a shadow is the cautious choice,
    for it takes weight away and gives none, so that the standard error grows. Its edge is a step in the surface, and
    it runs on behind the end of a barrier.

    Each segment is tested by the sides its ends' line has the two places on, and by where the way meets that line.

    Examples
    --------
    >>> import numpy as np
    >>> ridge = np.array([[0.0, -1.0, 0.0, 1.0]])
    >>> blocked(np.array([[-1.0, 0.0]]), np.array([[1.0, 0.0], [1.0, 9.0], [-2.0, 0.0]]), ridge)
    array([[ True, False, False]])
    """
    crossed = np.zeros((len(points), len(sites)), dtype=bool)
    if not (len(points) and len(sites)):
        return crossed
    segments = _in_reach(points, sites, segments, reach)
    for start in range(0, len(segments), _TOGETHER):
        some = segments[start : start + _TOGETHER]
        ends, along = some[:, :2], some[:, 2:] - some[:, :2]
        square = np.sum(along**2, axis=1)
        point_side, point_at = _side_and_place(points, ends, along)
        site_side, site_at = _side_and_place(sites, ends, along)
        for k in range(len(some)):
            for sign in (1.0, -1.0):
                these, those = np.flatnonzero(sign * point_side[k] > 0), np.flatnonzero(sign * site_side[k] < 0)
                if not (len(these) and len(those)):
                    continue
                here, there = point_side[k][these, None], site_side[k][those]
                meets = (point_at[k][these, None] * there - site_at[k][those] * here) / (there - here)
                crossed[np.ix_(these, those)] |= (meets >= 0.0) & (meets <= square[k])
    return crossed


def _in_reach(points: Floats, sites: Floats, segments: Floats, reach: float) -> Floats:
    """Return the segments that a way of this length at most can cross, by the boxes round all."""
    places = np.vstack([points, sites])
    low = np.maximum(places.min(axis=0), points.min(axis=0) - reach)
    high = np.minimum(places.max(axis=0), points.max(axis=0) + reach)
    first, second = segments[:, :2], segments[:, 2:]
    near = np.all((np.maximum(first, second) >= low) & (np.minimum(first, second) <= high), axis=1)
    kept: Floats = segments[near & np.any(first != second, axis=1)]
    return kept


def _side_and_place(places: Floats, ends: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Return, by segment and place, on which side of its line the place lies, and how far along it."""
    easting = places[None, :, 0] - ends[:, 0, None]
    northing = places[None, :, 1] - ends[:, 1, None]
    side = along[:, 0, None] * northing - along[:, 1, None] * easting
    return side, along[:, 0, None] * easting + along[:, 1, None] * northing
