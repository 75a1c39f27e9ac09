"""What habitat and temperature explain of a trait: the surest difference first, then the verdict of the test."""

from __future__ import annotations

import math
from collections.abc import Sequence

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.report.phrases import clauses, limits
from morphcline.render.report.sentences.basis import (
    LEVEL,
    Row,
    known,
    opening,
    shells_and_sites,
)

_CLASS = "habitat: "


def habitats(joint: Row, classes: Sequence[Row]) -> str:
    """Say whether habitats differ in a trait, and which class stands out most surely from the reference.

    Parameters
    ----------
    joint : mapping
        The row of ``environment.csv`` whose term is ``habitat``: all classes together.
    classes : sequence of mappings
        The rows of the classes; with ``effect, effect_low, effect_high`` of ``marginal_effects.csv`` in points.
    """
    trait = opening(joint)
    if not known(joint["p_spatial"]):
        return _("{trait}: what habitat explains was not estimated.").format(trait=trait)
    verdict = _of_habitats(joint).format(numbers=_numbers(joint))
    told = [row for row in classes if known(row["p_holm"]) and row["p_holm"] <= LEVEL]
    if not told or joint["p_spatial"] > LEVEL:
        return _("{trait}: {verdict}.").format(trait=trait, verdict=verdict)
    surest = min(told, key=lambda row: float(row["p_holm"]))
    return _("{trait}: {difference} ({surest}); {verdict}.").format(
        trait=trait, difference=difference(surest), surest=_surest(surest, len(classes)), verdict=verdict
    )


def temperature(row: Row) -> str:
    """Say how a trait changes with temperature, and whether by more than chance.

    Parameters
    ----------
    row : mapping
        The row of ``environment.csv`` whose term is ``temperature_c``.
    """
    trait = opening(row)
    if not known(row["p_spatial"]):
        return _("{trait}: what temperature explains was not estimated.").format(trait=trait)
    return _("{trait}: {difference}; {verdict}.").format(
        trait=trait, difference=difference(row), verdict=_of_temperature(row).format(numbers=_numbers(row))
    )


def is_quiet(row: Row) -> bool:
    """Return whether a term was seen to matter neither with space allowed for nor without."""
    return bool(row["p_spatial"] > LEVEL and not (known(row["p_naive"]) and row["p_naive"] <= LEVEL))


def _of_habitats(row: Row) -> str:
    if row["p_spatial"] <= LEVEL:
        return _("habitats differ by more than the lie of the sites explains ({numbers})")
    if is_quiet(row):
        return _("habitats were not seen to differ ({numbers})")
    return _("habitats seem to differ, but once space is allowed for this could be chance ({numbers})")


def _of_temperature(row: Row) -> str:
    if row["p_spatial"] <= LEVEL:
        return _("warmer and cooler sites differ by more than the lie of the sites explains ({numbers})")
    if is_quiet(row):
        return _("warmer and cooler sites were not seen to differ ({numbers})")
    return _("warmer and cooler sites seem to differ, but once space is allowed for this could be chance ({numbers})")


def _numbers(row: Row) -> str:
    spatial = labels.probability(row["p_spatial"])
    if known(row["p_naive"]):
        told = _("{p} with space allowed for, {naive} without").format(
            p=spatial, naive=labels.probability(row["p_naive"])
        )
    else:
        told = _("{p} with space allowed for").format(p=spatial)
    if not (known(row.get("shells")) and known(row.get("sites"))):
        return told
    return clauses([told, shells_and_sites(row["shells"], row["sites"])])


def _surest(row: Row, classes: int) -> str:
    p = labels.probability(row["p_holm"])
    if classes < 2:
        return _("{p} by Holm's correction").format(p=p)
    return many(
        "{p} by Holm's correction, the surest of {n} class compared",
        "{p} by Holm's correction, the surest of {n} classes compared",
        classes,
    ).format(p=p, n=labels.number(classes))


def difference(row: Row) -> str:
    """Say a difference in points where the row holds it, else as a ratio of odds.

    Parameters
    ----------
    row : mapping
        A row of ``environment.csv`` of a habitat class or of temperature, with ``effect, effect_low, effect_high``
        where they are known.
    """
    term = str(row["term"])
    warmth = not term.startswith(_CLASS)
    names = {} if warmth else {"habitat": labels.habitat_name(term.removeprefix(_CLASS))}
    if not warmth and row["reference"]:
        names["reference"] = labels.habitat_name(str(row["reference"]))
    if known(row.get("effect")):
        span = limits(labels.points(row["effect_low"]), labels.points(row["effect_high"]))
        return _in_points(warmth, "reference" in names).format(
            points=labels.points(row["effect"]), limits=span, **names
        )
    ratio, span = odds(row)
    return _in_odds(warmth, "reference" in names).format(ratio=ratio, limits=span, **names)


def _in_points(warmth: bool, compared: bool) -> str:
    if warmth:
        return _("{points} percentage points ({limits}) for each degree Celsius more")
    if compared:
        return _("{points} percentage points ({limits}) in {habitat} against {reference}")
    return _("{points} percentage points ({limits}) in {habitat}")


def _in_odds(warmth: bool, compared: bool) -> str:
    if warmth:
        return _("the odds are {ratio} times ({limits}) as large for each degree Celsius more")
    if compared:
        return _("the odds are {ratio} times ({limits}) as large in {habitat} as in {reference}")
    return _("the odds are {ratio} times ({limits}) as large in {habitat}")


def odds(row: Row) -> tuple[str, str]:
    """Return a row's odds ratio and its interval, from estimates on the logit scale."""
    ratio, low, high = (labels.decimals(math.exp(row[name])) for name in ("estimate", "low", "high"))
    return ratio, limits(low, high)
