"""Where the smoothed frequencies are steep, and which traits are so together."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.reasons import reason
from morphcline.render.report.parts import Points, Row, Section, ShownFigure, figures_named, rows_of
from morphcline.render.report.sentences import LEVEL, in_text, known, shells_and_sites, subject

_CHANCE = marked(
    "A zone is called steep where the surface is steeper than it would be were samples placed at random, sites keeping "
    "their sizes: were there no pattern at all, the chance of calling any place so is {level}. It shows pattern, as a "
    "cline or an area effect makes, or distance alone; it doesn't show a barrier, nor why."
)
_FLATTENED = marked(
    "Smoothing makes a steep cline look flatter. Beside the surface's own gradient stands one corrected for that, with "
    "{confidence} limits for the true one, which are wide: a gradient at one place rests on few sites. They are for "
    "that place as if it had been chosen beforehand."
)
_NOWHERE = marked("{trait}: nowhere seen to be steeper than samples placed at random allow ({p}; {basis}).")
_STEEP = marked("{trait} is steeper than samples placed at random allow over {area} ({p}; {basis}).")
_CORRECTED = marked("Corrected for smoothing it rises there by {points} ({low} to {high}).")
_AT_LEAST = marked("Somewhere near it rises by at least {points}; how much smoothing has taken away can't be told.")
_NOT_TOLD = marked("How steep it truly is there can't be told.")
_BEYOND_EVEN = marked("Over {area} it is steeper also than an even slope over the region ({p}).")
_NOT_BEYOND_EVEN = marked("It was not seen to be steeper than an even slope over the region ({p}).")


def steepness(
    frame: pd.DataFrame, together: pd.DataFrame, figures: Sequence[ShownFigure], *, level: float, confidence: float
) -> Section:
    """Say where each trait is steeper than chance, how steep, and which traits are steep in the same places.

    Parameters
    ----------
    frame : DataFrame
        ``steepness.csv``.
    together : DataFrame
        ``steep_together.csv``.
    figures : sequence of ShownFigure
    level : float
        Of the zones' tests.
    confidence : float
        Of the limits.
    """
    points = []
    for species, rows in frame.groupby("species", sort=False):
        texts = [trait_sentence(row) for row in rows_of(rows)]
        texts += together_sentences(rows_of(together, species=species))
        points.append(Points(str(species), _without_repeats(texts)))
    return Section(
        "steepness",
        _("Where it is steep"),
        paragraphs=[
            _(_CHANCE).format(level=labels.level(level)),
            _(_FLATTENED).format(confidence=labels.level(confidence)),
        ],
        points=points,
        figures=figures_named(figures, "steepness"),
    )


def trait_sentence(row: Row) -> str:
    """Say where a trait is steep, how much, and which way.

    Parameters
    ----------
    row : mapping
        A row of ``steepness.csv``.
    """
    trait = labels.sentence(in_text(row))
    if row["not_measured_because"]:
        return _("{trait}: steepness not measured, because {reason}.").format(
            trait=trait, reason=reason(row["not_measured_because"])
        )
    numbers = {"p": labels.probability(row["p"]), "basis": shells_and_sites(row["shells"], row["sites"])}
    if not row["steep_cells"]:
        return _(_NOWHERE).format(trait=trait, **numbers)
    told = [_(_STEEP).format(trait=subject(row), area=_area(row["steep_area_km2"]), **numbers), _gradient(row)]
    if row["low"] > 0:
        low, high = _points(row["low"]), _points(row["high"])
        told.append(_(_CORRECTED).format(points=_points(row["gradient_per_km"]), low=low, high=high))
    elif row["at_least_per_km"] > 0:
        told.append(_(_AT_LEAST).format(points=_points(row["at_least_per_km"])))
    else:
        told.append(_(_NOT_TOLD))
    even = labels.probability(row["p_even_slope"])
    if row["steeper_cells"]:
        told.append(_(_BEYOND_EVEN).format(area=_area(row["steeper_area_km2"]), p=even))
    else:
        told.append(_(_NOT_BEYOND_EVEN).format(p=even))
    return " ".join(told)


def _gradient(row: Row) -> str:
    rise = 100.0 * row["surface_per_km"]
    if not known(row["bearing_deg"]):
        return many(
            "Where this stands out most the surface rises by {points} percentage point per km.",
            "Where this stands out most the surface rises by {points} percentage points per km.",
            rise,
        ).format(points=_points(row["surface_per_km"]))
    return many(
        "Where this stands out most the surface rises by {points} percentage point per km towards {bearing} (standard "
        "error {error}°).",
        "Where this stands out most the surface rises by {points} percentage points per km towards {bearing} (standard "
        "error {error}°).",
        rise,
    ).format(
        points=_points(row["surface_per_km"]),
        bearing=labels.bearing(row["bearing_deg"]),
        error=labels.number(row["bearing_se_deg"]),
    )


def together_sentences(rows: Sequence[Row]) -> list[str]:
    """Say which colours and traits of banding of a species are steep in the same places.

    Parameters
    ----------
    rows : sequence of mappings
        Rows of ``steep_together.csv`` of one species.
    """
    tested = [row for row in rows if known(row["p"])]
    if not tested:
        return []
    clear = [row for row in tested if row["p_holm"] <= LEVEL]
    pairs = labels.number(len(tested))
    if not clear:
        return [
            many(
                "No colour and trait of banding were seen to be steep in the same places more than equally smooth "
                "patterns that lie anywhere would be ({pairs} pair compared, Holm's correction).",
                "No colour and trait of banding were seen to be steep in the same places more than equally smooth "
                "patterns that lie anywhere would be ({pairs} pairs compared, Holm's correction).",
                len(tested),
            ).format(pairs=pairs)
        ]
    return [
        many(
            "Steep in the same places, more than equally smooth patterns that lie anywhere would be: {listed}; Holm's "
            "correction over {pairs} pair of a colour and a trait of banding. Colour and banding are linked, which by "
            "itself can make their clines coincide.",
            "Steep in the same places, more than equally smooth patterns that lie anywhere would be: {listed}; Holm's "
            "correction over {pairs} pairs of a colour and a trait of banding. Colour and banding are linked, which "
            "by itself can make their clines coincide.",
            len(tested),
        ).format(listed=labels.listing(map(_coinciding, clear)), pairs=pairs)
    ]


def _coinciding(row: Row) -> str:
    return _("{trait} and {other} ({area} steep in both; likeness {likeness}, {expected} expected; {p})").format(
        trait=labels.trait_name(row["trait"]),
        other=labels.trait_name(row["other_trait"]),
        area=_area(row["both_km2"]),
        likeness=labels.decimals(row["likeness"], 2),
        expected=labels.decimals(row["likeness_expected"], 2),
        p=labels.probability(row["p_holm"]),
    )


def _without_repeats(texts: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(texts))


def _points(value: float) -> str:
    """Return a gradient in percentage points to two figures, with no more decimals than hold."""
    points = 100.0 * value
    if points < 0.095:
        return _("less than {points}").format(points=labels.decimals(0.1, 1))
    return labels.decimals(points, 1 if points < 9.95 else 0)


def _area(km2: float) -> str:
    return _("{area} km²").format(area=labels.number(km2) if km2 >= 9.5 else labels.decimals(km2, 1))
