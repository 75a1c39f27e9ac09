"""Correlogram: Moran's I of frequencies by distance class."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from morphcline.render import labels
from morphcline.render.figures.charts import (
    Spacing,
    chart_sheet,
    columns_that_fit,
    kilometre_axis,
    zero_line,
)
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import TEXT, Figure, Heading, style
from morphcline.render.palettes import INK, LINE, PAPER, SERIES, SOFT_INK, Mark


def draw_correlogram(
    name: str,
    table: pd.DataFrame,
    numbers: pd.DataFrame,
    *,
    permutations: int,
    level: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw Moran's I by distance class, a panel a species and group of traits.

    Parameters
    ----------
    name : str
    table : DataFrame
        ``species, trait, distance_class, from_m, to_m, pairs, moran_i, expected, p_permutation, p_holm``; at least
        one row with a Moran's I.
    numbers : DataFrame
        ``species, trait, sites, shells``: what each line rests on.
    permutations : int
    level : float
        At which a class counts as significant, after Holm's correction over its trait's classes.
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    panels = _panels(table)
    columns = columns_that_fit(len(panels), width_mm, least_mm=70, most=2)
    headings = [Heading(f": {group.lower()}", species=species) for species, group, _ in panels]
    marks = [
        Mark(f"Holm-corrected p ≤ {level:g}", "o", SOFT_INK, edge=SOFT_INK, size=4),
        Mark("Not significant", "o", PAPER, edge=SOFT_INK, size=4),
        Mark("Expected without autocorrelation", "--", "none", edge=LINE, size=8),
    ]
    tall = 48.0 if width_mm > 120 else 42.0
    with style():
        sheet, axes = chart_sheet(
            headings, columns=columns, height_mm=tall, width_mm=width_mm,
            keys=[marks_key("", [mark], rows=1) for mark in marks], spacing=Spacing(head=5.0),
        )  # fmt: skip
        values = table["moran_i"].to_numpy(np.float64)
        low, high = min(np.nanmin(values), 0.0), max(np.nanmax(values), 0.0)
        room = 0.08 * max(high - low, 0.05)
        for panel, (species, _, traits) in zip(axes, panels, strict=True):
            _draw_panel(panel, table[table["species"] == species], traits, level)
            panel.set_ylim(low - room, high + room)
    return Figure(
        name,
        sheet.figure,
        table.copy(),
        _caption(table, numbers, permutations, level, among),
        _alt(table, numbers, level),
    )


def _panels(table: pd.DataFrame) -> list[tuple[str, str, tuple[str, ...]]]:
    found = []
    for species, rows in table.groupby("species", sort=False):
        for group, traits in labels.trait_groups(labels.main_traits(rows["trait"])).items():
            # A seventh line would repeat a mark.
            parts = [traits[i : i + len(SERIES)] for i in range(0, len(traits), len(SERIES))]
            found += [(str(species), group, part) for part in parts]
    return found


def _draw_panel(axes: Axes, table: pd.DataFrame, traits: Sequence[str], level: float) -> None:
    zero_line(axes)
    handles = []
    for trait, style_of in zip(traits, SERIES, strict=False):
        rows = table[table["trait"] == trait].sort_values("distance_class")
        middle = ((rows["from_m"] + rows["to_m"].fillna(rows["from_m"])) / 2).to_numpy(np.float64)
        moran = rows["moran_i"].to_numpy(np.float64)
        filled = (rows["p_holm"] <= level).to_numpy()
        mark = replace(style_of, label=labels.trait_title(trait))
        axes.plot(middle, rows["expected"], color=LINE, lw=0.6, ls=(0, (4, 2)), zorder=1)
        axes.plot(middle, moran, color=mark.fill, lw=1.0, zorder=2)
        for chosen, fill in ((filled, mark.fill), (~filled, PAPER)):
            axes.plot(
                middle[chosen], moran[chosen], mark.marker, ms=mark.size, mfc=fill, mec=mark.fill, mew=0.8,
                ls="none", zorder=3,
            )  # fmt: skip
        handles.append(Line2D([], [], color=mark.fill, marker=mark.marker, ms=mark.size, lw=1.0, label=mark.label))
    axes.set_xlim(left=0)
    kilometre_axis(axes, "Distance between sites (km, middle of class)")
    axes.set_ylabel("Moran's I")
    axes.legend(
        handles=handles, loc="best", fontsize=TEXT, labelcolor=INK, handlelength=1.8, borderaxespad=0.2,
        labelspacing=0.25,
    )  # fmt: skip


def _caption(
    table: pd.DataFrame, numbers: pd.DataFrame, permutations: int, level: float, among: labels.Denominators
) -> str:
    parts = []
    for species, rows in numbers.groupby("species", sort=False):
        most = rows.sort_values("sites", kind="stable").iloc[-1]
        parts.append(f"{species}: up to {labels.shells_and_sites('', most['shells'], int(most['sites']))}.")
    classes = table.groupby(["species", "trait"])["distance_class"].size().max()
    return " ".join(
        [
            "Moran's I of rate-adjusted frequencies between sites, by distance.",
            *parts,
            f"{labels.counted(int(classes), 'distance class', 'distance classes')}; points stand at the middle of "
            "their class.",
            f"Filled: p ≤ {level:g} after Holm's correction over the classes of a trait "
            f"({labels.number(permutations)} permutations, two-sided). Dashed: the value expected without "
            "autocorrelation.",
            labels.denominators_in_text(labels.main_traits(table["trait"]), among),
        ]
    )


def _alt(table: pd.DataFrame, numbers: pd.DataFrame, level: float) -> str:
    parts = []
    for species, rows in table.groupby("species", sort=False):
        for trait in labels.main_traits(rows["trait"]):
            lines = rows[(rows["trait"] == trait) & rows["moran_i"].notna()].sort_values("distance_class")
            if lines.empty:
                continue
            first, last = lines.iloc[0], lines.iloc[-1]
            far = lines[(lines["p_holm"] <= level) & (lines["moran_i"] > lines["expected"])]
            until = f"alike to {labels.distance(far['to_m'].max())}" if len(far) else "no class significantly alike"
            these = numbers[(numbers["species"] == species) & (numbers["trait"] == trait)]
            n = f", n = {labels.counted(int(these['sites'].iloc[0]), 'site')}" if len(these) else ""
            parts.append(
                f"{species}, {trait}: from {_signed(first['moran_i'])} within {labels.distance(first['to_m'])} to "
                f"{_signed(last['moran_i'])} at {labels.distance(last['from_m'])} and more, {until}{n}."
            )
    return "Line charts of Moran's I against the distance between sites. " + " ".join(parts)


def _signed(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")
