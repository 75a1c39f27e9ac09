"""``[scoring]``: which species and traits are counted, and what a usable sample is."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator

from morphcline.study._base import Section

Colour = Literal["yellow", "pink", "brown"]
BandClass = Literal["unbanded", "mid-banded", "many-banded", "other one-banded"]


class Selection(Section):
    """Which shells: those that meet every condition given; an empty selection takes all that can be judged.

    Attributes
    ----------
    colour : tuple of {"yellow", "pink", "brown"}
    band_class : tuple of {"unbanded", "mid-banded", "many-banded", "other one-banded"}
    formula : tuple of str
        Band formulas, ``?`` for any state of a band: ``"00???"`` is effectively unbanded.
    fused : bool, optional
        With (or without) any fused bands.
    """

    colour: tuple[Colour, ...] = ()
    band_class: tuple[BandClass, ...] = ()
    formula: tuple[str, ...] = ()
    fused: bool | None = None


class UserTrait(Section):
    """A trait of the user's own: the shells that count, among those that can be judged.

    Attributes
    ----------
    name : str
    counted : Selection
        The numerator, taken within the denominator.
    among : Selection
        The denominator; shells that lack a score which either selection asks for are left out of it.
    """

    name: str = Field(min_length=1, max_length=60)
    counted: Selection
    among: Selection = Selection()


class Scoring(Section):
    """Species, traits, sample size and intervals.

    Attributes
    ----------
    species : tuple of str
        Species analysed, each by itself.
    min_shells : int
        Adult shells of a species below which a sample is flagged, and left out of tests and site maps.
        20 to 30 is the usual working minimum (common practice, no single source).
    traits : tuple of str, optional
        Names of the traits to compute; every trait the records can give otherwise.
    trait : tuple of UserTrait
        The user's own, as ``[[scoring.trait]]``.
    visits : {"latest", "pool"}
        What stands for a site visited more than once: its latest visit, or all of them added up.
    interval : {"wilson", "jeffreys"}
    confidence : float
        Of every interval, between 0.5 and 0.999.
    """

    species: tuple[str, ...] = ("Cepaea nemoralis", "Cepaea hortensis")
    min_shells: int = Field(default=20, ge=1)
    traits: tuple[str, ...] | None = None
    trait: tuple[UserTrait, ...] = ()
    visits: Literal["latest", "pool"] = "latest"
    interval: Literal["wilson", "jeffreys"] = "wilson"
    confidence: float = Field(default=0.95, ge=0.5, le=0.999)

    @field_validator("species")
    @classmethod
    def _species_are_distinct(cls, species: tuple[str, ...]) -> tuple[str, ...]:
        if not species or len(set(species)) < len(species):
            raise ValueError("name at least one species, each once")
        return species
