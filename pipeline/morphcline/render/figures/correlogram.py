"""Correlogram: Moran's I of frequencies by distance class, within the envelope of chance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.figures.charts import (
    Spacing,
    chart_sheet,
    columns_that_fit,
    distance_bar,
    kilometre_axis,
    number_axis,
    zero_line,
)
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import Figure, Heading, style
from morphcline.render.palettes import LINE, OKABE_ITO, PAPER, Mark

Row = Mapping[Any, Any]

#: Of the intervals of reaches.
_CONFIDENCE = 0.95
_CURVE, _REACH, _BAND = OKABE_ITO[4], OKABE_ITO[5], "#DEDEDE"


def draw_correlogram(
    name: str,
    species: str,
    table: pd.DataFrame,
    reaches: pd.DataFrame,
    numbers: pd.DataFrame,
    *,
    permutations: int,
    level: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw Moran's I of one species by distance class, a panel a trait.

    Parameters
    ----------
    name, species : str
    table : DataFrame
        ``trait, distance_class, from_m, to_m, mean_m, pairs, moran_i, expected, envelope_low, envelope_high,
        p_permutation, p_holm``; at least one row, and each with a Moran's I.
    reaches : DataFrame
        ``trait, sites, p_global, reach_m, reach_low, reach_high``.
    numbers : DataFrame
        ``trait, sites, shells``: what each curve rests on.
    permutations : int
    level : float
        At which a class counts as significant, after Holm's correction over its trait's classes, and with which chance
        alone leaves an envelope.
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    traits = labels.main_traits(table["trait"])
    reach_of = {str(row["trait"]): row for row in reaches.to_dict("records")}
    columns = columns_that_fit(len(traits), width_mm, least_mm=40, most=4)
    headings = [Heading(labels.trait_title(trait), _note(reach_of.get(trait))) for trait in traits]
    significant, reached = bool((table["p_holm"] <= level).any()), bool(reaches["reach_m"].notna().any())
    filled = Mark(_("Holm-corrected p ≤ {level}").format(level=labels.figures(level)), "o", _CURVE, _CURVE, 4)
    with_limits = _("Reach with its {level} interval").format(level=labels.level(_CONFIDENCE))
    marks = [
        *([filled] if significant else []),
        Mark(_("Not significant"), "o", PAPER, edge=_CURVE, size=4),
        Mark(_("{level} envelope of chance").format(level=labels.level(1 - level)), "s", _BAND, edge=_BAND, size=7),
        Mark(_("Expected by chance"), "--", "none", edge=LINE, size=8),
        *([Mark(with_limits, "D", _REACH, edge=_REACH, size=4)] if reached else []),
    ]
    with style():
        sheet, axes = chart_sheet(
            headings, columns=columns, height_mm=38.0 if width_mm > 120 else 32.0, width_mm=width_mm,
            keys=[marks_key("", [mark], rows=1) for mark in marks], spacing=Spacing(left=10.0, between=1.5),
        )  # fmt: skip
        low, high = _limits(table)
        furthest = 1.04 * float(table["mean_m"].max())
        for i, (panel, trait) in enumerate(zip(axes, traits, strict=True)):
            panel.set_xlim(0, furthest)
            panel.set_ylim(low, high)
            rows = table[table["trait"] == trait].sort_values("distance_class")
            _draw_panel(panel, rows, reach_of.get(trait), level)
            kilometre_axis(panel, _("Distance (km)") if i + columns >= len(traits) else "")
            number_axis(panel.yaxis)
            panel.set_ylabel(_("Moran's I") if i % columns == 0 else "")
    return Figure(
        name,
        sheet.figure,
        table.merge(reaches.drop(columns=["species", "sites"]), on="trait", how="left"),
        _caption(species, table, numbers, permutations, level, among),
        _alt(species, table, reach_of, level),
    )


def _limits(table: pd.DataFrame) -> tuple[float, float]:
    values = table[["moran_i", "envelope_low", "envelope_high"]].to_numpy(np.float64)
    low, high = min(np.nanmin(values), 0.0), max(np.nanmax(values), 0.0)
    room = 0.06 * max(high - low, 0.05)
    return low - room, high + room


def _note(row: Row | None) -> str:
    if row is None:
        return ""
    n = labels.number(row["sites"])
    if not np.isfinite(row["reach_m"]):
        told = _("no reach; n = {n}").format(n=n)
    else:
        told = _("reach {distance}; n = {n}").format(distance=labels.distance_and_limits(*_reach(row)), n=n)
    # A line that is too long breaks between the two, not within the second.
    return told.replace(" = ", "\u00a0=\u00a0")


def _reach(row: Row) -> tuple[float, float, float]:
    """Return a reach with its limits."""
    return float(row["reach_m"]), float(row["reach_low"]), float(row["reach_high"])


def _draw_panel(axes: Axes, rows: pd.DataFrame, row: Row | None, level: float) -> None:
    at, moran = rows["mean_m"].to_numpy(np.float64), rows["moran_i"].to_numpy(np.float64)
    low, high = rows["envelope_low"].to_numpy(np.float64), rows["envelope_high"].to_numpy(np.float64)
    filled = (rows["p_holm"] <= level).to_numpy()
    axes.fill_between(at, low, high, color=_BAND, lw=0, zorder=0.2)
    zero_line(axes)
    axes.plot(at, rows["expected"], color=LINE, lw=0.7, ls=(0, (4, 2)), zorder=1)
    axes.plot(at, moran, color=_CURVE, lw=1.0, zorder=2)
    for chosen, fill in ((filled, _CURVE), (~filled, PAPER)):
        axes.plot(at[chosen], moran[chosen], "o", ms=3.4, mfc=fill, mec=_CURVE, mew=0.8, ls="none", zorder=3)
    if row is not None and np.isfinite(row["reach_m"]):
        # Where the curve comes down to its expectation.
        distance_bar(axes, *_reach(row), height=float(rows["expected"].iloc[0]), colour=_REACH)


def _caption(
    species: str,
    table: pd.DataFrame,
    numbers: pd.DataFrame,
    permutations: int,
    level: float,
    among: labels.Denominators,
) -> str:
    told = [_("{species}: Moran's I of rate-adjusted frequencies between sites, by distance.").format(species=species)]
    if len(numbers):
        most = numbers.sort_values("sites", kind="stable").iloc[-1]
        told.append(
            _("Up to {shells_and_sites}.").format(
                shells_and_sites=labels.shells_and_sites("", most["shells"], int(most["sites"]))
            )
        )
    classes = int(table.groupby("trait")["distance_class"].max().max())
    told += [
        many(
            "{n} distance class; points stand at the mean distance of their class's pairs; n is the number of sites.",
            "{n} distance classes; points stand at the mean distance of their class's pairs; n is the number of sites.",
            classes,
        ).format(n=labels.number(classes)),
        _(
            "Grey: by chance a whole curve leaves this band with a probability of {level} (extreme rank length, "
            "{permutations} permutations; Myllymäki et al. 2017)."
        ).format(level=labels.level(level), permutations=labels.number(permutations)),
        _(
            "Filled: p ≤ {level} after Holm's correction over the classes of a trait (two-sided). Dashed: the value "
            "expected by chance."
        ).format(level=labels.figures(level)),
        _(
            "Diamond and bar: the reach, where the curve, made to fall, first comes down to what any two sites have on "
            "average, with its {level} interval by bootstrap over sites; given where the curve leaves the band."
        ).format(level=labels.level(_CONFIDENCE)),
        labels.denominators_in_text(labels.main_traits(table["trait"]), among),
    ]
    return " ".join(part for part in told if part)


def _alt(species: str, table: pd.DataFrame, reach_of: Mapping[str, Row], level: float) -> str:
    traits = labels.main_traits(table["trait"])
    parts = [
        _(
            "{species}: {charts} of Moran's I against the distance between sites, each over the {level} envelope of "
            "chance."
        ).format(species=species, charts=labels.counted(len(traits), "line chart"), level=labels.level(1 - level))
    ]
    for trait in traits:
        lines = table[table["trait"] == trait].sort_values("distance_class")
        first, last = lines.iloc[0], lines.iloc[-1]
        row = reach_of.get(trait)
        told = [
            _("from {first} within {near} to {last} at {far} and more").format(
                first=labels.decimals(first["moran_i"]), near=labels.distance(first["to_m"]),
                last=labels.decimals(last["moran_i"]), far=labels.distance(last["from_m"]),
            ),
            _outside(lines),
        ]  # fmt: skip
        if row is not None and np.isfinite(row["reach_m"]):
            told.append(_("reach {distance}").format(distance=labels.distance_and_limits(*_reach(row))))
        if row is not None:
            told.append(_("n = {sites}").format(sites=labels.counted(row["sites"], "site")))
        parts.append(_("{trait}: {findings}.").format(trait=labels.trait_title(trait), findings=labels.commas(told)))
    return " ".join(parts)


def _outside(lines: pd.DataFrame) -> str:
    outside = int(((lines["moran_i"] > lines["envelope_high"]) | (lines["moran_i"] < lines["envelope_low"])).sum())
    return many("outside its envelope in {n} class", "outside its envelope in {n} classes", outside).format(
        n=labels.number(outside)
    )
