"""``[steepness]``: how zones steeper than chance are judged."""

from __future__ import annotations

from pydantic import Field, model_validator

from morphcline.study._base import Section


class Steepness(Section):
    """Permutations and level of the tests.

    Attributes
    ----------
    permutations : int
        Of each test, and placements drawn for each pair of traits.
    level : float
        Chance of calling any place steep where samples lie at random.
    """

    permutations: int = Field(default=999, ge=99)
    level: float = Field(default=0.05, gt=0, lt=1)

    @model_validator(mode="after")
    def _enough_for_the_level(self) -> Steepness:
        if self.level * (self.permutations + 1) < 1:
            raise ValueError(
                f"{self.permutations} permutations can't tell a level of {self.level:g}; give more of them"
            )
        return self
