"""What changed since earlier surveys."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.records.change_table import OVER_PAIRS
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Points,
    Section,
    ShownFigure,
    by_trait,
    figures_named,
    main_rows,
    rows_of,
)


def change(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section | None:
    """Say what changed since each earlier survey; None without one."""
    if frame.empty:
        return None
    pooled = main_rows(rows_of(frame, site="", method=OVER_PAIRS))
    return Section(
        "change",
        "Since earlier surveys",
        points=[
            Points(species, [sentences.change(row) for rows in traits.values() for row in rows])
            for species, traits in by_trait(pooled).items()
        ],
        figures=figures_named(figures, "change"),
        notes=[
            "Places of the two surveys were paired by nearness; the test is over pairs of sites, so that sites which "
            "differ for reasons of their own don't pass for change. The test over shells stands beside it in "
            "tables/change.csv."
        ],
    )
