"""What changed since earlier surveys."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.records.change_table import ON_THE_LOGIT, OVER_PAIRS, OVER_SPACE
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
from morphcline.render.report.sentences import LEVEL, known


def change(
    frame: pd.DataFrame, figures: Sequence[ShownFigure], radius: pd.DataFrame | None = None, level: str = "95%"
) -> Section | None:
    """Say what changed since each earlier survey; None without one.

    Parameters
    ----------
    frame : DataFrame
        ``change.csv``.
    figures : sequence of ShownFigure
    radius : DataFrame, optional
        ``change_radius.csv``.
    level : str
        Confidence, in words.
    """
    if frame.empty:
        return None
    pooled = main_rows(rows_of(frame, site="", method=OVER_PAIRS))
    logit, near = (
        {_key(row): row for row in main_rows(rows_of(frame, site="", method=method))}
        for method in (ON_THE_LOGIT, OVER_SPACE)
    )
    shifts = [row for row in logit.values() if known(row["shift"])]
    return Section(
        "change",
        "Since earlier surveys",
        points=[
            Points(
                species,
                [_told(row, logit.get(_key(row)), near.get(_key(row))) for rows in traits.values() for row in rows],
            )
            for species, traits in by_trait(pooled).items()
        ],
        figures=figures_named(figures, "change"),
        tables=[_shifts(shifts, near, level)] if shifts else [],
        notes=[
            "Places of the two surveys were paired by nearness; the test is over pairs of sites, so that sites which "
            "differ for reasons of their own don't pass for change. The test over shells stands beside it in "
            "tables/change.csv, sites without a pair are in tables/change_unmatched.csv.",
            *_by_radius(radius),
        ],
    )


def _key(row: Row) -> tuple[str, str, str]:
    return str(row["species"]), str(row["trait"]), str(row["earlier_survey"])


def _told(row: Row, logit: Row | None, near: Row | None) -> str:
    parts = [sentences.change(row)]
    if logit is not None and known(logit["p_drift"]) and logit["p_drift"] <= LEVEL:
        limits = f"{number_cell(logit['drift_sd_low'], 2)} to {number_cell(logit['drift_sd_high'], 2)}"
        parts.append(
            f"Sites changed by unlike amounts: a standard deviation of {number_cell(logit['drift_sd'], 2)} logits "
            f"({limits}) beyond chance."
        )
    if near is not None and known(near["p_moran"]) and near["p_moran"] <= LEVEL:
        verdict = "the shift stands" if near["p"] <= LEVEL else "the shift could be such drift"
        parts.append(
            f"Near sites changed alike (I = {number_cell(near['moran_i'], 2)}, "
            f"{labels.probability(near['p_moran'])}), so that the pairs are worth some {near['effective_pairs']:.0f} "
            f"independent ones; with that allowed for, {verdict} ({labels.probability(near['p'])})."
        )
    return " ".join(parts)


def _shifts(rows: Sequence[Row], near: dict[tuple[str, str, str], Row], level: str) -> ShownTable:
    cells = []
    for row in rows:
        space = near.get(_key(row), {})
        cells.append(
            [
                str(row["species"]),
                str(row["trait"]),
                str(row["earlier_survey"]),
                str(int(row["pairs"])),
                number_cell(row["shift"], 2),
                f"{number_cell(row['shift_low'], 2)} to {number_cell(row['shift_high'], 2)}",
                p_cell(row["p"]),
                p_cell(space.get("p")),
                number_cell(row["drift_sd"], 2),
                p_cell(row["p_drift"]),
            ]
        )
    return ShownTable(
        f"Shift of the log odds since the earlier survey, mean over pairs of sites, with {level} limits: 0.4 is odds "
        "half as large again. Drift: standard deviation of the sites' own shifts beyond chance.",
        ("Species", "Trait", "Since"),
        ("Pairs", "Shift", "Limits", "p", "p, near sites alike", "Drift", "p of drift"),
        cells,
    )


def _by_radius(radius: pd.DataFrame | None) -> list[str]:
    """Say how much hangs on the radius within which places are paired."""
    if radius is None or radius.empty:
        return []
    radii = sorted(set(radius["within_m"].astype(float)))
    span = f"Radii from {labels.distance(radii[0])} to {labels.distance(radii[-1])}"
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in main_rows(rows_of(radius)):
        groups.setdefault(_key(row), []).append(row)
    # A radius that pairs nothing has no row.
    numbers = {key: {int(row["pairs"]) for row in rows} for key, rows in groups.items()}
    if all(len(numbers[key]) == 1 and len(rows) == len(radii) for key, rows in groups.items()):
        return [f"{span} pair the same places, so that nothing hangs on it."]
    turned = [
        f"{trait} in {species}"
        for (species, trait, _), rows in groups.items()
        if len({row["p"] <= LEVEL for row in rows if known(row["p"])}) > 1
    ]
    every = set().union(*numbers.values())
    told = f"{span} give from {min(every)} to {max(every)} pairs (tables/change_radius.csv)"
    if turned:
        return [f"{told}; whether a change is seen hangs on it for {labels.listing(turned)}."]
    return [f"{told}; what is seen and what isn't stays the same."]
