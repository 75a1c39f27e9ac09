"""Effects of habitat and temperature in percentage points, space allowed for and ignored beside each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, named_rows, points_axis, zero_line
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import SMALL, TEXT, Figure, Heading, style, tallest_mm, text_width_mm, wrapped
from morphcline.render.palettes import LINE, PAPER, SERIES, SOFT_INK, Mark

ROW_MM = 4.6
#: Half the distance between the two marks of a row, in rows.
_APART = 0.17
#: Panels end at the farthest interval that allows for space, and no farther than this.
_FARTHEST = 0.6
LEVEL = 0.05
#: What the table calls the classes with few sites, taken together.
_POOLED = "other"
#: Width of a panel that still holds its ticks, and what stands above and below one.
NARROWEST_MM, AROUND_MM = 25.0, 26.0


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
    columns = _columns(len(traits), len(terms), width_mm - names)
    label = wrapped(_("Difference (percentage points)"), TEXT, (width_mm - names) / columns - 3.0)
    reach = _reach(table)
    with style():
        sheet, axes = chart_sheet(
            [Heading(labels.trait_title(trait), _against(table, trait)) for trait in traits],
            keys=[marks_key("", [mark], rows=1) for mark in _marks(table, confidence)], columns=columns,
            height_mm=ROW_MM * len(terms) + 1.5, width_mm=width_mm,
            spacing=Spacing(
                left=0.0, below=10.5 + 2.8 * label.count("\n"), head=8.6, between=3.0, first=names, right=1.0
            ),
        )  # fmt: skip
        for i, (panel, trait) in enumerate(zip(axes, traits, strict=True)):
            rows = table[table["trait"] == trait].set_index("term").reindex(terms)
            _draw_panel(panel, rows, reach, label, named=i % columns == 0)
    return Figure(
        name,
        sheet.figure,
        table.copy(),
        _caption(species, table, traits, confidence, among, reach),
        _alt(species, table, traits),
    )


def _marks(table: pd.DataFrame, confidence: float) -> list[Mark]:
    """Return what the key explains: only what is drawn."""
    blue, level = SERIES[0].fill, labels.level(confidence)
    seen = [_seen(row) for _at, row in table[table["effect"].notna()].iterrows()]
    marks = []
    if any(seen):
        marks.append(Mark(_("Space allowed for, {level} interval").format(level=level), "o", blue, blue, 4.2))
    if not all(seen):
        unseen = (
            _("The same, could be chance")
            if marks
            else _("Space allowed for, {level} interval; could be chance").format(level=level)
        )
        marks.append(Mark(unseen, "o", PAPER, blue, 4.2))
    return [*marks, Mark(_("Space ignored"), "s", LINE, LINE, 2.8)]


def _columns(traits: int, terms: int, room_mm: float) -> int:
    """Return the fewest columns whose rows fit the sheet, or as many as have room."""
    wanted, most = (max(1, min(traits, int(room_mm // least), 4)) for least in (36.0, NARROWEST_MM))
    row = ROW_MM * terms + AROUND_MM
    fitting = (columns for columns in range(wanted, most + 1) if math.ceil(traits / columns) * row < tallest_mm())
    return next(fitting, most)


def _row_name(term: str) -> str:
    if term.startswith("temperature"):
        return _("Per °C")
    return labels.sentence(labels.habitat_name(term.removeprefix("habitat: ")))


def _against(table: pd.DataFrame, trait: str) -> str:
    references = [name for name in dict.fromkeys(table.loc[table["trait"] == trait, "reference"]) if name]
    if not references:
        return _("per degree")
    return _("against {habitat}").format(habitat=labels.habitat_name(str(references[0])))


def _reach(table: pd.DataFrame) -> float:
    limits = table[["low", "high", "effect", "effect_naive"]].abs().to_numpy(np.float64)
    return float(np.clip(1.05 * np.nanmax(limits), 0.05, _FARTHEST))


def _seen(row: pd.Series) -> bool:
    p = row["p_holm"] if np.isfinite(row["p_holm"]) else row["p_spatial"]
    return bool(p <= LEVEL)


def _draw_panel(axes: Axes, rows: pd.DataFrame, reach: float, label: str, *, named: bool) -> None:
    zero_line(axes, horizontal=False)
    spatial = SERIES[0].fill
    references = {f"habitat: {name}" for name in rows["reference"].dropna() if name}
    for at, (term, row) in enumerate(rows.iterrows()):
        if not np.isfinite(row["effect"]):
            if term in references:
                axes.text(0, at, _("reference"), ha="center", va="center", fontsize=SMALL, color=SOFT_INK)
            continue
        above, below = at - _APART, at + _APART
        _interval(axes, above, (row["low"], row["high"]), reach, color=spatial, lw=1.2, zorder=2.5)
        fill = spatial if _seen(row) else PAPER
        axes.plot([row["effect"]], [above], "o", ms=4.2, mfc=fill, mec=spatial, mew=0.9, zorder=3)
        _interval(axes, below, (row["low_naive"], row["high_naive"]), reach, color=LINE, lw=0.8, zorder=2)
        axes.plot([row["effect_naive"]], [below], "s", ms=2.6, color=LINE, mew=0, zorder=2.2)
    axes.set_xlim(-reach, reach)
    named_rows(axes, [_row_name(str(term)) if named else "" for term in rows.index])
    points_axis(axes, label)
    axes.locator_params(axis="x", nbins=5)


def _interval(axes: Axes, height: float, limits: tuple[float, float], reach: float, **line: Any) -> None:
    """Draw an interval; an arrowhead stands at an edge of the panel beyond which it goes on."""
    axes.hlines(height, *limits, **line)
    for edge, marker, beyond in ((-reach, 4, limits[0] < -reach), (reach, 5, limits[1] > reach)):
        if beyond:
            axes.plot([edge], [height], marker=marker, ms=3.0, color=line["color"], mew=0, clip_on=False, zorder=3)


def _caption(
    species: str,
    table: pd.DataFrame,
    traits: Sequence[str],
    confidence: float,
    among: labels.Denominators,
    reach: float,
) -> str:
    pooled = (table["term"] == f"habitat: {_POOLED}").any()
    beyond = table[["low_naive", "high_naive", "low", "high"]].abs().max().max() > reach
    return " ".join(
        [
            _(
                "{species}: how far habitat and temperature go with each trait's frequency: the difference in "
                "predicted frequency, mean over the sites, in percentage points, if all were of one habitat rather "
                "than of the class named above the panel, or a degree warmer; with {level} intervals (delta method)."
            ).format(species=species, level=labels.level(confidence)),
            _(
                "Blue: logistic model with an effect of place, the one to believe; filled where it is distinguished "
                "from chance at {level} (classes by Holm's correction). Grey: the same model with sites taken as "
                "independent."
            ).format(level=labels.level(LEVEL)),
            *([_("Arrowheads: the interval goes on beyond the panel.")] if beyond else []),
            *(
                [
                    _(
                        "Other habitats: classes with too few sites for an effect of their own, taken together; where "
                        "a trait has them there, their rows are empty."
                    )
                ]
                if pooled
                else []
            ),
            _("Up to {shells_and_sites}.").format(
                shells_and_sites=labels.shells_and_sites("", table["shells"].max(), int(table["sites"].max()))
            ),
            labels.denominators_in_text(traits, among),
        ]
    )


def _alt(species: str, table: pd.DataFrame, traits: Sequence[str]) -> str:
    first = _(
        "{species}: dots with intervals, differences in percentage points by habitat and per degree, one panel per "
        "trait."
    )  # fmt: skip
    return " ".join([first.format(species=species), *(_told(table, trait) for trait in traits)])


def _told(table: pd.DataFrame, trait: str) -> str:
    rows = table[(table["trait"] == trait) & table["effect"].notna()]
    title = labels.trait_title(trait)
    if rows.empty:
        return _("{trait}: nothing was estimated.").format(trait=title)
    numbers = labels.shells_and_sites(trait, rows["shells"].max(), int(rows["sites"].max()))
    effects = [_effect(row) for _at, row in rows.iterrows() if _seen(row)]
    if not effects:
        return _("{trait} (n = {numbers}): none distinguished from chance.").format(trait=title, numbers=numbers)
    return _("{trait} (n = {numbers}): distinguished from chance, {against}: {effects}.").format(
        trait=title, numbers=numbers, against=_against(table, trait), effects=labels.listing(effects)
    )


def _effect(row: pd.Series) -> str:
    term = str(row["term"])
    name = _("per degree") if term.startswith("temperature") else labels.habitat_name(term.removeprefix("habitat: "))
    points, low, high = (labels.points(row[what]) for what in ("effect", "low", "high"))
    return _("{term} {points} ({low} to {high})").format(term=name, points=points, low=low, high=high)
