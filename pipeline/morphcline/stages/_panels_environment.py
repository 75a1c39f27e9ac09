"""What the figures about habitat and temperature draw: rows chosen and put in order."""

from __future__ import annotations

import pandas as pd

from morphcline.render import labels
from morphcline.scoring.habitats import CLASSES
from morphcline.stages._panels import Material


def effect_rows(material: Material, species: str) -> pd.DataFrame:
    """Return the effects of one species on the traits that figures show: habitats in the trade's order, then warmth."""
    rows = material.of("marginal_effects", species)
    rows = rows[rows["trait"].isin(labels.main_traits(rows["trait"])) & rows["effect"].notna()]
    order = {f"habitat: {name}": position for position, name in enumerate(CLASSES)}
    last = len(order)
    rank = rows["term"].map(lambda term: (order.get(term, last) if term.startswith("habitat: ") else last + 1, term))
    return rows.assign(rank=rank).sort_values("rank", kind="stable").drop(columns="rank")
