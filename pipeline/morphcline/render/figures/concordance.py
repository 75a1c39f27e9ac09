"""Differences between clines: centre, width and bearing of one trait against another, with intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, NullLocator

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, difference_axis, named_rows, short, written
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import SMALL, Figure, Heading, style, text_width_mm
from morphcline.render.palettes import GUIDE, LINE, PAPER, SERIES, SOFT_INK, Mark

ROW_MM = 7.5
#: A panel with its numbers needs as much.
NARROWEST_MM = 40.0
LEVEL = 0.05

_PANELS = {
    "centre": (marked("Centre"), marked("Difference (km)")),
    "width": (marked("Width"), marked("Ratio")),
    "bearing": (marked("Bearing"), marked("Difference (degrees)")),
}


def draw_concordance(name: str, table: pd.DataFrame, *, confidence: float, width_mm: float) -> Figure:
    """Draw how the clines of pairs of traits differ, a panel a parameter and a row a pair.

    Parameters
    ----------
    name : str
    table : DataFrame
        The rows of ``concordance.csv`` that hold numbers; at least one.
    confidence : float
    width_mm : float
    """
    keys = ["species", "trait", "second_species", "second_trait"]
    pairs = [rows for _key, rows in table.groupby(keys, sort=False)]
    names = [_pair_lines(rows.iloc[0]) for rows in pairs]
    room = max(text_width_mm(line, SMALL) for lines in names for line in lines) + 3.0
    shown = [what for what in _PANELS if table.loc[table["parameter"] == what, "difference"].notna().any()]
    # Side by side where the names leave room for that, else one below the other.
    columns = len(shown) if (width_mm - room) / len(shown) >= NARROWEST_MM else 1
    level = labels.level(confidence)
    mark = SERIES[0].fill
    differs = _("Differs: p of {p} or less ({level} interval)")
    marks = [
        Mark(differs.format(p=labels.decimals(LEVEL), level=level), "o", mark, mark, 4.4),
        Mark(_("Not seen to differ"), "o", PAPER, mark, 4.4),
    ]
    with style():
        sheet, axes = chart_sheet(
            [Heading(_(_PANELS[what][0]), _("second trait against first")) for what in shown],
            columns=columns, height_mm=ROW_MM * len(pairs) + 2, width_mm=width_mm,
            keys=[marks_key("", [one], rows=1) for one in marks],
            spacing=Spacing(left=1.5, first=room, right=9.0, between=2.0),
        )  # fmt: skip
        for i, (axis, what) in enumerate(zip(axes, shown, strict=True)):
            _draw_panel(axis, what, pairs)
            named_rows(axis, ["\n".join(lines) if i % columns == 0 else "" for lines in names])
    return Figure(name, sheet.figure, _data(table), _caption(pairs, level), _alt(pairs))


def _pair_lines(row: pd.Series) -> tuple[str, str]:
    """Return what a pair is called, on two lines."""
    first, second = labels.trait_title(row["trait"]), _second(row)
    if row["species"] == row["second_species"]:
        return labels.commas([first, second]), str(row["species"])
    return (
        _("{trait} of {species},").format(trait=first, species=row["species"]),
        _("{trait} of {species}").format(trait=second, species=row["second_species"]),
    )


def _second(row: pd.Series) -> str:
    name = labels.trait_name(row["second_trait"])
    return _("{trait} (its complement)").format(trait=name) if row["reversed"] else name


def _draw_panel(axes: Axes, what: str, pairs: Sequence[pd.DataFrame]) -> None:
    scale = 1000.0 if what == "centre" else 1.0
    axes.axvline(1.0 if what == "width" else 0.0, color=GUIDE, lw=0.8, zorder=0.5)
    if what == "width":
        axes.set_xscale("log")
    mark = SERIES[0].fill
    for at, rows in enumerate(pairs):
        found = rows[(rows["parameter"] == what) & rows["difference"].notna()]
        if found.empty:
            axes.text(0.5, at, _("not compared"), transform=axes.get_yaxis_transform(), ha="center",
                      va="center_baseline", fontsize=SMALL, color=SOFT_INK)  # fmt: skip
            continue
        row = found.iloc[0]
        if np.isfinite(row["low"]) and np.isfinite(row["high"]):
            axes.hlines(at, row["low"] / scale, row["high"] / scale, color=mark, lw=1.2, zorder=2.5)
        fill = mark if row["p_bootstrap"] <= LEVEL else PAPER
        axes.plot([row["difference"] / scale], [at], "o", ms=4.4, mfc=fill, mec=mark, mew=1.0, zorder=3)
        axes.text(
            1.0, at, "  " + labels.bare_probability(row["p_bootstrap"]), transform=axes.get_yaxis_transform(),
            va="center_baseline", fontsize=SMALL, color=SOFT_INK,
        )  # fmt: skip
    axes.text(1.0, -0.72, "  p", transform=axes.get_yaxis_transform(), va="baseline", fontsize=SMALL, color=SOFT_INK)
    difference_axis(axes, _(_PANELS[what][1]))
    if what == "width":
        _ratio_ticks(axes)
    else:
        axes.margins(x=0.06)
        axes.xaxis.set_major_formatter(written(lambda value: ("+" if value > 0 else "") + short(value)))


def _ratio_ticks(axes: Axes) -> None:
    low, high = axes.get_xlim()
    low, high = min(low, 0.5), max(high, 2.0)
    axes.set_xlim(low, high)
    ticks = [base * 10.0**power for power in range(-3, 4) for base in (1, 2, 5)]
    ticks = [tick for tick in ticks if low <= tick <= high]
    if len(ticks) > 7:
        ticks = [tick for tick in ticks if np.isclose(np.log10(tick) % 1, 0)]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(written(short))
    axes.tick_params(axis="x", color=LINE)


def _data(table: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "species", "trait", "second_species", "second_trait", "reversed", "parameter", "difference", "low", "high",
        "p_bootstrap", "p_chi2", "sites", "sites_both", "residual_correlation",
    ]  # fmt: skip
    return table[columns].copy()


def _named(rows: pd.DataFrame) -> str:
    """Return what a pair is called in a sentence."""
    row = rows.iloc[0]
    first, second = labels.trait_name(row["trait"]), _second(row)
    if row["species"] == row["second_species"]:
        message = _("{first} and {second} of {species}")
    else:
        message = _("{first} of {species} and {second} of {second_species}")
    return message.format(first=first, second=second, species=row["species"], second_species=row["second_species"])


def _together(rows: pd.DataFrame) -> str:
    whole = rows[rows["parameter"] == "all"]
    p = labels.probability(float(whole["p_bootstrap"].iloc[0]) if len(whole) else np.nan)
    sites = labels.counted(rows["sites"].iloc[0], "site")
    return _("{pair}: {p} ({sites})").format(pair=_named(rows), p=p, sites=sites)


def _caption(pairs: Sequence[pd.DataFrame], level: str) -> str:
    return " ".join(
        [
            _(
                "How the clines of pairs of traits differ: the second's centre less the first's, along the bearing and "
                "counted from the middle of the sites; its width over the first's; its bearing less the first's, "
                "clockwise."
            ),
            _("Where one trait falls as the other rises, the shells without it are compared."),
            _(
                "{level} intervals and p by surveys simulated from the fitted clines (beta-binomial), in which what "
                "the two traits leave unexplained at a site is correlated as found (studentised differences)."
            ).format(level=level),
            _("All three taken together: {pairs}.").format(pairs=labels.clauses(_together(rows) for rows in pairs)),
            _("Pairs of which either has no cline with a centre and a width are left out."),
        ]
    )


def _alt(pairs: Sequence[pd.DataFrame]) -> str:
    parts = [_("Dots with intervals, one row per pair of traits, around a line at no difference.")]
    for rows in pairs:
        told = [
            _difference(str(row["parameter"]), float(row["difference"]), labels.probability(float(row["p_bootstrap"])))
            for _at, row in rows[rows["difference"].notna()].iterrows()
        ]
        n = int(rows["sites"].iloc[0])
        parts.append(
            many("{pair}, {n} site: {differences}.", "{pair}, {n} sites: {differences}.", n).format(
                pair=labels.sentence(_named(rows)), n=labels.number(n), differences=labels.listing(told)
            )
        )
    return " ".join(parts)


def _difference(what: str, value: float, p: str) -> str:
    if what == "centre":
        return _("centre {distance} ({p})").format(distance=labels.distance(value), p=p)
    if what == "width":
        return _("width {ratio} times ({p})").format(ratio=labels.decimals(value), p=p)
    return _("bearing {degrees}° ({p})").format(degrees=labels.decimals(value, 0), p=p)
