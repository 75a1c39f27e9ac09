"""In which traits neighbouring sites are alike."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.reasons import reason
from morphcline.render.report.phrases import clauses
from morphcline.render.report.sentences.basis import LEVEL, Row, known, sites_in_words


def neighbours(rows: Sequence[Row]) -> list[str]:
    """Say in which traits neighbouring sites are alike.

    Parameters
    ----------
    rows : sequence of mappings
        Rate-adjusted rows of ``autocorrelation.csv`` of one species.
    """
    tested = [row for row in rows if known(row["moran_i"])]
    clear = [row for row in tested if row["p_permutation"] <= LEVEL]
    told = [
        message.format(traits=labels.listing(_index(row) for row in chosen))
        for message, chosen in (
            (
                _("Neighbouring sites are more alike than chance makes them in {traits}."),
                [row for row in clear if row["moran_i"] >= row["expected"]],
            ),
            (
                _("Neighbouring sites are less alike than chance makes them in {traits}."),
                [row for row in clear if row["moran_i"] < row["expected"]],
            ),
            (
                _("Neighbouring sites were not seen to be more or less alike than chance makes them in {traits}."),
                [row for row in tested if row not in clear],
            ),
        )
        if chosen
    ]
    told += [
        _("Not tested: {trait}, because {reason}.").format(
            trait=labels.trait_name(row["trait"]), reason=reason(row["not_tested_because"])
        )
        for row in rows
        if not known(row["moran_i"])
    ]
    return told


def _index(row: Row) -> str:
    numbers = _("I = {value}, {p}, {sites}").format(
        value=labels.decimals(row["moran_i"]),
        p=labels.probability(row["p_permutation"]),
        sites=sites_in_words(row["sites"]),
    )
    if known(row.get("p_mc_low")) and row["p_mc_low"] <= LEVEL < row["p_mc_high"]:
        unsure = _("so few permutations can't tell which side of {level} it lies").format(level=labels.decimals(LEVEL))
        numbers = clauses([numbers, unsure])
    return _("{trait} ({numbers})").format(trait=labels.trait_name(row["trait"]), numbers=numbers)
