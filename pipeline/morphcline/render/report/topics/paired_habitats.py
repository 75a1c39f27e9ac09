"""Habitats compared between near sites, told beside the regression."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.records.environment_tables import ANY_OTHER
from morphcline.render import labels
from morphcline.render.report.parts import KEY_TRAITS, Row, ShownTable, p_cell, points_cell, points_range
from morphcline.render.report.sentences import LEVEL, known


def paired_habitats(pairs: Sequence[Row], terms: Sequence[Row]) -> list[str]:
    """Say what pairs of near sites show of one species, and whether the regression agrees.

    Parameters
    ----------
    pairs : sequence of mappings
        Rows of ``habitat_pairs.csv`` of one species.
    terms : sequence of mappings
        Rows of ``environment.csv`` with ``effect``, of all species.
    """
    tested = [row for row in pairs if known(row["p_holm"])]
    if not tested:
        if not pairs:
            return []
        within = labels.distance(pairs[0]["within_m"])
        return [f"Too few sites of different habitats lie within {within} of each other to be compared as pairs."]
    within = labels.distance(tested[0]["within_m"])
    seen = [row for row in tested if row["p_holm"] <= LEVEL]
    quiet = list(dict.fromkeys(labels.trait_name(row["trait"]) for row in tested))
    quiet = [name for name in quiet if name not in {labels.trait_name(row["trait"]) for row in seen}]
    told = []
    for trait in dict.fromkeys(row["trait"] for row in seen):
        found = labels.listing(_found(row) for row in seen if row["trait"] == trait)
        told.append(f"{labels.trait_title(trait)}, by pairs of near sites (within {within}): {found}.")
    if quiet:
        told.append(
            f"Pairs of near sites (within {within}) of different habitats were not seen to differ in "
            f"{labels.listing(quiet)}."
        )
    return [*told, *_open(seen, terms), *_agreement(tested, terms)]


def _open(seen: Sequence[Row], terms: Sequence[Row]) -> list[str]:
    """Name the traits in which pairs differ and the regression of all sites doesn't see it."""
    verdicts = {(t["species"], t["trait"]): t["p_spatial"] for t in terms if t["term"] == "habitat"}
    alone = [row for row in seen if not verdicts.get((row["species"], row["trait"]), 1.0) <= LEVEL]
    if not alone:
        return []
    names = labels.listing(dict.fromkeys(labels.trait_name(row["trait"]) for row in alone))
    return [
        f"The regression, which takes in all sites, doesn't see habitats differ in {names}: with as many traits and "
        "classes as are compared, what pairs alone show may be chance."
    ]


def _found(row: Row) -> str:
    return (
        f"{points_cell(row['difference'])} percentage points "
        f"({points_range(row['low'], row['high'])}) in {row['habitat_one']} against {_other(row)} "
        f"({labels.counted(int(row['pairs']), 'pair')}, {labels.probability(row['p_holm'])} by Holm's correction)"
    )


def _other(row: Row) -> str:
    return "any other near by" if row["habitat_other"] == ANY_OTHER else str(row["habitat_other"])


def _agreement(tested: Sequence[Row], terms: Sequence[Row]) -> list[str]:
    """Say how often the pairs' interval holds the regression's difference, where both compare the same two classes."""
    both = [(row, effect) for row in tested if known(effect := _by_regression(row, terms))]
    if not both:
        return []
    held = [row for row, effect in both if row["low"] <= effect <= row["high"]]
    text = (
        f"Of {labels.counted(len(both), 'comparison')} with {both[0][0]['habitat_other']} that pairs allow, the "
        f"interval of the pairs holds the regression's difference in {len(held)}"
    )
    apart = [
        f"{labels.trait_name(row['trait'])} in {row['habitat_one']} (pairs {points_cell(row['difference'])}, "
        f"regression {points_cell(effect)})"
        for row, effect in both
        if row not in held
    ]
    return [f"{text}; not so: {labels.listing(apart)}." if apart else f"{text}."]


def _by_regression(row: Row, terms: Sequence[Row]) -> float:
    for term in terms:
        if (term["species"], term["trait"], term["term"], term["reference"]) == (
            row["species"], row["trait"], f"habitat: {row['habitat_one']}", row["habitat_other"],
        ):  # fmt: skip
            return float(term["effect"])
    return float("nan")


def paired_table(pairs: Sequence[Row], terms: Sequence[Row], level: str) -> list[ShownTable]:
    """Return the table of pairs, of the traits that a summary speaks of; none without a comparison."""
    shown = [row for row in pairs if known(row["p"]) and row["trait"] in KEY_TRAITS]
    if not shown:
        return []
    within = labels.distance(shown[0]["within_m"])
    return [
        ShownTable(
            f"Habitats compared between pairs of sites within {within} of each other, no site in two pairs: the mean "
            f"difference in frequency, in percentage points, with {level} intervals from the scatter of the pairs; and "
            "the regression's difference of the same classes. All comparisons are in tables/habitat_pairs.csv.",
            ("Species", "Trait", "Habitats"),
            ("Pairs", "Points", "p", "p, Holm", "By regression"),
            [
                (
                    row["species"],
                    labels.trait_title(row["trait"]),
                    f"{labels.sentence(row['habitat_one'])} against {_other(row)}",
                    labels.number(row["pairs"]),
                    f"{points_cell(row['difference'])} ({points_range(row['low'], row['high'])})",
                    p_cell(row["p"]),
                    p_cell(row["p_holm"]),
                    points_cell(_by_regression(row, terms)),
                )
                for row in shown
            ],
        )
    ]
