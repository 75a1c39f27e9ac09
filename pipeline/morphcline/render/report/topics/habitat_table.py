"""How frequent the leading traits are in each habitat."""

from __future__ import annotations

import pandas as pd

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.report.parts import ShownTable, rows_of
from morphcline.render.report.sentences import known


def by_habitat(frame: pd.DataFrame, species: str, level: str) -> list[ShownTable]:
    """Return a table with a row a habitat and a column a trait, or none.

    Parameters
    ----------
    frame : DataFrame
        ``habitat_frequencies.csv``, of the traits to be shown.
    species : str
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = rows_of(frame, species=species)
    traits = labels.main_traits(row["trait"] for row in rows)
    cells = {(row["habitat"], row["trait"]): row for row in rows}
    most = {
        habitat: max((row for row in rows if row["habitat"] == habitat), key=lambda row: float(row["total"]))
        for habitat in sorted({row["habitat"] for row in rows})
    }
    table = ShownTable(
        _(
            "{species}: frequencies by habitat, with {level} intervals that allow for differences between sites. That "
            "habitats lie in different parts of the region is not allowed for here; the section on habitat does. "
            "Shells: those judged for the trait that most were judged for."
        ).format(species=species, level=level),
        (_("Habitat"),),
        (_("Sites"), _("Shells"), *(labels.trait_title(trait) for trait in traits)),
        [
            (
                labels.sentence(labels.habitat_name(str(habitat))),
                labels.number(row["sites"]),
                labels.number(row["total"]),
                *(_cell(cells.get((habitat, trait))) for trait in traits),
            )
            for habitat, row in most.items()
        ],
    )
    return [table] if table.rows else []


def _cell(row: dict[str, float] | None) -> str:
    if row is None or not known(row["frequency"]) or not known(row["low"]):
        return "–"
    return labels.percent_and_limits(row["frequency"], row["low"], row["high"])
