"""The page of the plan: places, map, samples needed and what to bear in mind, in one self-contained HTML file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import pandas as pd

from morphcline.language import _, again, marked, within
from morphcline.records.plan_tables import TWO_SURVEYS
from morphcline.render import labels
from morphcline.render.report.parts import ShownFigure, ShownTable, number_cell
from morphcline.render.report.templates import fill, in_italics, of_css
from morphcline.scoring import cautions

_PLACES = marked(
    "Places for new samples, the most worthwhile first. Error: expected standard error there now, in percentage "
    "points. Gain: by how much the mean square standard error is expected to fall."
)
_IN_BOTH_SURVEYS = marked(
    "Sites that have to be in both surveys to see a difference with a probability of {power} at a level of {level}, "
    "by shells per sample."
)
_NO_DRIFT = marked("Drift that stands as 0 is not known from earlier surveys: where sites do drift, more are needed.")
_IN_EACH_HABITAT = marked(
    "Sites needed in each of two habitats to see a difference with a probability of {power} at a level of {level}, by "
    "shells per sample."
)


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
    """Return the plan as one HTML page in the language in force: no link out, no script.

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
        Said in the language in force.
    version : str
    """
    return fill(
        "plan.html.j2",
        filters={"species": partial(in_italics, list(dict.fromkeys(sizes["species"]))), "css": of_css},
        running=_("{title}: where to look next").format(title=title),
        summary=summary,
        places=_places(places),
        sizes=[_sizes(comparison, rows) for comparison, rows in sizes.groupby("comparison", sort=False)],
        figure=figure,
        warnings=[again(text) for text in warnings],
        notes=[again(text) for text in notes],
        fieldwork=[_(text) for text in cautions.FIELDWORK],
        privacy=[_(text) for text in cautions.PRIVACY],
        version=version,
    )


def coordinates(latitude: float, longitude: float) -> str:
    """Return a place as maps and receivers take it, with decimal points in every language."""
    return f"{latitude:.4f}, {longitude:.4f}"


def _places(places: pd.DataFrame) -> ShownTable:
    rows = [
        [
            str(row["rank"]),
            _habitat(row["habitat"]),
            _species_and_trait(str(row["most_for"])),
            coordinates(row["lat"], row["lon"]),
            f"{row['x_m']:.0f}, {row['y_m']:.0f}",
            labels.distance(row["shown_m"]) if math.isfinite(row["shown_m"]) else "–",
            number_cell(100 * row["standard_error_here"], 1),
            labels.percent(row["reduction"]),
            labels.percent(row["reduction_so_far"]),
        ]
        for row in places.to_dict("records")
    ]
    return ShownTable(
        _(_PLACES),
        (
            within("table head, of places", "Rank"),
            _("Habitat"),
            _("Most for"),
            _("Latitude, longitude"),
            _("Easting, northing"),
        ),
        (_("Nearest site"), within("table head, a standard error", "Error"), _("Gain"), _("Gain so far")),
        rows,
    )


def _habitat(name: Any) -> str:
    return labels.habitat_name(str(name)) if name and not pd.isna(name) else "–"


def _species_and_trait(text: str) -> str:
    """Return ``"Cepaea nemoralis, yellow"`` as ``places.csv`` has it, in the language in force."""
    species, _comma, trait = text.partition(", ")
    return _("{species}, {trait}").format(species=species, trait=labels.trait_name(trait))


def _sizes(comparison: object, sizes: pd.DataFrame) -> ShownTable:
    samples = list(dict.fromkeys(int(n) for n in sizes["shells"]))
    two_surveys = comparison == TWO_SURVEYS
    column = "drift_sd" if two_surveys else "rho"
    rows = []
    for _group, group in sizes.groupby(["species", "trait", "difference"], sort=False):
        row = group.iloc[0]
        needed = dict(zip(group["shells"], group["sites"], strict=True))
        cells = ["–" if pd.isna(needed[n]) else labels.number(float(needed[n])) for n in samples]
        rows.append(
            [
                str(row["species"]),
                labels.trait_title(str(row["trait"])),
                labels.percent(float(row["frequency"])),
                labels.points(float(row["difference"])).removeprefix("+"),
                number_cell(float(row[column]), 2),
                *cells,
            ]
        )
    first = sizes.iloc[0]
    caption = _(_IN_BOTH_SURVEYS if two_surveys else _IN_EACH_HABITAT).format(
        power=labels.level(float(first["power"])), level=labels.level(float(first["level"]))
    )
    if two_surveys and (sizes["drift_sd"] == 0).any():
        caption = f"{caption} {_(_NO_DRIFT)}"
    return ShownTable(
        caption,
        (
            _("Species"),
            _("Trait"),
            _("Frequency"),
            _("Difference (points)"),
            _("Drift (sd, logits)") if two_surveys else "ρ",
        ),
        [labels.counted(n, "shell") for n in samples],
        rows,
    )
