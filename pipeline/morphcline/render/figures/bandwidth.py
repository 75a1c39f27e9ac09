"""How the smoothing bandwidths were chosen: deviance left out against bandwidth, a line a trait."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, NullLocator
from numpy.typing import ArrayLike, NDArray

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, columns_that_fit, short, written
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import TEXT, Figure, Heading, style
from morphcline.render.palettes import INK, PAPER, SOFT_INK, Mark, trait_marks

_TICKS = (1.0, 5.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0)
_ROOM = 2.2  # the axis goes so many times as far as the deviance: the names stand above the lines
_LINES = 6  # of a panel
_APART = 0.06  # least distance of two ticks, over the height of the axis


def draw_bandwidth(
    name: str, table: pd.DataFrame, numbers: pd.DataFrame, *, kernel: str, degree: int, width_mm: float
) -> Figure:
    """Draw the cross-validated deviance, above its lowest, against the bandwidth: a panel a species, a line a trait.

    Parameters
    ----------
    name : str
    table : DataFrame
        ``species, trait, bandwidth_m, deviance, chosen``: one curve a trait, of at least two bandwidths. Traits
        that share one stand together, with commas between. The nine morphs are left to the table unless nothing else
        is there.
    numbers : DataFrame
        ``species, trait, sites, shells``: what was smoothed.
    kernel : str
    degree : int
    width_mm : float
    """
    shown = pd.concat([line for *_key, line in _lines(table)], ignore_index=True)
    panels = _panels(shown)
    columns = columns_that_fit(len(panels), width_mm, least_mm=70, most=2)
    marks = [
        Mark(_("Chosen"), "o", SOFT_INK, edge=SOFT_INK, size=5),
        Mark(_("Tried"), "o", PAPER, edge=SOFT_INK, size=3.2),
    ]
    with style():
        sheet, axes = chart_sheet(
            [Heading("", species=species) for species, _traits in panels], columns=columns, height_mm=54.0,
            width_mm=width_mm, keys=[marks_key("", [mark], rows=1) for mark in marks],
            spacing=Spacing(head=5.0, left=13.0),
        )  # fmt: skip
        for panel, (species, traits) in zip(axes, panels, strict=True):
            _draw_panel(panel, shown[(shown["species"] == species) & shown["trait"].isin(traits)])
    return Figure(name, sheet.figure, shown, _caption(shown, numbers, kernel, degree), _alt(shown, numbers))


def _lines(table: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Yield species, traits and rows of each line, with the deviance above its lowest."""
    main = table[[bool(labels.main_traits(traits.split(", "))) for traits in table["trait"]]]
    for (species, traits), rows in (table if main.empty else main).groupby(["species", "trait"], sort=False):
        lowest = rows["deviance"].min()
        yield str(species), str(traits), rows.sort_values("bandwidth_m").assign(above_lowest=rows["deviance"] - lowest)


def _panels(table: pd.DataFrame) -> list[tuple[str, list[str]]]:
    found = []
    for species, rows in table.groupby("species", sort=False):
        traits = list(rows["trait"].unique())
        found += [(str(species), traits[i : i + _LINES]) for i in range(0, len(traits), _LINES)]
    return found


def _draw_panel(axes: Axes, table: pd.DataFrame) -> None:
    handles = []
    # A line that several traits share bears the mark of the first.
    marks = trait_marks([str(traits).split(", ")[0] for traits in table["trait"].unique()])
    for (traits, rows), mark in zip(table.groupby("trait", sort=False), marks.values(), strict=True):
        bandwidth, above = rows["bandwidth_m"].to_numpy(np.float64), rows["above_lowest"].to_numpy(np.float64)
        axes.plot(bandwidth, above, color=mark.fill, lw=1.0, zorder=2)
        chosen = rows["chosen"].to_numpy(bool)
        for these, fill, size in ((~chosen, PAPER, 0.65 * mark.size), (chosen, mark.fill, 1.25 * mark.size)):
            axes.plot(
                bandwidth[these], above[these], mark.marker, ms=size, mfc=fill, mec=mark.fill, mew=0.8, ls="none",
                zorder=4, clip_on=False,
            )  # fmt: skip
        label = labels.sentence(_named(str(traits)))
        if chosen.any():
            width = labels.distance(float(bandwidth[chosen][0]))
            label = _("{traits}: {width}").format(traits=label, width=width)
        handles.append(Line2D([], [], color=mark.fill, marker=mark.marker, ms=mark.size, lw=1.0, label=label))
    _scale(axes, table)
    axes.legend(
        handles=handles, loc="upper right", fontsize=TEXT, labelcolor=INK, handlelength=1.8, borderaxespad=0.2,
        labelspacing=0.25, title=_("Chosen bandwidth"), title_fontsize=TEXT, alignment="left",
    )  # fmt: skip
    axes.set_xlabel(_("Bandwidth (km, logarithmic)"))
    axes.set_ylabel(_("Deviance above the lowest (by roots)"))


