"""How the smoothing bandwidth was chosen: deviance left out against bandwidth."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, columns_that_fit
from morphcline.render.figures.sheet import TEXT, Figure, Heading, style
from morphcline.render.palettes import INK, PAPER, SERIES


def draw_bandwidth(
    name: str, table: pd.DataFrame, numbers: pd.DataFrame, *, kernel: str, degree: int, width_mm: float
) -> Figure:
    """Draw the cross-validated deviance against the bandwidth, a panel a species.

    Parameters
    ----------
    name : str
    table : DataFrame
        ``species, bandwidth_m, deviance, chosen``; at least two bandwidths a species.
    numbers : DataFrame
        ``species, sites, shells``: what was smoothed.
    kernel : str
    degree : int
    width_mm : float
    """
    species = list(table["species"].unique())
    columns = columns_that_fit(len(species), width_mm, least_mm=60, most=3)
    with style():
        sheet, axes = chart_sheet(
            [Heading("", species=name_) for name_ in species], columns=columns, height_mm=42.0, width_mm=width_mm,
            spacing=Spacing(head=5.0, left=13.0),
        )  # fmt: skip
        for panel, name_ in zip(axes, species, strict=True):
            _draw_panel(panel, table[table["species"] == name_].sort_values("bandwidth_m"))
    return Figure(name, sheet.figure, table.copy(), _caption(table, numbers, kernel, degree), _alt(table, numbers))


def _draw_panel(axes: Axes, rows: pd.DataFrame) -> None:
    bandwidth = rows["bandwidth_m"].to_numpy(np.float64)
    deviance = rows["deviance"].to_numpy(np.float64)
    mark = SERIES[0]
    axes.plot(bandwidth, deviance, color=mark.fill, lw=1.0, zorder=2)
    axes.plot(bandwidth, deviance, "o", ms=3.2, mfc=PAPER, mec=mark.fill, mew=0.8, zorder=3)
    axes.set_xscale("log")
    ticks = _ticks(bandwidth.min(), bandwidth.max())
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda metres, _: f"{metres / 1000:g}"))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.margins(x=0.05, y=0.12)
    chosen = rows[rows["chosen"].astype(bool)]
    if len(chosen):
        at, value = float(chosen["bandwidth_m"].iloc[0]), float(chosen["deviance"].iloc[0])
        axes.axvline(at, color=INK, lw=0.6, ls=(0, (4, 2)), zorder=1)
        axes.plot([at], [value], "o", ms=4.4, color=mark.fill, zorder=4)
        right = at > np.sqrt(bandwidth.min() * bandwidth.max())
        axes.annotate(
            f"chosen: {labels.distance(at)}", (at, 0.97), xycoords=("data", "axes fraction"),
            xytext=(-3 if right else 3, 0), textcoords="offset points", ha="right" if right else "left", va="top",
            fontsize=TEXT,
        )  # fmt: skip
    axes.set_xlabel("Bandwidth (km)")
    axes.set_ylabel("Deviance, sites left out")


def _ticks(low: float, high: float) -> list[float]:
    steps = [base * 10.0**power for power in range(8) for base in (1, 2, 5)]
    return [step for step in steps if low * 0.999 <= step <= high * 1.001]


def _caption(table: pd.DataFrame, numbers: pd.DataFrame, kernel: str, degree: int) -> str:
    parts = []
    for species, rows in table.groupby("species", sort=False):
        chosen = rows[rows["chosen"].astype(bool)]
        these = numbers[numbers["species"] == species]
        n = f" ({labels.shells_and_sites('', these['shells'].max(), int(these['sites'].max()))})" if len(these) else ""
        if len(chosen):
            parts.append(f"{species}{n}: {labels.distance(float(chosen['bandwidth_m'].iloc[0]))}.")
    method = "local logistic regression" if degree == 1 else "kernel-weighted proportions"
    return " ".join(
        [
            f"Choice of the smoothing bandwidth: deviance of each site's counts under {method} "
            f"({labels.kernel_name(kernel)} kernel) from the other sites, scaled for over-dispersion and summed over "
            "sites and traits; the lowest is chosen (dashed line).",
            *parts,
        ]
    )


def _alt(table: pd.DataFrame, numbers: pd.DataFrame) -> str:
    parts = []
    for species, rows in table.groupby("species", sort=False):
        chosen = rows[rows["chosen"].astype(bool)]
        low, high = rows["bandwidth_m"].min(), rows["bandwidth_m"].max()
        best = f", lowest at {labels.distance(float(chosen['bandwidth_m'].iloc[0]))}" if len(chosen) else ""
        these = numbers[numbers["species"] == species]
        n = f", n = {labels.counted(int(these['sites'].max()), 'site')}" if len(these) else ""
        parts.append(f"{species}: bandwidths from {labels.distance_range(low, high)}{best}{n}.")
    return "Line charts of cross-validated deviance against the smoothing bandwidth. " + " ".join(parts)
