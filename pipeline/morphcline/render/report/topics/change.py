"""What changed since earlier surveys."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from morphcline.language import _, many, marked, within
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
from morphcline.render.report.phrases import limits
from morphcline.render.report.sentences import LEVEL, known

_NEAR_STANDS = marked(
    "Near sites changed alike (I = {index}, {p_alike}), so that the pairs are worth some {pairs} independent ones; "
    "with that allowed for, the shift is still seen ({p})."
)
_NEAR_FALLS = marked(
    "Near sites changed alike (I = {index}, {p_alike}), so that the pairs are worth some {pairs} independent ones; "
    "with that allowed for, the shift could be such drift ({p})."
)
_NEAR_UNTESTED = marked(
    "Near sites changed alike (I = {index}, {p_alike}), which the test over pairs doesn't allow for."
)


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
        _("Since earlier surveys"),
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
            _(
                "Places of the two surveys were paired by nearness; the test is over pairs of sites, so that sites "
                "which differ for reasons of their own don't pass for change. The test over shells stands beside it in "
                "tables/change.csv, sites without a pair are in tables/change_unmatched.csv."
            ),
            *_by_radius(radius),
        ],
    )


def _key(row: Row) -> tuple[str, str, str]:
    return str(row["species"]), str(row["trait"]), str(row["earlier_survey"])


def _told(row: Row, logit: Row | None, near: Row | None) -> str:
    parts = [sentences.change(row)]
    if logit is not None and known(logit["p_drift"]) and logit["p_drift"] <= LEVEL:
        parts.append(
            many(
                "Sites changed by unlike amounts: a standard deviation of {deviation} logit ({limits}) beyond what "
                "chance makes.",
                "Sites changed by unlike amounts: a standard deviation of {deviation} logits ({limits}) beyond what "
                "chance makes.",
                logit["drift_sd"],
            ).format(
                deviation=number_cell(logit["drift_sd"], 2),
                limits=_limits(logit["drift_sd_low"], logit["drift_sd_high"]),
            )
        )
    if near is not None and known(near["p_moran"]) and near["p_moran"] <= LEVEL:
        parts.append(_alike(near))
    return " ".join(parts)


def _alike(near: Row) -> str:
    """Say that near sites changed alike, and what that leaves of the shift."""
    index, p_alike = number_cell(near["moran_i"], 2), labels.probability(near["p_moran"])
    if not (known(near["p"]) and known(near["effective_pairs"])):
        return _(_NEAR_UNTESTED).format(index=index, p_alike=p_alike)
    return _(_NEAR_STANDS if near["p"] <= LEVEL else _NEAR_FALLS).format(
        index=index, p_alike=p_alike, pairs=labels.number(near["effective_pairs"]), p=labels.probability(near["p"])
    )


def _limits(low: Any, high: Any) -> str:
    return limits(*(number_cell(end, 2) if known(end) else "" for end in (low, high)))


def _shifts(rows: Sequence[Row], near: dict[tuple[str, str, str], Row], level: str) -> ShownTable:
    cells = []
    for row in rows:
        space = near.get(_key(row), {})
        cells.append(
            [
                str(row["species"]),
                labels.trait_title(row["trait"]),
                str(row["earlier_survey"]),
                labels.number(row["pairs"]),
                number_cell(row["shift"], 2),
                _limits(row["shift_low"], row["shift_high"]),
                p_cell(row["p"]),
                p_cell(space.get("p")),
                number_cell(row["drift_sd"], 2),
                p_cell(row["p_drift"]),
            ]
        )
    return ShownTable(
        _(
            "Shift of the log odds since the earlier survey, mean over pairs of sites, with {level} limits: 0.4 is "
            "odds half as large again. Drift: standard deviation of the sites' own shifts beyond chance."
        ).format(level=level),
        (_("Species"), _("Trait"), within("table head, an earlier survey", "Since")),
        (
            _("Pairs"),
            within("table head, of the log odds", "Shift"),
            _("Limits"),
            "p",
            _("p, near sites alike"),
            _("Drift"),
            _("p of drift"),
        ),
        cells,
    )


def _by_radius(radius: pd.DataFrame | None) -> list[str]:
    """Say how much hangs on the radius within which places are paired."""
    if radius is None or radius.empty:
        return []
    radii = sorted(set(radius["within_m"].astype(float)))
    span = {"first": labels.distance(radii[0]), "last": labels.distance(radii[-1])}
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in main_rows(rows_of(radius)):
        groups.setdefault(_key(row), []).append(row)
    # A radius that pairs nothing has no row.
    numbers = {key: {int(row["pairs"]) for row in rows} for key, rows in groups.items()}
    if all(len(numbers[key]) == 1 and len(rows) == len(radii) for key, rows in groups.items()):
        return [_("Radii from {first} to {last} pair the same places, so that nothing depends on it.").format(**span)]
    turned = [
        _("{trait} in {species}").format(trait=labels.trait_name(trait), species=species)
        for (species, trait, _survey), rows in groups.items()
        if len({row["p"] <= LEVEL for row in rows if known(row["p"])}) > 1
    ]
    every = set().union(*numbers.values())
    span |= {"fewest": labels.number(min(every)), "most": labels.number(max(every))}
    if turned:
        return [
            _(
                "Radii from {first} to {last} give from {fewest} to {most} pairs (tables/change_radius.csv); whether "
                "a change is seen depends on it for {traits}."
            ).format(**span, traits=labels.listing(turned))
        ]
    return [
        _(
            "Radii from {first} to {last} give from {fewest} to {most} pairs (tables/change_radius.csv); what is seen "
            "and what isn't stays the same."
        ).format(**span)
    ]
