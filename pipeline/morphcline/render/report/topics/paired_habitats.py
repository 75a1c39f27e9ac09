"""Habitats compared between near sites, told beside the regression."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.language import _, many
from morphcline.records.environment_tables import ANY_OTHER
from morphcline.render import labels
from morphcline.render.report.parts import KEY_TRAITS, Row, ShownTable, p_cell, points_cell, points_range
from morphcline.render.report.phrases import limits
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
    if not pairs:
        return []
    within_m = labels.distance(pairs[0]["within_m"])
    tested = [row for row in pairs if known(row["p_holm"])]
    if not tested:
        return [
            _(
                "Too few sites of different habitats lie within {distance} of each other to be compared as pairs."
            ).format(distance=within_m)
        ]
    seen = [row for row in tested if row["p_holm"] <= LEVEL]
    traits_seen = dict.fromkeys(row["trait"] for row in seen)
    told = [
        _("{trait}, by pairs of near sites (within {distance}): {differences}.").format(
            trait=labels.trait_title(trait),
            distance=within_m,
            differences=labels.listing(_found(row) for row in seen if row["trait"] == trait),
        )
        for trait in traits_seen
    ]
    quiet = [trait for trait in dict.fromkeys(row["trait"] for row in tested) if trait not in traits_seen]
    if quiet:
        told.append(
            _(
                "Pairs of near sites (within {distance}) of different habitats were not seen to differ in {traits}."
            ).format(distance=within_m, traits=labels.listing(_unseen(trait, tested) for trait in quiet))
        )
    return [*told, *_open(seen, terms), *_agreement(tested, terms)]


def _unseen(trait: str, tested: Sequence[Row]) -> str:
    """Return a trait with the smallest p among its comparisons and how many these are."""
    rows = [row for row in tested if row["trait"] == trait]
    return many("{trait} ({n} comparison, {p})", "{trait} ({n} comparisons, the surest {p})", len(rows)).format(
        trait=labels.trait_name(trait),
        n=labels.number(len(rows)),
        p=labels.probability(min(float(row["p_holm"]) for row in rows)),
    )


def _open(seen: Sequence[Row], terms: Sequence[Row]) -> list[str]:
    """Name the traits in which pairs differ and the regression of all sites doesn't see it."""
    verdicts = {(t["species"], t["trait"]): t["p_spatial"] for t in terms if t["term"] == "habitat"}
    alone = [row for row in seen if not verdicts.get((row["species"], row["trait"]), 1.0) <= LEVEL]
    if not alone:
        return []
    return [
        _(
            "The regression, which takes in all sites, doesn't see habitats differ in {traits}: with as many traits "
            "and classes as are compared, what pairs alone show may be chance."
        ).format(traits=labels.listing(dict.fromkeys(labels.trait_name(row["trait"]) for row in alone)))
    ]


def _found(row: Row) -> str:
    values = {
        "points": points_cell(row["difference"]),
        "limits": limits(points_cell(row["low"]), points_cell(row["high"])),
        "habitat": labels.habitat_name(row["habitat_one"]),
        "pairs": labels.counted(row["pairs"], "pair"),
        "p": labels.probability(row["p_holm"]),
    }
    if row["habitat_other"] == ANY_OTHER:
        return _(
            "{points} percentage points ({limits}) in {habitat} against any other near by ({pairs}, {p} by Holm's "
            "correction)"
        ).format(**values)
    return _(
        "{points} percentage points ({limits}) in {habitat} against {reference} ({pairs}, {p} by Holm's correction)"
    ).format(reference=labels.habitat_name(row["habitat_other"]), **values)


def _agreement(tested: Sequence[Row], terms: Sequence[Row]) -> list[str]:
    """Say how often the pairs' interval holds the regression's difference, where both compare the same two classes."""
    both = [(row, effect) for row in tested if known(effect := _by_regression(row, terms))]
    if not both:
        return []
    held = [row for row, effect in both if row["low"] <= effect <= row["high"]]
    values = {
        "n": labels.number(len(both)),
        "reference": labels.habitat_name(both[0][0]["habitat_other"]),
        "held": labels.number(len(held)),
    }
    apart = [
        _("{trait} in {habitat} (pairs {pairs}, regression {regression})").format(
            trait=labels.trait_name(row["trait"]),
            habitat=labels.habitat_name(row["habitat_one"]),
            pairs=points_cell(row["difference"]),
            regression=points_cell(effect),
        )
        for row, effect in both
        if row not in held
    ]
    if not apart:
        return [
            many(
                "Of {n} comparison with {reference} that pairs allow, the interval of the pairs holds the "
                "regression's difference in {held}.",
                "Of {n} comparisons with {reference} that pairs allow, the interval of the pairs holds the "
                "regression's difference in {held}.",
                len(both),
            ).format(**values)
        ]
    return [
        many(
            "Of {n} comparison with {reference} that pairs allow, the interval of the pairs holds the regression's "
            "difference in {held}; not so: {apart}.",
            "Of {n} comparisons with {reference} that pairs allow, the interval of the pairs holds the regression's "
            "difference in {held}; not so: {apart}.",
            len(both),
        ).format(apart=labels.listing(apart), **values)
    ]


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
    return [
        ShownTable(
            _(
                "Habitats compared between pairs of sites within {distance} of each other, no site in two pairs: the "
                "mean difference in frequency, in percentage points, with {level} intervals from the scatter of the "
                "pairs; and the regression's difference of the same classes. All comparisons are in "
                "tables/habitat_pairs.csv."
            ).format(distance=labels.distance(shown[0]["within_m"]), level=level),
            (_("Species"), _("Trait"), _("Habitats")),
            (_("Pairs"), _("Points"), "p", _("p, Holm"), _("By regression")),
            [
                (
                    row["species"],
                    labels.trait_title(row["trait"]),
                    _compared(row),
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


def _compared(row: Row) -> str:
    habitat = labels.sentence(labels.habitat_name(row["habitat_one"]))
    if row["habitat_other"] == ANY_OTHER:
        return _("{habitat} against any other near by").format(habitat=habitat)
    return _("{habitat} against {reference}").format(
        habitat=habitat, reference=labels.habitat_name(row["habitat_other"])
    )
