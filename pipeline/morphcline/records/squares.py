"""What may be told of the land at a site beside the square that hides it: nothing that would find it again there.

Rasters are public. A site in the one garden of its square is found as soon as its habitat is told, and a temperature to
a tenth of a degree leaves a strip of the square. So a class is told only where it is common in the square, and the
temperature is the square's own. Both follow from the square alone: that something is kept back tells nothing either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import convolve

Floats = NDArray[np.float64]

#: Part of a site's square that must be of its class for the class to be told.
LEAST_PART = 1 / 16
#: Points along a square's side at most and at least; along the radius in which the habitat is looked for, and the
#: widest such radius in points.
_MOST, _LEAST, _ALONG_RADIUS, _WIDEST = 200, 8, 5, 12
#: What a square is known by.
SQUARE = ["x_m", "y_m", "blur_m"]


@dataclass(frozen=True)
class Lattice:
    """Points at even steps over squares.

    Attributes
    ----------
    squares : DataFrame
        :data:`SQUARE`, each once.
    points : int
        Along a side, those of the margin left out.
    margin : int
        Further points beyond each side.
    reach : float
        Radius in which the habitat is looked for, in steps.
    coarse : bool
        Whether small patches may lie between the points.
    """

    squares: pd.DataFrame
    points: int
    margin: int
    reach: float
    coarse: bool = False

    def places(self, *, margin: bool = True) -> tuple[Floats, Floats]:
        """Return eastings and northings, (squares, points, points), with the margin or without it."""
        beyond = self.margin if margin else 0
        steps = (np.arange(-beyond, self.points + beyond) + 0.5) / self.points - 0.5
        x, y, side = (self.squares[name].to_numpy(np.float64)[:, None, None] for name in SQUARE)
        shape = (len(self.squares), len(steps), len(steps))
        return (
            np.broadcast_to(x + side * steps[None, None, :], shape),
            np.broadcast_to(y + side * steps[None, :, None], shape),
        )


def lattices(shown: pd.DataFrame, radius_m: float, cell_m: float) -> list[Lattice]:
    """Return lattices over the squares in which sites are hidden, one for each side.

    Parameters
    ----------
    shown : DataFrame
        Public sites: ``x_m, y_m, blur_m``.
    radius_m : float
        In which the habitat of a site is looked for.
    cell_m : float
        Side of the raster's cells.
    """
    hidden = shown[(shown["blur_m"] > 0) & shown["x_m"].notna()]
    found = []
    squares_of_all = hidden[SQUARE].drop_duplicates()
    finest = max(cell_m, radius_m / _ALONG_RADIUS)
    for side in sorted(squares_of_all["blur_m"].astype(float).unique().tolist()):
        squares = squares_of_all[squares_of_all["blur_m"] == side]
        points = int(np.clip(np.ceil(side / finest - 1e-6), _LEAST, _MOST))
        reach = min(radius_m * points / side, float(_WIDEST))
        coarse = side / points > 1.01 * finest
        found.append(
            Lattice(squares.sort_values(SQUARE, ignore_index=True), points, int(np.ceil(reach)), reach, coarse)
        )
    return found


def commonest_near(codes: Floats, water: Sequence[float], lattice: Lattice) -> Floats:
    """Return the code of land with the largest share about each point of a lattice; NaN where there is none.

    Parameters
    ----------
    codes : array, shape (squares, points, points) with the margin
        NaN where the raster says nothing.
    water : sequence of float
        Codes that are no land.
    lattice : Lattice
    """
    land = [code for code in np.unique(codes[np.isfinite(codes)]).tolist() if code not in set(water)]
    at = np.arange(-lattice.margin, lattice.margin + 1)
    disc = (np.hypot(*np.meshgrid(at, at)) <= max(lattice.reach, 0.0) + 1e-9).astype(np.float64)
    inner = slice(lattice.margin, lattice.margin + lattice.points)
    most = np.zeros((len(codes), lattice.points, lattice.points))
    found = np.full(most.shape, np.nan)
    for code in land:
        share = convolve((codes == code).astype(np.float64), disc[None], mode="constant")[:, inner, inner]
        better = share > most + 1e-9
        found[better], most[better] = code, share[better]
    return found


def told_classes(classes: ArrayLike, least: float, *, coarse: bool = False) -> frozenset[str]:
    """Return the classes that may be told in a square.

    Parameters
    ----------
    classes : array_like of str
        Of the points where a site may lie, empty where nothing is known.
    least : float
        Points of a class below which it isn't told.
    coarse : bool
        Classes that no point shows may be there all the same.

    Notes
    -----
    All but those too rare, and as many of the next rarer as it takes until all that are kept back have so many points
    together: else a class that isn't told would be as good as told.
    """
    names, numbers = np.unique(np.asarray(classes, dtype=str), return_counts=True)
    rarest = sorted((int(number), str(name)) for number, name in zip(numbers, names, strict=True) if name)
    back: list[str] = []
    points = 0
    for number, name in rarest:
        if number >= least and (points >= least or not (back or coarse)):
            break
        back.append(name)
        points += number
    return frozenset(name for _, name in rarest) - set(back)
