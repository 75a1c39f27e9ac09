"""What the figures about habitat and temperature draw: rows chosen and put in order."""

from __future__ import annotations

import pandas as pd

from morphcline.scoring.habitats import CLASSES
from morphcline.stages._panels import Material, shown_rows

_CLASS_TERM = "habitat: "


def habitat_rows(material: Material, species: str) -> pd.DataFrame:
    """Return the frequencies by habitat of one species, habitats in the trade's order."""
    rows = shown_rows(material.of("habitat_frequencies", species))
    rows = rows[rows["frequency"].notna()]
    return _sorted(rows, rows["habitat"].map(_rank))


def effect_rows(material: Material, species: str) -> pd.DataFrame:
    """Return the effects of one species on the traits that figures show: habitats in the trade's order, then warmth."""
    rows = shown_rows(material.of("marginal_effects", species))
    rows = rows[rows["effect"].notna()]
    return _sorted(rows, rows["term"].map(_rank_of_term))


def _rank(habitat: str) -> tuple[int, str]:
    return (CLASSES.index(habitat) if habitat in CLASSES else len(CLASSES)), habitat


def _rank_of_term(term: str) -> tuple[int, str]:
    return _rank(term.removeprefix(_CLASS_TERM)) if term.startswith(_CLASS_TERM) else (len(CLASSES) + 1, term)


def _sorted(rows: pd.DataFrame, rank: pd.Series) -> pd.DataFrame:
    return rows.assign(rank=rank).sort_values("rank", kind="stable").drop(columns="rank")
