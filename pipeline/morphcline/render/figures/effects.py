"""Effects of habitat and temperature in percentage points, space allowed for and ignored beside each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, named_rows, points_axis, zero_line
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import SMALL, Figure, Heading, style, text_width_mm
from morphcline.render.palettes import LINE, PAPER, SERIES, SOFT_INK, Mark

ROW_MM = 4.6
#: Half the distance between the two marks of a row, in rows.
_APART = 0.17
#: Panels end at the farthest interval that allows for space, and no farther than this.
_FARTHEST = 0.6
LEVEL = 0.05


def draw_effects(
    name: str,
    species: str,
    table: pd.DataFrame,
    *,
    confidence: float,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the mean difference that habitat classes and a degree make, a panel a trait.

    Parameters
    ----------
    name, species : str
    table : DataFrame
        Rows of ``marginal_effects.csv`` of this species and of the traits to be shown, habitats in the order wanted,
        temperature last; at least one row.
    confidence : float
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    traits = labels.main_traits(table["trait"])
    terms = list(dict.fromkeys(table["term"]))
    names = max(text_width_mm(_row_name(term), SMALL) for term in terms) + 3.0
    columns = max(1, min(len(traits), int((width_mm - names) // 36), 4))
    marks = [
        Mark(f"Space allowed for, {labels.level(confidence)} interval", "o", SERIES[0].fill, SERIES[0].fill, 4.2),
        Mark("The same, could be chance", "o", PAPER, SERIES[0].fill, 4.2),
        Mark("Space ignored", "s", LINE, LINE, 2.8),
    ]
    reach = _reach(table)
    with style():
        sheet, axes = chart_sheet(
            [Heading(labels.trait_title(trait), _against(table, trait)) for trait in traits],
            keys=[marks_key("", [mark], rows=1) for mark in marks], columns=columns,
            height_mm=ROW_MM * len(terms) + 1.5, width_mm=width_mm,
            spacing=Spacing(left=0.0, below=10.5, head=8.6, between=3.0, first=names, right=1.0),
        )  # fmt: skip
        for i, (panel, trait) in enumerate(zip(axes, traits, strict=True)):
            rows = table[table["trait"] == trait].set_index("term").reindex(terms)
            _draw_panel(panel, rows, reach, named=i % columns == 0)
    return Figure(
        name,
        sheet.figure,
        table.copy(),
        _caption(species, table, traits, confidence, among, reach),
        _alt(species, table, traits),
    )


def _row_name(term: str) -> str:
    return "Per °C" if term.startswith("temperature") else labels.sentence(term.removeprefix("habitat: "))


def _against(table: pd.DataFrame, trait: str) -> str:
    references = [name for name in dict.fromkeys(table.loc[table["trait"] == trait, "reference"]) if name]
    return f"against {references[0]}" if references else "per degree"


def _reach(table: pd.DataFrame) -> float:
    limits = table[["low", "high", "effect", "effect_naive"]].abs().to_numpy(np.float64)
    return float(np.clip(1.05 * np.nanmax(limits), 0.05, _FARTHEST))


def _seen(row: pd.Series) -> bool:
    p = row["p_holm"] if np.isfinite(row["p_holm"]) else row["p_spatial"]
    return bool(p <= LEVEL)


def _draw_panel(axes: Axes, rows: pd.DataFrame, reach: float, *, named: bool) -> None:
    zero_line(axes, horizontal=False)
    spatial = SERIES[0].fill
    references = {f"habitat: {name}" for name in rows["reference"].dropna() if name}
    for at, (term, row) in enumerate(rows.iterrows()):
        if not np.isfinite(row["effect"]):
            if term in references:
                axes.text(0, at, "reference", ha="center", va="center", fontsize=SMALL, color=SOFT_INK)
            continue
        above, below = at - _APART, at + _APART
        axes.hlines(above, row["low"], row["high"], color=spatial, lw=1.2, zorder=2.5)
        fill = spatial if _seen(row) else PAPER
        axes.plot([row["effect"]], [above], "o", ms=4.2, mfc=fill, mec=spatial, mew=0.9, zorder=3)
        axes.hlines(below, row["low_naive"], row["high_naive"], color=LINE, lw=0.8, zorder=2)
        axes.plot([row["effect_naive"]], [below], "s", ms=2.6, color=LINE, mew=0, zorder=2.2)
    axes.set_xlim(-reach, reach)
    named_rows(axes, [_row_name(str(term)) if named else "" for term in rows.index])
    points_axis(axes, "Difference (percentage points)")
    axes.locator_params(axis="x", nbins=5)


def _caption(
    species: str,
    table: pd.DataFrame,
    traits: Sequence[str],
    confidence: float,
    among: labels.Denominators,
    reach: float,
) -> str:
    beyond = table[["low_naive", "high_naive", "low", "high"]].abs().max().max() > reach
    return " ".join(
        [
            f"{species}: how far habitat and temperature go with each trait's frequency: the difference in predicted "
            "frequency, mean over the sites, in percentage points, if all were of one habitat rather than of the class "
            f"named above the panel, or a degree warmer; with {labels.level(confidence)} intervals (delta method).",
            "Blue: logistic model with an effect of place, the one to believe; filled where it is told from chance at "
            f"{labels.level(LEVEL)} (classes by Holm's correction). Grey: the same model with sites taken as "
            "independent.",
            *(["Lines that reach a panel's edge go on beyond it."] if beyond else []),
            f"Up to {labels.shells_and_sites('', table['shells'].max(), int(table['sites'].max()))}.",
            labels.denominators_in_text(traits, among),
        ]
    )


def _alt(species: str, table: pd.DataFrame, traits: Sequence[str]) -> str:
    parts = []
    for trait in traits:
        rows = table[(table["trait"] == trait) & table["effect"].notna()]
        told = [
            f"{_row_name(str(row['term'])).lower().replace('°c', 'degree')} {labels.points(row['effect'])} "
            f"({labels.points(row['low'])} to {labels.points(row['high'])})"
            for _, row in rows.iterrows()
            if _seen(row)
        ]
        n = labels.shells_and_sites(trait, rows["shells"].max(), int(rows["sites"].max())) if len(rows) else "none"
        seen = f"told from chance {_against(table, trait)}: {labels.listing(told)}" if told else "none told from chance"
        parts.append(f"{labels.trait_title(trait)} (n = {n}): {seen}.")
    return (
        f"{species}: dots with intervals, differences in percentage points by habitat and per degree, a panel a trait. "
        + " ".join(parts)
    )
