"""How the smoothing bandwidths were chosen: deviance left out against bandwidth, a line a trait."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from numpy.typing import ArrayLike, NDArray

from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, columns_that_fit
from morphcline.render.figures.keys import marks_key
from morphcline.render.figures.sheet import TEXT, Figure, Heading, style
from morphcline.render.palettes import INK, PAPER, SERIES, SOFT_INK, Mark

_TICKS = (1.0, 5.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0)
_ROOM = 2.2  # the axis goes so many times as far as the deviance: the names stand above the lines
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
    shown = pd.concat([rows for _, _, rows in _lines(table)], ignore_index=True)
    panels = _panels(shown)
    columns = columns_that_fit(len(panels), width_mm, least_mm=70, most=2)
    marks = [
        Mark("Chosen", "o", SOFT_INK, edge=SOFT_INK, size=5),
        Mark("Tried", "o", PAPER, edge=SOFT_INK, size=3.2),
    ]
    with style():
        sheet, axes = chart_sheet(
            [Heading("", species=species) for species, _ in panels], columns=columns, height_mm=54.0,
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
        # A seventh line would repeat a mark.
        found += [(str(species), traits[i : i + len(SERIES)]) for i in range(0, len(traits), len(SERIES))]
    return found


def _draw_panel(axes: Axes, table: pd.DataFrame) -> None:
    handles = []
    for (traits, rows), mark in zip(table.groupby("trait", sort=False), SERIES, strict=False):
        bandwidth, above = rows["bandwidth_m"].to_numpy(np.float64), rows["above_lowest"].to_numpy(np.float64)
        axes.plot(bandwidth, above, color=mark.fill, lw=1.0, zorder=2)
        chosen = rows["chosen"].to_numpy(bool)
        for these, fill, size in ((~chosen, PAPER, 0.65 * mark.size), (chosen, mark.fill, 1.25 * mark.size)):
            axes.plot(
                bandwidth[these], above[these], mark.marker, ms=size, mfc=fill, mec=mark.fill, mew=0.8, ls="none",
                zorder=4, clip_on=False,
            )  # fmt: skip
        label = (
            f"{labels.sentence(str(traits))}: {labels.distance(float(bandwidth[chosen][0]))}" if chosen.any() else ""
        )
        handles.append(
            Line2D([], [], color=mark.fill, marker=mark.marker, ms=mark.size, lw=1.0,
                   label=label or labels.sentence(str(traits)))
        )  # fmt: skip
    _scale(axes, table)
    axes.legend(
        handles=handles, loc="upper right", fontsize=TEXT, labelcolor=INK, handlelength=1.8, borderaxespad=0.2,
        labelspacing=0.25, title="Chosen bandwidth", title_fontsize=TEXT, alignment="left",
    )  # fmt: skip
    axes.set_xlabel("Bandwidth (km)")
    axes.set_ylabel("Deviance above the lowest")


def _scale(axes: Axes, table: pd.DataFrame) -> None:
    axes.set_xscale("log")
    low, high, top = table["bandwidth_m"].min(), table["bandwidth_m"].max(), table["above_lowest"].max()
    axes.xaxis.set_major_locator(FixedLocator(_ticks(low, high)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda metres, _: f"{metres / 1000:g}"))
    # By roots, so that the bottom, where the choice is made, has room; the names stand above the lines.
    axes.set_yscale("function", functions=(_root, _square))
    axes.yaxis.set_major_locator(FixedLocator(_heights(max(top, 1.0))))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
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


def _chosen(rows: pd.DataFrame) -> list[str]:
    chosen = rows[rows["chosen"].astype(bool)]
    return [
        f"{traits} {labels.distance(metres)}"
        for traits, metres in zip(chosen["trait"], chosen["bandwidth_m"].to_numpy(np.float64), strict=True)
    ]


def _most(numbers: pd.DataFrame, species: str) -> str:
    these = numbers[numbers["species"] == species]
    return f" ({labels.shells_and_sites('', these['shells'].max(), int(these['sites'].max()))})" if len(these) else ""


def _caption(table: pd.DataFrame, numbers: pd.DataFrame, kernel: str, degree: int) -> str:
    parts = []
    for species, rows in table.groupby("species", sort=False):
        chosen = _chosen(rows)
        if chosen:
            parts.append(f"{species}{_most(numbers, str(species))}: {'; '.join(chosen)}.")
    method = "local logistic regression" if degree == 1 else "kernel-weighted proportions"
    return " ".join(
        [
            f"Choice of the smoothing bandwidths: deviance of each site's counts under {method} "
            f"({labels.kernel_name(kernel)} kernel) from the sites left in, scaled for over-dispersion and summed over "
            "sites, above the lowest of its line. Sites were left out one by one and in blocks; the line is that of "
            "the wider bandwidth of the two. Chosen (filled) is the widest that foretells as well as the lowest, "
            "within a quarter of the difference's standard error. Traits named together share a bandwidth and a "
            "multinomial deviance.",
            *parts,
        ]
    )


def _alt(table: pd.DataFrame, numbers: pd.DataFrame) -> str:
    parts = []
    for species, rows in table.groupby("species", sort=False):
        chosen = _chosen(rows)
        low, high = rows["bandwidth_m"].min(), rows["bandwidth_m"].max()
        best = f", chosen: {'; '.join(chosen)}" if chosen else ""
        parts.append(
            f"{species}: bandwidths from {labels.distance_range(low, high)}{best}{_most(numbers, str(species))}."
        )
    return "Line charts of cross-validated deviance against the smoothing bandwidth. " + " ".join(parts)
