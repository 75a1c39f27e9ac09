"""Change since earlier surveys: pooled differences with intervals, and the pairs of places behind them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.figures.charts import (
    Spacing,
    chart_sheet,
    columns_that_fit,
    named_rows,
    points_axis,
    zero_line,
)
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import SMALL, Figure, Heading, style, text_width_mm
from morphcline.render.palettes import SERIES, SOFT_INK, Mark

ROW_MM = 5.2
PAIR = "#B4B4B4"
#: Room for half a mark beyond the farthest value, as a share of it.
ROOM = 0.035


def draw_change(
    name: str,
    table: pd.DataFrame,
    *,
    within_m: float,
    confidence: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the change of each trait's frequency, a panel a species and earlier survey.

    Parameters
    ----------
    name : str
    table : DataFrame
        ``species, trait, pair, earlier_survey, site, earlier_count, earlier_total, later_count, later_total,
        earlier_frequency, later_frequency, difference, low, high, p, pairs, method``; rows with an empty ``site`` are
        pooled over ``pairs`` pairs of places. At least one pooled row has a difference.
    within_m : float
        Places closer than this are paired.
    confidence : float
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    groups = [(str(s), str(e), rows) for (s, e), rows in table.groupby(["species", "earlier_survey"], sort=False)]
    traits = {id(rows): labels.main_traits(rows["trait"]) for *_, rows in groups}
    names = max(text_width_mm(labels.trait_title(t), SMALL) for shown in traits.values() for t in shown) + 3.0
    numbers = max(text_width_mm(_numbers(row), SMALL) for _at, row in table[table["site"] == ""].iterrows()) + 3.0
    columns = columns_that_fit(len(groups), width_mm, least_mm=names + numbers + 38, most=2)
    most = max(len(shown) for shown in traits.values())
    marks = [
        Mark(
            _("All pairs of places, {level} interval").format(level=labels.level(confidence)),
            "o",
            SERIES[0].fill,
            SERIES[0].fill,
            4.4,
        ),
        Mark(_("One pair of places"), "o", PAIR, PAIR, 2.4),
    ]
    keys = [marks_key("", [mark], rows=1) for mark in marks]
    notes = [_("now against {survey}").format(survey=survey) for _species, survey, _rows in groups]
    with style():
        sheet, axes = chart_sheet(
            [Heading("", note, group[0]) for note, group in zip(notes, groups, strict=True)], columns=columns,
            height_mm=ROW_MM * most + 2, width_mm=width_mm, keys=keys,
            spacing=Spacing(left=names, right=numbers, between=3.0, head=8.4, below=9.0),
        )  # fmt: skip
        reach = _reach(table)
        for panel, (*_names, rows) in zip(axes, groups, strict=True):
            _draw_panel(panel, rows, traits[id(rows)], reach)
    return Figure(name, sheet.figure, _data(table), _caption(table, within_m, confidence, among), _alt(groups))


def _reach(table: pd.DataFrame) -> float:
    """Return where the panels end: beyond every interval, and beyond all but the farthest pairs of places."""
    limits = table.loc[table["site"] == "", ["low", "high", "difference"]].abs().max().max()
    far = table["difference"].abs().quantile(0.98)
    return min(1.08 * float(np.nanmax([limits, far, 0.05])), 1.05)


def _numbers(row: pd.Series) -> str:
    return f"  {labels.percent(float(row['earlier_frequency']))} → {labels.percent(float(row['later_frequency']))}"


def _draw_panel(axes: Axes, rows: pd.DataFrame, traits: Sequence[str], reach: float) -> None:
    zero_line(axes, horizontal=False)
    mark = SERIES[0]
    for at, trait in enumerate(traits):
        these = rows[rows["trait"] == trait]
        pairs = these[(these["site"] != "") & these["difference"].notna()].sort_values(["difference", "site"])
        # A fixed ladder of heights sets pairs of equal change apart.
        offsets = 0.26 * ((np.arange(len(pairs)) * 0.618034) % 1.0 - 0.5) * 2
        _draw_pairs(axes, pairs["difference"].to_numpy(np.float64), np.asarray(at + offsets, dtype=np.float64), reach)
        for _at, row in these[(these["site"] == "") & these["difference"].notna()].iterrows():
            axes.hlines(at, float(row["low"]), float(row["high"]), color=mark.fill, lw=1.2, zorder=2.5)
            axes.plot([float(row["difference"])], [at], "o", ms=4.4, color=mark.fill, zorder=3)
            axes.text(
                1.0, at, _numbers(row), transform=axes.get_yaxis_transform(), va="center_baseline", fontsize=SMALL,
                color=SOFT_INK,
            )  # fmt: skip
    axes.set_xlim(-(1 + ROOM) * reach, (1 + ROOM) * reach)
    named_rows(axes, [labels.trait_title(trait) for trait in traits])
    points_axis(axes, _("Change (percentage points)"))


def _draw_pairs(axes: Axes, change: NDArray[np.float64], heights: NDArray[np.float64], reach: float) -> None:
    """Draw pairs of places; a change beyond the panel is a triangle at its edge, pointing outwards."""
    inside = np.abs(change) <= reach
    axes.plot(change[inside], heights[inside], "o", ms=1.8, color=PAIR, mew=0, zorder=1.5)
    for side, marker in ((-1, "<"), (1, ">")):
        beyond = ~inside & (np.sign(change) == side)
        at = np.full(int(beyond.sum()), side * reach)
        axes.plot(at, heights[beyond], marker, ms=2.6, color=PAIR, mew=0, zorder=1.5)


def _outside(table: pd.DataFrame, reach: float) -> bool:
    return bool((table.loc[table["site"] != "", "difference"].abs() > reach).any())


def _data(table: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "species", "trait", "pair", "earlier_survey", "site", "earlier_count", "earlier_total", "later_count",
        "later_total", "earlier_frequency", "later_frequency", "difference", "low", "high", "p", "pairs",
    ]  # fmt: skip
    return table[columns].copy()


def _caption(table: pd.DataFrame, within_m: float, confidence: float, among: labels.Denominators) -> str:
    pooled = table[(table["site"] == "") & table["difference"].notna()]
    parts = []
    for (species, survey), rows in pooled.groupby(["species", "earlier_survey"], sort=False):
        most = rows.sort_values("later_total", kind="stable").iloc[-1]
        parts.append(
            many(
                "{species}, now against {survey}: {n} pair of places, {then} then and {now} now.",
                "{species}, now against {survey}: up to {n} pairs of places, {then} then and {now} now.",
                most["pairs"],
            ).format(
                species=species,
                survey=survey,
                n=labels.number(most["pairs"]),
                then=labels.counted(most["earlier_total"], "shell"),
                now=labels.number(most["later_total"]),
            )
        )
    methods = labels.listing(_(str(method)) for method in dict.fromkeys(pooled["method"]))
    if _outside(table, _reach(table)):
        parts.append(_("Triangles at the edge: pairs of places that changed by more than the panel shows."))
    return " ".join(
        [
            _(
                "Change of each trait's frequency since earlier surveys of the same places (within {distance}), in "
                "percentage points, with {level} intervals ({methods})."
            ).format(distance=labels.distance(within_m), level=labels.level(confidence), methods=methods),
            *parts,
            _("On the right: the frequency then and now over all pairs, weighted as their mean change is."),
            labels.denominators_in_text(labels.main_traits(table["trait"]), among),
        ]
    )


def _alt(groups: Sequence[tuple[str, str, pd.DataFrame]]) -> str:
    parts = [_("Dots with intervals: change of frequency by trait, around a line at no change.")]
    for species, survey, rows in groups:
        pooled = rows[(rows["site"] == "") & rows["difference"].notna()]
        changes = [
            _("{trait} {points} ({low} to {high})").format(
                trait=labels.trait_name(str(row["trait"])),
                points=labels.points(float(row["difference"])),
                low=labels.points(float(row["low"])),
                high=labels.points(float(row["high"])),
            )
            for _at, row in pooled.iterrows()
            if row["trait"] in labels.main_traits(rows["trait"])
        ]
        n = int(pooled["pairs"].max()) if len(pooled) else 0
        parts.append(
            many(
                "{species}, now against {survey}, n = {n} pair of places, points: {changes}.",
                "{species}, now against {survey}, n = {n} pairs of places, points: {changes}.",
                n,
            ).format(species=species, survey=survey, n=labels.number(n), changes=labels.listing(changes))
        )
    return " ".join(parts)
