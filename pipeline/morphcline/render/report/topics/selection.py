"""What would hold each cline, for the dispersal that the study gives."""

from __future__ import annotations

import pandas as pd

from morphcline.language import _, marked, with_marks
from morphcline.records.selection_table import FAILS
from morphcline.render import labels
from morphcline.render.report.parts import Row, Section, ShownTable, by_trait, main_rows, rows_of
from morphcline.render.report.phrases import limits
from morphcline.render.report.sentences import known

_READING = "morph"
_HEADS = {
    "heterozygote disadvantage": marked("s against heterozygotes"),
    "step in selection": marked("s at a step"),
    "step in selection, dominance": marked("s at a step, dominance"),
    "gradient in selection": marked("b per km"),
    "neutral mixing": marked("Generations of mixing"),
}
_CAPTION = marked(
    "What agrees with the limits of each cline's width and with the dispersal given, if the morph is made or masked "
    "by one dominant allele and mating is at random within a site. s: share of fitness per generation; b: s gained "
    "per kilometre of a gradient. Read as the width of an allele's frequency: tables/selection.csv."
)
_PARAGRAPH = marked(
    "This part rests on what the survey can't show: a dispersal of {dispersal} (standard deviation along one axis, per "
    "root generation) was given, and selection and movement are taken to be in balance, over even country, with an "
    "allele fixed at either end. One width agrees with every column of the table, so it is no evidence of selection of "
    "any kind, nor of none: without selection, two populations that met so many generations ago would show the same. "
    "Traits whose sites one line of change doesn't describe are left out."
)


def held_by(frame: pd.DataFrame) -> Section | None:
    """Say what selection, or how long a mixing, the clines' widths imply; None where no dispersal was given."""
    if frame.empty:
        return None
    rows = [row for row in main_rows(rows_of(frame, read_as=_READING)) if FAILS not in str(row["note"])]
    first = rows_of(frame)[0]
    low, high = first["dispersal_low_m"], first["dispersal_high_m"]
    dispersal = labels.distance(low) if low == high else labels.distance_range(low, high)
    table = ShownTable(
        _(_CAPTION),
        (_("Species"), _("Trait")),
        tuple(_(head) for head in _HEADS.values()),
        [
            (species, labels.trait_title(trait), *(_cell(of_trait, name) for name in _HEADS))
            for species, traits in by_trait(rows).items()
            for trait, of_trait in traits.items()
        ],
    )
    return Section(
        "selection",
        _("What would hold the clines"),
        paragraphs=[_(_PARAGRAPH).format(dispersal=dispersal)],
        tables=[table] if table.rows else [],
    )


def _cell(rows: list[Row], explanation: str) -> str:
    row = next(row for row in rows if row["explanation"] == explanation)
    whole = row["quantity"] == "generations"
    low, high = (_number(row[end], whole=whole) if known(row[end]) else "" for end in ("low", "high"))
    return limits(low, high) if low or high else "–"


def _number(value: float, *, whole: bool) -> str:
    """Return a number to two figures: ``"0.012"``, ``"3.1 × 10⁻⁵"``, ``"12,000"``."""
    if whole or value >= 9.5:
        digits = max(len(str(int(value))) - 2, 0)
        return labels.number(round(value, -digits))
    if value >= 0.001:
        return with_marks(f"{value:.2g}")
    mantissa, _e, power = f"{value:.1e}".partition("e")
    return f"{with_marks(mantissa)} × 10{str(int(power)).translate(str.maketrans('-0123456789', '⁻⁰¹²³⁴⁵⁶⁷⁸⁹'))}"
