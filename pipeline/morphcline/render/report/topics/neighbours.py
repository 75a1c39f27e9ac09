"""Whether neighbouring sites are alike."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Points,
    Section,
    ShownFigure,
    ShownTable,
    by_trait,
    figures_named,
    main_rows,
    number_cell,
    p_cell,
    rows_of,
)
from morphcline.render.report.sentences import known


def alike(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say whether neighbouring sites are alike, over what distance, and where."""
    adjusted = main_rows(rows_of(frame, form="rate-adjusted"))
    raw = {(row["species"], row["trait"]): row for row in rows_of(frame, form="raw")}
    rows = []
    for row in adjusted:
        other = raw.get((row["species"], row["trait"]), {})
        rows.append(
            (
                row["species"],
                labels.trait_title(row["trait"]),
                labels.number(row["sites"]) if known(row["sites"]) else "–",
                number_cell(row["moran_i"], 3),
                p_cell(row["p_permutation"]),
                number_cell(other.get("moran_i"), 3),
                p_cell(other.get("p_permutation")),
            )
        )
    table = ShownTable(
        "Moran's I. The rate-adjusted form allows for unequal samples and is the one to believe; the raw form, of the "
        "frequencies as they stand, is there since readers ask. The nine morphs are in tables/autocorrelation.csv.",
        ("Species", "Trait"),
        ("Sites", "I, rate-adjusted", "p", "I, raw", "p, raw"),
        rows,
    )
    return Section(
        "neighbours",
        "Are neighbouring sites alike?",
        points=[
            Points(species, sentences.neighbours([row for (row, *_) in traits.values()]))
            for species, traits in by_trait(adjusted).items()
        ],
        figures=figures_named(figures, "correlogram", "clusters"),
        tables=[table],
        notes=["Where a test sees nothing, that does not show that nothing is there."],
    )
