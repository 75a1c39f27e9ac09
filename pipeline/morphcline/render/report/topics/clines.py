"""Which traits change along a line."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Points,
    Row,
    Section,
    ShownFigure,
    ShownTable,
    by_trait,
    distance_cell,
    figures_named,
    main_rows,
    rows_of,
)
from morphcline.render.report.sentences import known

#: Cline models of less weight than this are left to the table.
LEAST_WEIGHT = 0.01


def clines(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say which traits change along a line, where and how steeply."""
    groups = by_trait(main_rows(rows_of(frame)))
    table = ShownTable(
        _(
            "The models with a weight of evidence (AICc) of {least} or more among those for a trait. The centre is "
            "counted along the bearing from the middle of the sites; centre and width are given for the model chosen. "
            "The other models, intervals and the nine morphs are in tables/clines.csv."
        ).format(least=labels.decimals(LEAST_WEIGHT, 2)),
        (_("Species"), _("Trait"), _("Model")),
        (_("Bearing"), _("Centre"), _("Width"), _("Weight")),
        [
            (
                species,
                labels.trait_title(trait),
                labels.sentence(labels.model_name(row["model"])),
                labels.bearing(row["bearing_deg"]) if known(row["bearing_deg"]) else "–",
                distance_cell(row["centre_m"]) if _told(row) else "–",
                _width_cell(row) if _told(row) else "–",
                labels.decimals(row["weight"], 2),
            )
            for species, traits in groups.items()
            for trait, rows in traits.items()
            for row in rows
            if known(row["weight"]) and row["weight"] >= LEAST_WEIGHT
        ],
    )
    return Section(
        "clines",
        _("Clines"),
        points=[
            Points(species, [sentences.cline(rows) for rows in traits.values()]) for species, traits in groups.items()
        ],
        figures=figures_named(figures, "cline"),
        tables=[table] if table.rows else [],
    )


def _told(row: Row) -> bool:
    """Return whether a model's centre and width describe a cline: the chosen one's, if it has an inflection."""
    return str(row["chosen"]) == "True" and row["model"] != "linear"


def _width_cell(row: Row) -> str:
    if not known(row["width_low"]):
        return _("under {width}").format(width=distance_cell(row["width_high"])) if known(row["width_high"]) else "–"
    return distance_cell(row["width_m"])
