"""Whether neighbouring sites are alike."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Points,
    Row,
    Section,
    ShownFigure,
    ShownTable,
    by_trait,
    figures_named,
    main_rows,
    number_cell,
    p_cell,
    rows_of,
)
from morphcline.render.report.sentences import known


def alike(frame: pd.DataFrame, reaches: pd.DataFrame, fits: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say whether neighbouring sites are alike, over what distance, on what scale they differ, and where.

    Parameters
    ----------
    frame, reaches, fits : DataFrame
        ``autocorrelation.csv``, ``correlogram_reach.csv`` and ``variogram_fit.csv``.
    figures : sequence of ShownFigure
    """
    adjusted = main_rows(rows_of(frame, form="rate-adjusted"))
    far = by_trait(main_rows(rows_of(reaches)))
    scale = by_trait(main_rows(rows_of(fits)))
    raw = {(row["species"], row["trait"]): row for row in rows_of(frame, form="raw")}
    rows = []
    for row in adjusted:
        other = raw.get((row["species"], row["trait"]), {})
        rows.append(
            (
                row["species"],
                labels.trait_title(row["trait"]),
                labels.number(row["sites"]) if known(row["sites"]) else "–",
                number_cell(row["moran_i"], 3),
                p_cell(row["p_permutation"]),
                number_cell(other.get("moran_i"), 3),
                p_cell(other.get("p_permutation")),
            )
        )
    table = ShownTable(
        "Moran's I. The rate-adjusted form allows for unequal samples and is the one to believe; the raw form, of the "
        "frequencies as they stand, is there since readers ask. The nine morphs are in tables/autocorrelation.csv.",
        ("Species", "Trait"),
        ("Sites", "I, rate-adjusted", "p", "I, raw", "p, raw"),
        rows,
    )
    return Section(
        "neighbours",
        "Are neighbouring sites alike?",
        points=[
            Points(
                species,
                [
                    *sentences.neighbours([row for (row, *_) in traits.values()]),
                    *_reaches([row for (row, *_) in far.get(species, {}).values()]),
                    *_scales([row for (row, *_) in scale.get(species, {}).values()]),
                ],
            )
            for species, traits in by_trait(adjusted).items()
        ],
        figures=figures_named(figures, "correlogram", "variogram", "clusters"),
        tables=[table],
        notes=["Where a test sees nothing, that does not show that nothing is there."],
    )


def _reaches(rows: Sequence[Row]) -> list[str]:
    """Say how far likeness reaches."""
    given = [row for row in rows if known(row["reach_m"])]
    told = []
    if given:
        parts = [f"{labels.trait_name(row['trait'])} {_within(row, 'reach')}" for row in given]
        told.append(
            f"Likeness reaches, with its 95% interval: {labels.listing(parts)}. There the correlogram comes down to "
            "what any two sites have on average, so that it belongs to this region and its size."
        )
    quiet = [
        labels.trait_name(row["trait"]) for row in rows if not known(row["reach_m"]) and known(row.get("p_global"))
    ]
    if quiet:
        told.append(
            f"No reach is given for {labels.listing(quiet)}, where near sites were not seen to be alike so far."
        )
    return told


def _scales(rows: Sequence[Row]) -> list[str]:
    """Say how much of the differences between sites counting makes, and on what scale the rest varies."""
    told = []
    fitted = [row for row in rows if known(row["nugget_small_scale"])]
    with_range = [row for row in fitted if known(row["practical_range_m"])]
    for row in with_range:
        told.append(
            f"{labels.sentence(labels.trait_name(row['trait']))}: logits are alike out to "
            f"{_within(row, 'practical_range')} at a correlation of 0.05 "
            f"({int(row['sites'])} sites); of "
            f"their variance {labels.percent(_share(row, 'nugget_binomial'))} is the counting of shells and "
            f"{labels.percent(_share(row, 'nugget_small_scale'))} differences at small scale."
        )
    drifting = [row for row in fitted if not known(row["sill"]) and known(row["sill_low"]) and row["sill_low"] > 0]
    if drifting:
        names = labels.listing(labels.trait_name(row["trait"]) for row in drifting)
        told.append(
            f"The variogram shows no sill in {names}: sites drift apart over the whole "
            "region, as along a cline, or on a scale that it can't tell."
        )
    return told


def _share(row: Row, part: str) -> float:
    return float(row[part]) / float(row["nugget_binomial"] + row["nugget_small_scale"] + row["sill"])


def _within(row: Row, stem: str) -> str:
    return labels.distance_and_limits(*(row[f"{stem}_{part}"] for part in ("m", "low", "high")))
