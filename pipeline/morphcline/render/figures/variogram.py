"""Variogram: how unlike sites are by distance, with the share that counting shells makes."""

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
)
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import Figure, Heading, style
from morphcline.render.palettes import OKABE_ITO, PAPER, Mark

Row = Mapping[Any, Any]

#: Of the intervals of ranges.
_CONFIDENCE = 0.95
_CURVE, _RANGE = OKABE_ITO[4], OKABE_ITO[5]
_COUNTING, _SMALL_SCALE = "#C9C9C9", "#E9E3D3"


def draw_variogram(
    name: str,
    species: str,
    table: pd.DataFrame,
    fits: pd.DataFrame,
    *,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the variograms of one species, a panel a trait.

    Parameters
    ----------
    name, species : str
    table : DataFrame
        ``trait, distance_class, mean_m, pairs, semivariance, fitted``; each row with a fitted value.
    fits : DataFrame
        ``trait, sites, nugget_binomial, nugget_small_scale, sill, range_m, practical_range_m, practical_range_low,
        practical_range_high, smoothness``; traits without a fitted curve are passed over.
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    traits = labels.main_traits(table["trait"])
    fits = fits[fits["trait"].isin(traits)]
    fit_of = {str(row["trait"]): row for row in fits.to_dict("records")}
    columns = columns_that_fit(len(traits), width_mm, least_mm=40, most=4)
    headings = [Heading(labels.trait_title(trait), _note(fit_of[trait])) for trait in traits]
    marks = [
        Mark(_("Pairs of sites, by distance"), "o", PAPER, edge=_CURVE, size=4),
        *([Mark(_("Fitted curve"), "_", _CURVE, edge=_CURVE, size=8)] if fits["sill"].notna().any() else []),
        *([Mark(_("Fitted curve, no sill"), "--", "none", edge=_CURVE)] if fits["sill"].isna().any() else []),
        Mark(_("Counting of shells"), "s", _COUNTING, edge=_COUNTING, size=7),
        Mark(_("Differences at small scale"), "s", _SMALL_SCALE, edge=_SMALL_SCALE, size=7),
    ]
    ranged = bool(fits["practical_range_m"].notna().any())
    if ranged:
        named = _("Practical range with its {level} interval").format(level=labels.level(_CONFIDENCE))
        marks.append(Mark(named, "D", _RANGE, edge=_RANGE, size=4))
    with style():
        sheet, axes = chart_sheet(
            headings, columns=columns, height_mm=34.0 if width_mm > 120 else 28.0, width_mm=width_mm,
            keys=[marks_key("", [mark], rows=1) for mark in marks], spacing=Spacing(left=10.0, between=1.5),
        )  # fmt: skip
        furthest = 1.04 * float(table["mean_m"].max())
        for i, (panel, trait) in enumerate(zip(axes, traits, strict=True)):
            rows = table[table["trait"] == trait].sort_values("distance_class")
            panel.set_xlim(0, furthest)
            panel.set_ylim(0, 1.08 * float(np.nanmax(rows[["semivariance", "fitted"]].to_numpy(np.float64))))
            _draw_panel(panel, rows, fit_of[trait])
            kilometre_axis(panel, _("Distance (km)") if i + columns >= len(traits) else "")
            number_axis(panel.yaxis)
            panel.set_ylabel(_("Semivariance") if i % columns == 0 else "")
    return Figure(
        name,
        sheet.figure,
        table.merge(fits.drop(columns="species"), on="trait", how="left"),
        _caption(species, table, fits, among, ranged=ranged),
        _alt(species, traits, table, fit_of),
    )


def _note(row: Row) -> str:
    n = labels.number(row["sites"])
    if np.isfinite(row["practical_range_m"]):
        return _("range {distance}; n = {n}").format(distance=labels.distance_and_limits(*_range(row)), n=n)
    return (_("no sill seen; n = {n}") if row["sill_low"] > 0 else _("no range told; n = {n}")).format(n=n)


def _range(row: Row) -> tuple[float, float, float]:
    """Return a practical range with its limits."""
    return float(row["practical_range_m"]), float(row["practical_range_low"]), float(row["practical_range_high"])


def _draw_panel(axes: Axes, rows: pd.DataFrame, fit: Row) -> None:
    at = rows["mean_m"].to_numpy(np.float64)
    counting, small = fit["nugget_binomial"], fit["nugget_small_scale"]
    axes.axhspan(0, counting, color=_COUNTING, lw=0, zorder=0.1)
    axes.axhspan(counting, counting + small, color=_SMALL_SCALE, lw=0, zorder=0.1)
    told = np.isfinite(fit["sill"])
    axes.plot(at, rows["fitted"], color=_CURVE, lw=1.2, ls="-" if told else (0, (3, 1.5)), zorder=2)
    axes.plot(at, rows["semivariance"], "o", ms=3.2, mfc=PAPER, mec=_CURVE, mew=0.8, ls="none", zorder=3)
    metres, low, high = _range(fit)
    if metres <= axes.get_xlim()[1]:
        distance_bar(axes, metres, low, high, height=0.05 * axes.get_ylim()[1], colour=_RANGE)


def _caption(species: str, table: pd.DataFrame, fits: pd.DataFrame, among: labels.Denominators, *, ranged: bool) -> str:
    sites = int(fits["sites"].max())
    drifting = fits["sill"].isna() & (fits["sill_low"] > 0)
    told = [
        many(
            "{species}: variograms of empirical logits, {n} site: half the mean squared difference between sites, by "
            "their distance (Matheron 1963).",
            "{species}: variograms of empirical logits, up to {n} sites: half the mean squared difference between "
            "sites, by their distance (Matheron 1963).",
            sites,
        ).format(species=species, n=labels.number(sites)),
        _(
            "Curve: Matérn with smoothness {smoothness} (exponential), by weighted least squares (Cressie 1985). Grey: "
            "the scatter that counting so many shells makes by itself; above it, what sites differ by at distances "
            "shorter than the survey can tell; the rest is alike at near sites. The curve bends a little with the "
            "shells counted at the sites of each class of distance."
        ).format(smoothness=labels.figures(float(fits["smoothness"].iloc[0]))),
        _(
            "Diamond and bar: the practical range, where the correlation has fallen to {correlation}, with its "
            "{level} interval from surveys simulated from the curve."
        ).format(correlation=labels.decimals(0.05), level=labels.level(_CONFIDENCE))
        if ranged
        else "",
        _(
            "Dashed: no sill is seen, for sites still drift apart at the farthest distances, as along a cline; such a "
            "curve describes the drift no further."
        )
        if drifting.any()
        else "",
        _(
            "No range is told where the interval of the sill reaches down to 0: near sites may be no more alike than "
            "far ones (dashed, too)."
        )
        if (fits["sill"].isna() & ~drifting).any()
        else "",
        labels.denominators_in_text(labels.main_traits(table["trait"]), among),
    ]
    return " ".join(part for part in told if part)


def _alt(species: str, traits: tuple[str, ...], table: pd.DataFrame, fit_of: Mapping[str, Row]) -> str:
    first = _("{species}: {charts} of semivariance against the distance between sites.")
    parts = [first.format(species=species, charts=labels.counted(len(traits), "chart"))]
    for trait in traits:
        lines, fit = table[table["trait"] == trait].sort_values("distance_class"), fit_of[trait]
        share = fit["nugget_binomial"] / float(lines["fitted"].iloc[-1])
        told = [
            _("semivariance from {first} at {near} to {last} at {far}").format(
                first=labels.decimals(lines["semivariance"].iloc[0]),
                near=labels.distance(lines["mean_m"].iloc[0]),
                last=labels.decimals(lines["semivariance"].iloc[-1]),
                far=labels.distance(lines["mean_m"].iloc[-1]),
            ),
            _("of which counting makes {share}").format(share=labels.percent(min(share, 1.0))),
            _reach(fit),
            _("n = {sites}").format(sites=labels.counted(fit["sites"], "site")),
        ]
        parts.append(_("{trait}: {findings}.").format(trait=labels.trait_title(trait), findings=labels.commas(told)))
    return " ".join(parts)


def _reach(fit: Row) -> str:
    if not np.isfinite(fit["practical_range_m"]):
        return _("no range given")
    return _("practical range {distance}").format(distance=labels.distance_and_limits(*_range(fit)))
