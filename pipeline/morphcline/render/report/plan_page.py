"""The page of the plan: places, map, samples needed and what to bear in mind, in one self-contained HTML file."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.render import labels
from morphcline.render.report.parts import ShownFigure, ShownTable, number_cell
from morphcline.render.report.templates import fill
from morphcline.scoring import cautions


def render_plan(
    *,
    title: str,
    summary: Sequence[str],
    places: pd.DataFrame,
    sizes: pd.DataFrame,
    figure: ShownFigure | None,
    warnings: Sequence[str],
    notes: Sequence[str],
    version: str,
) -> str:
    """Return the plan as one HTML page: no link out, no script.

    Parameters
    ----------
    title : str
    summary : sequence of str
        Sentences at the head.
    places : DataFrame
        Rows of ``places.csv``, with ``shown_m``: metres to the nearest site as it is published.
    sizes : DataFrame
        Rows of ``sample_sizes.csv``.
    figure : ShownFigure or None
    warnings, notes : sequence of str
    version : str
    """
    return fill(
        "plan.html.j2",
        title=title,
        summary=summary,
        places=_places(places),
        sizes=[_sizes(comparison, rows) for comparison, rows in sizes.groupby("comparison", sort=False)],
        figure=figure,
        warnings=warnings,
        notes=notes,
        fieldwork=cautions.FIELDWORK,
        privacy=cautions.PRIVACY,
        version=version,
    )


def _places(places: pd.DataFrame) -> ShownTable:
    rows = [
        [
            str(row["rank"]),
            str(row["habitat"]) or "–",
            str(row["most_for"]),
            f"{row['lat']:.4f}, {row['lon']:.4f}",
            f"{row['x_m']:.0f}, {row['y_m']:.0f}",
            labels.distance(row["shown_m"]),
            number_cell(100 * row["standard_error_here"], 1),
            f"{100 * row['reduction']:.1f}%",
            f"{100 * row['reduction_so_far']:.1f}%",
        ]
        for row in places.to_dict("records")
    ]
    return ShownTable(
        "Places for new samples, the most worthwhile first. Error: expected standard error there now, in percentage "
        "points. Gain: by how much the mean square standard error falls.",
        ("Rank", "Habitat", "Most for", "Latitude, longitude", "Easting, northing"),
        ("Nearest site", "Error", "Gain", "Gain so far"),
        rows,
    )


def _sizes(comparison: object, sizes: pd.DataFrame) -> ShownTable:
    samples = list(dict.fromkeys(int(n) for n in sizes["shells"]))
    two_surveys = "survey" in str(comparison)
    column = "drift_sd" if two_surveys else "rho"
    rows = []
    for _, group in sizes.groupby(["species", "trait", "difference"], sort=False):
        row = group.iloc[0]
        needed = dict(zip(group["shells"], group["sites"], strict=True))
        cells = ["–" if pd.isna(needed[n]) else labels.number(float(needed[n])) for n in samples]
        points = labels.points(float(row["difference"])).removeprefix("+")
        named = [str(row["species"]), str(row["trait"]), labels.percent(float(row["frequency"]))]
        rows.append([*named, f"{points} points", f"{row[column]:.2f}", *cells])
    first = sizes.iloc[0]
    what = "Sites that have to be in both surveys" if two_surveys else "Sites needed in each of two habitats"
    return ShownTable(
        f"{what} to see a difference with a probability of {labels.level(float(first['power']))} at a level of "
        f"{labels.level(float(first['level']))}, by shells a sample.",
        ("Species", "Trait", "Frequency", "Difference", "Drift (sd, logits)" if two_surveys else "ρ"),
        [f"{n} shells" for n in samples],
        rows,
    )
