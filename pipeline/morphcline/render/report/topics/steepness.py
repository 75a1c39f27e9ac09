"""Where the smoothed frequencies are steep, and which traits are so together."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.render import labels
from morphcline.render.report.parts import Points, Row, Section, ShownFigure, figures_named, rows_of
from morphcline.render.report.sentences import LEVEL, in_text, known, shells_and_sites, subject


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
        "Where it is steep",
        paragraphs=[
            "A zone is called steep where the surface is steeper than it would be were samples placed at random, "
            "sites keeping their sizes: were there no pattern at all, the chance of calling any place so is "
            f"{labels.level(level)}. It shows pattern, as a cline or an area effect makes, or distance alone; it "
            "doesn't show a barrier, nor why.",
            "Smoothing makes a steep cline look flatter. Beside the surface's own gradient stands one corrected for "
            f"that, with {labels.level(confidence)} limits for the true one, which are wide: a gradient at one place "
            "rests on few sites. They are for that place as if it had been chosen beforehand.",
        ],
        points=points,
        figures=figures_named(figures, "steepness"),
    )  # fmt: skip


def trait_sentence(row: Row) -> str:
    """Say where a trait is steep, how much, and which way.

    Parameters
    ----------
    row : mapping
        A row of ``steepness.csv``.
    """
    trait = labels.sentence(in_text(row))
    if row["not_measured_because"]:
        return f"{trait}: steepness not measured, because {row['not_measured_because']}."
    basis = shells_and_sites(row["shells"], row["sites"])
    if not row["steep_cells"]:
        return (
            f"{trait}: nowhere seen to be steeper than samples placed at random allow ({labels.probability(row['p'])}; "
            f"{basis})."
        )
    parts = [
        f"{subject(row)} is steeper than samples placed at random allow over {_area(row['steep_area_km2'])} "
        f"({labels.probability(row['p'])}; {basis})"
    ]
    place = f"where this stands out most the surface rises by {_points(row['surface_per_km'])} percentage points per km"
    if known(row["bearing_deg"]):
        place += f" towards {labels.bearing(row['bearing_deg'])} (standard error {row['bearing_se_deg']:.0f}°)"
    parts.append(place)
    if row["low"] > 0:
        parts.append(
            f"corrected for smoothing by {_points(row['gradient_per_km'])} ({_points(row['low'])} to "
            f"{_points(row['high'])})"
        )
    elif row["at_least_per_km"] > 0:
        parts.append(
            f"by {_points(row['at_least_per_km'])} at least somewhere near, while how much smoothing took can't be told"
        )
    else:
        parts.append("how steep it truly is there can't be told")
    if row["steeper_cells"]:
        more = (
            f" Over {_area(row['steeper_area_km2'])} it is steeper also than an even slope over the region "
            f"({labels.probability(row['p_even_slope'])})."
        )
    else:
        more = " It was not seen to be steeper than an even slope over the region."
    return f"{'; '.join(parts)}.{more}"


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
    pairs = labels.counted(len(tested), "pair")
    if not clear:
        return [
            f"No colour and trait of banding were seen to be steep in the same places by more than patterns as smooth "
            f"are that lie anywhere ({pairs} compared, Holm's correction)."
        ]
    listed = labels.listing(
        f"{labels.trait_name(row['trait'])} and {labels.trait_name(row['other_trait'])} "
        f"({_area(row['both_km2'])} steep in both; likeness {row['likeness']:.2f}, {row['likeness_expected']:.2f} "
        f"expected; {labels.probability(row['p_holm'])})"
        for row in clear
    )
    return [
        f"Steep in the same places, by more than patterns as smooth are that lie anywhere: {listed}; Holm's correction "
        f"over {pairs} of a colour and a trait of banding. Colour and banding are linked, which by itself makes their "
        "clines coincide."
    ]


def _without_repeats(texts: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(texts))


def _points(value: float) -> str:
    """Return a gradient in percentage points to two figures, with no more decimals than hold."""
    points = 100.0 * value
    if points < 0.095:
        return "less than 0.1"
    return f"{points:.1f}" if points < 9.95 else f"{points:.0f}"


def _area(km2: float) -> str:
    return f"{km2:,.0f} km²" if km2 >= 9.5 else f"{km2:.1f} km²"
