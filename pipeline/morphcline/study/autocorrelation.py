"""``[autocorrelation]``: who is a neighbour, and how chance is judged."""

from __future__ import annotations

from itertools import pairwise

from pydantic import Field, field_validator

from morphcline.study._base import Section


class Within(Section):
    """Neighbours are all sites within a distance."""

    within_m: float = Field(gt=0)


class Autocorrelation(Section):
    """Neighbours, permutations and distance classes.

    Attributes
    ----------
    neighbours : int or Within
        A number of nearest sites, or all sites within a distance.
    permutations : int
    distance_classes : int or tuple of float
        A number of classes with equally many pairs, or their limits in metres, rising.
    level : float
        False-discovery rate for local clusters, and level of Holm's correction.
    """

    neighbours: int | Within = 8
    permutations: int = Field(default=999, ge=99)
    distance_classes: int | tuple[float, ...] = 10
    level: float = Field(default=0.05, gt=0, lt=1)

    @field_validator("neighbours")
    @classmethod
    def _at_least_one(cls, neighbours: int | Within) -> int | Within:
        if isinstance(neighbours, int) and neighbours < 1:
            raise ValueError("at least 1 neighbour")
        return neighbours

    @field_validator("distance_classes")
    @classmethod
    def _classes_rise(cls, classes: int | tuple[float, ...]) -> int | tuple[float, ...]:
        if isinstance(classes, int):
            if classes < 2:
                raise ValueError("at least 2 distance classes")
        elif len(classes) < 2 or any(b <= a for a, b in pairwise(classes)):
            raise ValueError("at least two limits in metres, each larger than the one before")
        return classes
