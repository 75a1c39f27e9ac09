"""Frequencies by habitat, with their intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, named_rows, percent_axis
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import SMALL, Figure, Heading, style, text_width_mm
from morphcline.render.palettes import LINE, SERIES, SOFT_INK, Mark

ROW_MM = 4.4


def draw_habitat(
    name: str,
    species: str,
    table: pd.DataFrame,
    regional: pd.DataFrame,
    *,
    source: str,
    confidence: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the frequency of each trait in each habitat, a panel a trait.

    Parameters
    ----------
    name, species : str
    table : DataFrame
        ``species, trait, habitat, count, total, sites, frequency, low, high`` of this species, habitats in the order
        wanted; at least one row.
    regional : DataFrame
        ``trait, frequency`` of this species over the whole region.
    source : str
        Where a site's habitat is from, in words.
    confidence : float
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    traits = labels.main_traits(table["trait"])
    habitats = list(dict.fromkeys(table["habitat"]))
    names = max(text_width_mm(_row_name(habitat), SMALL) for habitat in habitats) + 3.0
    counts = max(
        text_width_mm(_numbers(row["count"], row["total"], row["sites"]), SMALL) for _at, row in table.iterrows()
    )
    columns = max(1, min(len(traits), int((width_mm - names) // (30 + counts)), 3))
    spacing = Spacing(left=0.0, below=7.0, head=7.6, between=3.0, first=names, right=counts + 2.5)
    frequency = _("Frequency with its {level} interval")
    marks = [
        Mark(frequency.format(level=labels.level(confidence)), "o", SERIES[0].fill, SERIES[0].fill, 4.2),
        Mark(_("The whole region"), "--", "none", edge=LINE, size=7),
    ]
    shown = dict(zip(regional["trait"], regional["frequency"], strict=True))
    with style():
        sheet, axes = chart_sheet(
            [Heading(labels.trait_title(trait)) for trait in traits],
            keys=[marks_key("", [mark], rows=1) for mark in marks], columns=columns,
            height_mm=ROW_MM * len(habitats) + 1.5, width_mm=width_mm, spacing=spacing,
        )  # fmt: skip
        for i, (panel, trait) in enumerate(zip(axes, traits, strict=True)):
            rows = table[table["trait"] == trait].set_index("habitat").reindex(habitats)
            _draw_panel(panel, rows, float(shown.get(trait, np.nan)), named=i % columns == 0)
    return Figure(
        name,
        sheet.figure,
        table.copy(),
        _caption(species, table, traits, source, confidence, among),
        _alt(species, table, traits),
    )


def _numbers(count: float, total: float, sites: float) -> str:
    return _("{count}/{total} ({sites})").format(
        count=labels.number(count), total=labels.number(total), sites=labels.number(sites)
    )


def _row_name(habitat: str) -> str:
    return labels.sentence(labels.habitat_name(habitat))


def _draw_panel(axes: Axes, rows: pd.DataFrame, regional: float, *, named: bool) -> None:
    at = np.arange(len(rows))
    mark = SERIES[0]
    known = rows["frequency"].notna().to_numpy()
    if np.isfinite(regional):
        axes.axvline(regional, color=LINE, lw=0.7, ls=(0, (4, 2)), zorder=1)
    axes.hlines(at[known], rows["low"][known], rows["high"][known], color=mark.fill, lw=1.1, zorder=2)
    axes.plot(rows["frequency"][known], at[known], mark.marker, ms=4.2, color=mark.fill, zorder=3)
    told = [
        _numbers(row["count"], row["total"], row["sites"]) if known[position] else _("none")
        for position, (_at, row) in enumerate(rows.iterrows())
    ]
    for position, text in ((-0.95, _("shells (sites)")), *enumerate(told)):
        axes.text(
            1.0, position, "  " + text, transform=axes.get_yaxis_transform(), va="center_baseline", fontsize=SMALL,
            color=SOFT_INK,
        )  # fmt: skip
    named_rows(axes, [_row_name(str(name)) if named else "" for name in rows.index])
    percent_axis(axes, "x")


def _caption(
    species: str, table: pd.DataFrame, traits: Sequence[str], source: str, confidence: float, among: labels.Denominators
) -> str:
    most = table.groupby("trait")[["total", "sites"]].sum().max()
    return " ".join(
        [
            _(
                "{species}: frequency of each trait by habitat, with {level} intervals that allow for differences "
                "between sites beyond chance (beta-binomial)."
            ).format(species=species, level=labels.level(confidence)),
            _(
                "Up to {shells_and_sites}; on the right: shells with the trait / shells judged, and the number of "
                "sites in brackets."
            ).format(shells_and_sites=labels.shells_and_sites("", most["total"], int(most["sites"]))),
            _("Habitat: {source}. Dashed: the regional frequency.").format(source=source),
            labels.denominators_in_text(traits, among),
        ]
    )


def _alt(species: str, table: pd.DataFrame, traits: Sequence[str]) -> str:
    first = _("{species}: dots with intervals, frequency by habitat, one panel per trait.")
    parts = [first.format(species=species)]
    for trait in traits:
        rows = table[(table["trait"] == trait) & table["frequency"].notna()]
        if rows.empty:
            continue
        ordered = rows.sort_values("frequency", kind="stable")
        least, most = ordered.iloc[0], ordered.iloc[-1]
        parts.append(
            _("{trait}: from {low} in {least} to {high} in {most} (n = {numbers}).").format(
                trait=labels.trait_title(trait),
                low=labels.percent(least["frequency"]),
                least=labels.habitat_name(str(least["habitat"])),
                high=labels.percent(most["frequency"]),
                most=labels.habitat_name(str(most["habitat"])),
                numbers=labels.shells_and_sites(trait, rows["total"].sum(), int(rows["sites"].sum())),
            )
        )
    return " ".join(parts)