def _scale(axes: Axes, table: pd.DataFrame) -> None:
    axes.set_xscale("log")
    low, high, top = table["bandwidth_m"].min(), table["bandwidth_m"].max(), table["above_lowest"].max()
    axes.xaxis.set_major_locator(FixedLocator(_ticks(low, high)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(written(lambda metres: short(metres / 1000)))
    # By roots, so that the bottom, where the choice is made, has room; the names stand above the lines.
    axes.set_yscale("function", functions=(_root, _square))
    axes.yaxis.set_major_locator(FixedLocator(_heights(max(top, 1.0))))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(written(labels.number))
    axes.set_ylim(0.0, _ROOM * max(top, 1.0))
    axes.margins(x=0.05)


def _heights(top: float) -> list[float]:
    """Return ticks for deviances up to the top, far enough from each other for their numbers."""
    kept = [0.0]
    for tick in _TICKS:
        if tick <= top and np.sqrt(tick) - np.sqrt(kept[-1]) > _APART * np.sqrt(_ROOM * top):
            kept.append(tick)
    return kept


def _root(value: ArrayLike) -> NDArray[np.float64]:
    return np.sqrt(np.maximum(np.asarray(value, dtype=np.float64), 0.0))


def _square(value: ArrayLike) -> NDArray[np.float64]:
    return np.square(np.asarray(value, dtype=np.float64))


def _ticks(low: float, high: float) -> list[float]:
    steps = [base * 10.0**power for power in range(8) for base in (1, 2, 5)]
    return [step for step in steps if low * 0.999 <= step <= high * 1.001]


def _named(traits: str) -> str:
    return labels.commas(labels.trait_name(trait) for trait in traits.split(", "))


def _chosen(rows: pd.DataFrame) -> str:
    chosen = rows[rows["chosen"].astype(bool)]
    return labels.clauses(
        _("{traits} {width}").format(traits=_named(traits), width=labels.distance(metres))
        for traits, metres in zip(chosen["trait"], chosen["bandwidth_m"].to_numpy(np.float64), strict=True)
    )


def _with_numbers(species: str, numbers: pd.DataFrame) -> str:
    """Return a species with what its surfaces rest on."""
    these = numbers[numbers["species"] == species]
    if these.empty:
        return species
    most = labels.shells_and_sites("", these["shells"].max(), int(these["sites"].max()))
    return _("{species} ({numbers})").format(species=species, numbers=most)


def _caption(table: pd.DataFrame, numbers: pd.DataFrame, kernel: str, degree: int) -> str:
    if degree == 1:
        method = _(
            "Choice of the smoothing bandwidths: deviance of each site's counts under local logistic regression "
            "({kernel} kernel) from the sites left in, scaled for over-dispersion and summed over sites, above the "
            "lowest of its line."
        )
    else:
        method = _(
            "Choice of the smoothing bandwidths: deviance of each site's counts under kernel-weighted proportions "
            "({kernel} kernel) from the sites left in, scaled for over-dispersion and summed over sites, above the "
            "lowest of its line."
        )
    parts = []
    for species, rows in table.groupby("species", sort=False):
        chosen = _chosen(rows)
        if chosen:
            named = _with_numbers(str(species), numbers)
            parts.append(_("{species}: {chosen}.").format(species=named, chosen=chosen))
    return " ".join(
        [
            method.format(kernel=labels.kernel_name(kernel)),
            _(
                "Sites were left out one by one and in blocks; the line is that of the wider bandwidth of the two. "
                "Chosen (filled) is the widest that predicts as well as the best, within a quarter of the "
                "difference's standard error. Traits named together share a bandwidth and a multinomial deviance."
            ),
            *parts,
        ]
    )


def _alt(table: pd.DataFrame, numbers: pd.DataFrame) -> str:
    parts = [_("Line charts of cross-validated deviance against the smoothing bandwidth.")]
    for species, rows in table.groupby("species", sort=False):
        chosen = _chosen(rows)
        if chosen:
            message = _("{species}: bandwidths from {range}, chosen: {chosen}.")
        else:
            message = _("{species}: bandwidths from {range}.")
        tried = labels.distance_range(rows["bandwidth_m"].min(), rows["bandwidth_m"].max())
        named = _with_numbers(str(species), numbers)
        parts.append(message.format(species=named, range=tried, chosen=chosen))
    return " ".join(parts)
