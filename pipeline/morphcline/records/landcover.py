"""What the habitat raster says of recorded places: in water, near water, or other than the recorder noted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from morphcline.records.spots import Spots
from morphcline.scoring.habitats import read_habitat

#: A place in water within this distance of land, or within its own uncertainty, may be a place on the bank, in metres.
BANK_M = 100.0


class Near(Protocol):
    """Which codes of a raster a place may lie in."""

    @property
    def at_point(self) -> int | None:
        """Code at the place itself; None where there is none."""

    @property
    def within(self) -> Mapping[int, float]:
        """Share of each code that its circle touches."""


def refuse_water(
    spots: Spots, where: NDArray[np.intp], near: Sequence[Near], classes: Mapping[int, str], water: Sequence[str]
) -> tuple[Spots, NDArray[np.object_]]:
    """Refuse places in water with no land near; name those with land near.

    Parameters
    ----------
    spots : Spots
    where : (k,) array of int
        The spots that ``near`` is about, in its order.
    near : sequence of Near
        Within the greater of the place's uncertainty and :data:`BANK_M`.
    classes : mapping of int to str
    water : sequence of str
        Classes in which no snail lives.

    Returns
    -------
    spots : Spots
    near_water : (m,) array of str
        A sentence for places in water near land; else empty.
    """
    wet_codes = {code for code, name in classes.items() if name in water}
    drowned = np.zeros(len(spots), dtype=bool)
    near_water = np.full(len(spots), "", dtype=object)
    for spot, found in zip(where.tolist(), near, strict=True):
        if found.at_point is None or found.at_point not in wet_codes:
            continue
        if set(found.within) - wet_codes:
            near_water[spot] = f"the place {spots.written(spot)} lies in water by the habitat raster, near land"
        else:
            drowned[spot] = True
    spots = spots.refused(
        drowned,
        "position-in-water",
        lambda k: (
            f"the place {spots.written(k)} lies in water by the habitat raster, with no land within its uncertainty or "
            f"{BANK_M:.0f} m; expected a place on land"
        ),
    )
    return spots, near_water


def noted_class(text: str, classes: Mapping[int, str]) -> str:
    """Return the class that a recorder's note means, or "" when it isn't understood."""
    return read_habitat(text, others=sorted(set(classes.values()))) if text else ""


def disagreement(note: str, meant: str, near: Near, classes: Mapping[int, str]) -> str:
    """Return a sentence when a noted class is not among the raster's at a place; "" when it is or can't be told.

    Nothing can be told where the raster holds no value, or a code that the study doesn't name.
    """
    found = {classes.get(code) for code in near.within}
    if not found or None in found or meant in found:
        return ""
    listed = ", ".join(sorted(str(name) for name in found))
    return f'the recorder noted "{note}" ({meant}), and the habitat raster has {listed} there'
