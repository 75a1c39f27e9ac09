"""What the figure of isolation by distance draws, from its two tables."""

from __future__ import annotations

import pandas as pd

from morphcline.render.figures.isolation import NAMES
from morphcline.stages._panels import Material


def isolation_panels(material: Material) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the lines that were fitted, and the classes of distance of their species and traits."""
    lines = material.tables["isolation"]
    lines = lines[(lines["not_tested_because"] == "") & lines["trait"].isin(NAMES)]
    classes = material.tables["isolation_bins"]
    return lines, classes[classes["differentiation"].notna()]
