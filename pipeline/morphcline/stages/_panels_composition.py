"""What the maps of composition draw: the shells of each class of colour, and of banding, at each site."""

from __future__ import annotations

import pandas as pd

from morphcline.render.figures.composition import BANDING, COLOUR, CompositionPanel
from morphcline.stages._panels import Material


def composition_panels(material: Material, species: str) -> list[CompositionPanel]:
    """Return a panel for colour and one for banding, where every class is counted and a sample is large enough."""
    counts = material.of("frequencies", species).pivot_table(
        index="site", columns="trait", values=["count", "total"], aggfunc="first"
    )
    found = (_of_colour(counts), _of_banding(counts))
    panels = []
    for trait, classes in zip((COLOUR, BANDING), found, strict=True):
        if classes is None or not (classes["total"] >= material.study.scoring.min_shells).any():
            continue
        panels.append(CompositionPanel(trait, material.placed(classes.reset_index())))
    return panels


def _of_colour(counts: pd.DataFrame) -> pd.DataFrame | None:
    found = _classes(counts, ("yellow", "pink", "brown"))
    return None if found is None else found.assign(total=_total(counts, "yellow"))


def _of_banding(counts: pd.DataFrame) -> pd.DataFrame | None:
    """Return the four classes among shells scored for banding: other one-banded shells are those that are left."""
    found = _classes(counts, ("unbanded", "mid-banded", "many-banded"))
    if found is None:
        return None
    total = _total(counts, "unbanded")
    found["other one-banded"] = total - found["unbanded"] - found["mid-banded"] - found["many-banded"]
    return found.assign(total=total)


def _classes(counts: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame | None:
    if not all(("count", name) in counts for name in names):
        return None
    return pd.DataFrame({name: counts["count", name].fillna(0) for name in names})


def _total(counts: pd.DataFrame, trait: str) -> pd.Series:
    return counts["total", trait].fillna(0)
