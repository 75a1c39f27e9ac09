"""Small circles divided among classes: slices in one fixed order, clockwise from the top."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PatchCollection
from matplotlib.patches import Circle, Wedge
from numpy.typing import ArrayLike, NDArray

from morphcline.render.palettes import INK, PAPER


def slice_angles(counts: ArrayLike) -> NDArray[np.float64]:
    """Return where slices start and end, in degrees clockwise from the top.

    Parameters
    ----------
    counts : (n,) array_like
        Of each class in the order of the slices; their sum is above 0.

    Returns
    -------
    (n, 2) array
        A class without a shell starts where it ends.

    Examples
    --------
    >>> slice_angles([1, 0, 3]).tolist()
    [[0.0, 90.0], [90.0, 90.0], [90.0, 360.0]]
    """
    shares = np.asarray(counts, dtype=np.float64)
    ends = 360.0 * np.cumsum(shares) / shares.sum()
    return np.column_stack([np.concatenate([[0.0], ends[:-1]]), ends])


def draw_slices(
    axes: Axes,
    centres: Sequence[tuple[float, float]],
    radii: Sequence[float],
    counts: Sequence[Sequence[float]],
    looks: Sequence[Sequence[str]],
    *,
    zorder: float = 3.0,
    rasterized: bool = False,
) -> None:
    """Draw divided circles; thin white lines keep the slices apart, and a thin dark one goes round each circle.

    Parameters
    ----------
    axes : matplotlib axes
    centres : sequence of (easting, northing)
        In the units of the axes, as long across as up.
    radii : sequence of float
        In the same units.
    counts : sequence of sequences
        For each circle the shells of each class.
    looks : sequence of (colour, hatch)
        Of each class.
    """
    for number, (fill, hatch) in enumerate(looks):
        wedges = []
        for centre, radius, numbers in zip(centres, radii, counts, strict=True):
            start, end = slice_angles(numbers)[number]
            if end > start:
                # Wedges are counted anticlockwise from the east.
                wedges.append(Wedge(centre, radius, 90.0 - end, 90.0 - start))
        if wedges:
            axes.add_collection(
                PatchCollection(
                    wedges, facecolors=fill, edgecolors=PAPER, linewidths=0.4, hatch=hatch, zorder=zorder,
                    rasterized=rasterized,
                ),
                autolim=False,
            )  # fmt: skip
    rims = [Circle(centre, radius) for centre, radius in zip(centres, radii, strict=True)]
    axes.add_collection(
        PatchCollection(
            rims, facecolors="none", edgecolors=INK, linewidths=0.4, zorder=zorder + 0.01, rasterized=rasterized
        ),
        autolim=False,
    )
