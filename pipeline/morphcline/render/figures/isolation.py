"""Isolation by distance: mean differentiation of pairs of sites against their distance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, NullLocator

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.figures.charts import (
    Spacing,
    chart_sheet,
    columns_that_fit,
    kilometre_axis,
    number_axis,
    zero_line,
)
from morphcline.render.figures.sheet import TEXT, Figure, Heading, style
from morphcline.render.palettes import INK, TRAIT_MARKS, Mark

#: Lines of a panel, by their row's trait.
NAMES = {
    "colour": marked("Colour (all three)"),
    "unbanded": marked("Banding (unbanded or not)"),
    "mid-banded": marked("Mid-banded"),
}
_IN_TEXT = {
    "colour": marked("colour (all three)"),
    "unbanded": marked("banding (unbanded or not)"),
    "mid-banded": marked("mid-banded"),
}
_MARKS = {"colour": Mark("", "o", INK), **TRAIT_MARKS}
_TICKS_M = [step * 10.0**power for power in range(1, 7) for step in (1, 2, 5)]


def draw_isolation(
    name: str, lines: pd.DataFrame, classes: pd.DataFrame, *, confidence: float, width_mm: float
) -> Figure:
    """Draw differentiation against distance, a panel a species, colour and banding beside each other.

    Parameters
    ----------
    name : str
    lines : DataFrame
        Columns of ``isolation.csv``: rows that were tested.
    classes : DataFrame
        Columns of ``isolation_bins.csv``; at least one row.
    confidence : float
    width_mm : float
    """
    species = list(dict.fromkeys(classes["species"]))
    with style():
        sheet, axes = chart_sheet(
            [Heading("", species=one) for one in species],
            columns=columns_that_fit(len(species), width_mm, least_mm=70, most=2),
            height_mm=52.0 if width_mm > 120 else 44.0,
            width_mm=width_mm,
            spacing=Spacing(left=13.0),
        )
        for panel, one in zip(axes, species, strict=True):
            _draw_panel(panel, lines[lines["species"] == one], classes[classes["species"] == one])
    return Figure(name, sheet.figure, classes.copy(), _caption(lines, confidence), _alt(lines, classes))


def _draw_panel(axes: Axes, lines: pd.DataFrame, classes: pd.DataFrame) -> None:
    zero_line(axes)
    handles = []
    traits = [trait for trait in NAMES if (classes["trait"] == trait).any()]
    for place, trait in enumerate(traits):
        mark = replace(_MARKS[trait], label=_(NAMES[trait]))
        rows = classes[classes["trait"] == trait].sort_values("distance_class")
        # Side by side, so that no whisker hides another.
        at = rows["middle_m"].to_numpy(np.float64) * 1.035 ** (place - (len(traits) - 1) / 2)
        axes.vlines(at, rows["low"], rows["high"], color=mark.fill, lw=0.7, zorder=2)
        axes.plot(at, rows["differentiation"], mark.marker, color=mark.fill, ms=mark.size, ls="none", zorder=3)
        for line in lines[lines["trait"] == trait].to_dict("records"):
            ends = np.array([rows["middle_m"].min(), rows["middle_m"].max()])
            rise = line["slope_per_doubling"] * np.log2(ends / line["middle_m"])
            axes.plot(ends, line["differentiation"] + rise, color=mark.fill, lw=0.9, ls=(0, (4, 2)), zorder=1)
        handles.append(Line2D([], [], color=mark.fill, marker=mark.marker, ms=mark.size, lw=0.9, label=mark.label))
    axes.set_xscale("log")
    shown = classes["middle_m"]
    axes.xaxis.set_major_locator(FixedLocator([t for t in _TICKS_M if shown.min() / 1.3 <= t <= shown.max() * 1.3]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlim(shown.min() / 1.3, shown.max() * 1.3)
    number_axis(axes.yaxis)
    kilometre_axis(axes, _("Distance between sites (km, logarithmic)"))
    # The line of a cline falls far below 0 at short distances; what is drawn is where the pairs lie.
    low, high = min(0.0, float(classes["low"].min())), float(classes["high"].max())
    axes.set_ylim(low - 0.06 * (high - low), high + 0.3 * (high - low))
    axes.set_ylabel("F_ST / (1 − F_ST)".replace("F_ST", "$F_{ST}$"))
    axes.legend(handles=handles, loc="upper left", fontsize=TEXT, labelcolor=INK, handlelength=1.8, labelspacing=0.25)


def _caption(lines: pd.DataFrame, confidence: float) -> str:
    rests = [
        _("{species}: {sites}, {pairs}.").format(
            species=species,
            sites=labels.counted(rows["sites"].max(), "site"),
            pairs=labels.counted(rows["pairs"].max(), "pair"),
        )
        for species, rows in lines[lines["trait"].isin(NAMES)].groupby("species", sort=False)
    ]
    return " ".join(
        [
            _(
                "Isolation by distance: differentiation of pairs of sites in the frequencies of their phenotypes, "
                "linearised F_ST corrected for sampling error, against the distance between them."
            ),
            *rests,
            _(
                "Points: mean of the pairs in a class of distance, at their geometric mean distance; whiskers: "
                "{level} of resampled surveys of sites. Dashed: the straight line through all pairs against the "
                "logarithm of distance, whose slope is mostly that of far pairs, the most numerous; where the points "
                "bend away from it, as across a cline, it describes them badly, and only the part within the panel is "
                "drawn. The scales of the panels differ. Colour: yellow, pink and brown together, among shells scored "
                "for colour; banding: unbanded or not, among shells scored for banding; mid-banded among banded "
                "shells."
            ).format(level=labels.level(confidence)),
        ]
    )


def _alt(lines: pd.DataFrame, classes: pd.DataFrame) -> str:
    told = [_("Charts of the mean differentiation of pairs of sites against their distance.")]
    for (species, trait), rows in classes.groupby(["species", "trait"], sort=False):
        first, last = rows.iloc[0], rows.iloc[-1]
        values = {
            "species": species,
            "what": _(_IN_TEXT[str(trait)]),
            "first": labels.decimals(first["differentiation"]),
            "near": labels.distance(first["middle_m"]),
            "last": labels.decimals(last["differentiation"]),
            "far": labels.distance(last["middle_m"]),
        }
        fitted = lines[(lines["species"] == species) & (lines["trait"] == trait)]
        if fitted.empty:
            told.append(_("{species}, {what}: {first} at {near}, {last} at {far}.").format(**values))
            continue
        n = int(fitted["sites"].iloc[0])
        message = many(
            "{species}, {what}: {first} at {near}, {last} at {far}, n = {n} site.",
            "{species}, {what}: {first} at {near}, {last} at {far}, n = {n} sites.",
            n,
        )
        told.append(message.format(n=labels.number(n), **values))
    return " ".join(told)
