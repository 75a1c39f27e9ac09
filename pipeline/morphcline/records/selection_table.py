"""What would hold each cline found, for a dispersal that the user gives: rows of ``selection.csv``."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from morphcline.records.stacking import framed
from morphcline.stats.selection import EXPLANATIONS, STRONGEST, Explanation, Implied, implied_range

#: The note on a model that doesn't describe the map.
FAILS = "one line of change doesn't describe the map, so its width is no cline's"

SELECTION_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "the cline model chosen, whose width is taken",
    "explanation": "what would hold the cline at equilibrium, or how it may have arisen: heterozygote disadvantage "
    "(w^2 = 8 sigma^2 / s), a step in selection without (3) or with dominance (6), a gradient in selection, or "
    "neutral mixing since two populations met. One width can't tell them apart",
    "read_as": "allele: the width is that of an allele's frequency. morph: of a morph that one dominant allele makes "
    "or masks, with random mating within sites",
    "quantity": "s: change of fitness a generation, as a share, by heterozygotes or by the allele favoured. b per km: "
    "s gained per kilometre. generations: since the two populations met",
    "low": "least that agrees with the limits of width and dispersal; empty where the width has no such limit",
    "estimate": "of the width found and the geometric mean of the dispersal's limits; empty where no width can be told",
    "high": "most that agrees with the limits of width and dispersal; empty where the width has no such limit",
    "width_m": "width of the cline in metres",
    "width_low": "its limit at the study's confidence in metres",
    "width_high": "its limit at the study's confidence in metres",
    "dispersal_low_m": "standard deviation of parent-offspring distance along one axis, metres per root generation, "
    "as given",
    "dispersal_high_m": "the same, upper end of the range given",
    "note": "what stands against the reading",
}


def selection_rows(clines: pd.DataFrame, dispersal_m: tuple[float, float] | None) -> pd.DataFrame:
    """Return what would hold the width of each chosen cline.

    Parameters
    ----------
    clines : DataFrame
        Rows of ``clines.csv``.
    dispersal_m : tuple of float, optional
        Least and greatest dispersal; without it the table holds its header alone.
    """
    rows = []
    chosen = clines[clines["chosen"].astype(bool)] if dispersal_m else clines.iloc[:0]
    for row in chosen.to_dict("records"):
        if not str(row["model"]).startswith(("sigmoid", "stepped")) or dispersal_m is None:
            continue
        for explanation in EXPLANATIONS:
            for read_as in ("allele", "morph"):
                held = _held(row, explanation, read_as, dispersal_m)
                rows.append(
                    {
                        **{name: row[name] for name in ("species", "trait", "model")},
                        **{name: row[name] for name in ("width_m", "width_low", "width_high")},
                        "explanation": explanation.name,
                        "read_as": read_as,
                        "quantity": explanation.quantity,
                        "low": held.low,
                        "estimate": held.estimate,
                        "high": held.high,
                        "dispersal_low_m": dispersal_m[0],
                        "dispersal_high_m": dispersal_m[1],
                        "note": _note(row, explanation, held),
                    }
                )
    return framed(rows, SELECTION_COLUMNS)


def _held(
    row: Mapping[Hashable, Any], explanation: Explanation, read_as: str, dispersal_m: tuple[float, float]
) -> Implied:
    width = (float(row["width_low"]), float(row["width_m"]), float(row["width_high"]))
    held = implied_range(explanation, width, dispersal_m, of=read_as)
    if math.isnan(width[0]):  # the width found is then no more than the narrowest that was tried
        return Implied(held.low, math.nan, held.high)
    return held


def _note(row: Mapping[Hashable, Any], explanation: Explanation, held: Implied) -> str:
    notes = []
    if row["fails"]:
        notes.append(FAILS)
    if math.isnan(row["width_low"]):
        notes.append("the width has no lower limit")
    if math.isnan(row["width_high"]):
        notes.append("the width has no upper limit")
    if row["p_min"] > 0.02 or row["p_max"] < 0.98:
        notes.append("the theory's clines run from 0 to 1; this one doesn't")
    if explanation.quantity == "s" and max(held.low, held.estimate) > STRONGEST:
        notes.append(f"above {STRONGEST} the theory of weak selection doesn't hold")
    return "; ".join(notes)
