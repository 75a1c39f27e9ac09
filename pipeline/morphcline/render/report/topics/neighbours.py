"""Whether neighbouring sites are alike."""

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
    figures_named,
    main_rows,
    number_cell,
    p_cell,
    rows_of,
)
from morphcline.render.report.phrases import clauses
from morphcline.render.report.sentences import known, sites_in_words


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
    return Section(
        "neighbours",
        _("Are neighbouring sites alike?"),
        points=[
            Points(
                species,
                [
                    *sentences.neighbours([row for (row, *_rest) in traits.values()]),
                    *_reaches([row for (row, *_rest) in far.get(species, {}).values()]),
                    *_scales([row for (row, *_rest) in scale.get(species, {}).values()]),
                ],
            )
            for species, traits in by_trait(adjusted).items()
        ],
        figures=figures_named(figures, "correlogram", "variogram", "clusters"),
        tables=[_indices(adjusted, rows_of(frame, form="raw"))],
        notes=[_("Where a test sees nothing, that does not show that nothing is there.")],
    )


def _indices(adjusted: Sequence[Row], raw: Sequence[Row]) -> ShownTable:
    of_trait = {(row["species"], row["trait"]): row for row in raw}
    rows = []
    for row in adjusted:
        other = of_trait.get((row["species"], row["trait"]), {})
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
    return ShownTable(
        _(
            "Moran's I. The rate-adjusted form allows for unequal samples and is the one to believe; the raw form, of "
            "the frequencies as they stand, is there since readers ask. The nine morphs are in "
            "tables/autocorrelation.csv."
        ),
        (_("Species"), _("Trait")),
        (_("Sites"), _("I, rate-adjusted"), "p", _("I, raw"), _("p, raw")),
        rows,
    )


def _reaches(rows: Sequence[Row]) -> list[str]:
    """Say how far likeness reaches."""
    given = [row for row in rows if known(row["reach_m"])]
    told = []
    if given:
        told.append(
            _(
                "Likeness reaches, with its 95% interval: {traits}. There the correlogram comes down to what any two "
                "sites have on average, so that it belongs to this region and its size."
            ).format(traits=labels.listing(_reach(row) for row in given))
        )
    quiet = [
        labels.trait_name(row["trait"]) for row in rows if not known(row["reach_m"]) and known(row.get("p_global"))
    ]
    if quiet:
        told.append(
            _("No reach is given for {traits}: near sites were not seen to be alike.").format(
                traits=labels.listing(quiet)
            )
        )
    return told


def _reach(row: Row) -> str:
    limits = labels.distance_limits(row["reach_low"], row["reach_high"]) or _("limits not found")
    return _("{trait} {distance} ({numbers})").format(
        trait=labels.trait_name(row["trait"]),
        distance=labels.distance(row["reach_m"]),
        numbers=clauses([limits, sites_in_words(row["sites"])]),
    )


def _scales(rows: Sequence[Row]) -> list[str]:
    """Say how much of the differences between sites counting makes, and on what scale the rest varies."""
    fitted = [row for row in rows if known(row["nugget_small_scale"])]
    told = [_scale(row) for row in fitted if known(row["practical_range_m"])]
    drifting = [row for row in fitted if not known(row["sill"]) and known(row["sill_low"]) and row["sill_low"] > 0]
    if drifting:
        told.append(
            _(
                "The variogram shows no sill in {traits}: sites drift apart over the whole region, as along a cline, "
                "or on a scale that it can't tell."
            ).format(traits=labels.listing(labels.trait_name(row["trait"]) for row in drifting))
        )
    return told


def _scale(row: Row) -> str:
    reach = labels.distance_and_limits(
        row["practical_range_m"], row["practical_range_low"], row["practical_range_high"]
    )
    return _(
        "{trait}: logits are alike out to {distance} at a correlation of {correlation} ({sites}); of their variance "
        "{counting} is the counting of shells and {small} differences at small scale."
    ).format(
        trait=labels.sentence(labels.trait_name(row["trait"])),
        distance=reach,
        correlation=labels.decimals(0.05),
        sites=sites_in_words(row["sites"]),
        counting=labels.percent(_share(row, "nugget_binomial")),
        small=labels.percent(_share(row, "nugget_small_scale")),
    )


def _share(row: Row, part: str) -> float:
    return float(row[part]) / float(row["nugget_binomial"] + row["nugget_small_scale"] + row["sill"])
