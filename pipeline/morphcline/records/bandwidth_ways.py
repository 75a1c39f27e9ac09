"""The two ways by which bandwidths were chosen, and where they disagree, as plain values for accounts and sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

#: Ratio of the two bandwidths from which they are said to disagree.
DISAGREE = 2.0


def disagreements(ways: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the families of traits whose two bandwidths differ by more than a factor of two.

    Parameters
    ----------
    ways : mapping
        With a list ``families`` of mappings: ``traits``, ``one_site_m``, ``blocks_m``, ``used``.
    """
    return [
        family
        for family in ways.get("families", ())
        if family["blocks_m"] is not None
        and max(family["one_site_m"], family["blocks_m"]) > DISAGREE * min(family["one_site_m"], family["blocks_m"])
    ]


def family_ways(traits: Sequence[str], one_site_m: float, blocks_m: float | None, used: str) -> dict[str, Any]:
    """Return a family's two bandwidths as an account keeps them."""
    return {"traits": list(traits), "one_site_m": one_site_m, "blocks_m": blocks_m, "used": used}
