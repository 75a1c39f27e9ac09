"""The frequencies smoothed over the region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Section,
    ShownFigure,
    figures_named,
    main_rows,
    rows_of,
)


def surfaces(frame: pd.DataFrame, bandwidth: Any, figures: Sequence[ShownFigure]) -> Section:
    """Say how frequencies were smoothed and how sure the maps are.

    Parameters
    ----------
    frame : DataFrame
        ``surfaces.csv``.
    bandwidth : str, float or mapping
        As the study asks for it.
    figures : sequence of ShownFigure
    """
    neighbours = bandwidth["neighbours"] if isinstance(bandwidth, Mapping) else None
    return Section(
        "surfaces",
        "Over the region",
        paragraphs=[
            *(
                sentences.surface(main_rows(rows_of(rows)), neighbours=neighbours)
                for _, rows in frame.groupby("species", sort=False)
            ),
            "The paler a colour, the larger its standard error; blank is not known, which is not the same as rare. A "
            "surface shows no edge sharper than about two bandwidths, however steep the cline is.",
        ],
        figures=figures_named(figures, "surface", "bandwidth"),
    )
