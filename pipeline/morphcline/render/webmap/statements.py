"""What the page says it shows, in words that need no script: one statement a trait, and the region as a whole."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.webmap.contents import PageData


def statement(data: PageData, species: str, trait: str, rows: pd.DataFrame) -> str:
    """Return what a map of a trait shows: trait, species, how many sites and shells, years, the region's frequency.

    Parameters
    ----------
    data : PageData
    species, trait : str
    rows : DataFrame
        The trait's rows of the frequencies.
    """
    numbers = {
        "trait": labels.trait_title(trait),
        "among": labels.denominator(trait, data.among),
        "species": species,
        "sites": labels.counted(len(rows), "site"),
        "shells": labels.counted(rows["total"].sum(), "shell"),
        "period": data.period,
    }
    shown = (
        _("{trait}, among {among}. {species}: {sites}, {shells}, {period}.")
        if data.period
        else _("{trait}, among {among}. {species}: {sites}, {shells}.")
    )
    region = _region(data, species, trait)
    if region is None:
        return shown.format(**numbers)
    in_region = _("In the region: {frequency} ({confidence} interval {range}).").format(
        frequency=labels.percent(float(region["frequency"])),
        confidence=data.wording.confidence,
        range=labels.percent_range(float(region["low"]), float(region["high"])),
    )
    return shown.format(**numbers) + " " + in_region


def regional_rows(data: PageData) -> list[dict[str, Any]]:
    """Return a row for each species and trait that the page's table of the region shows."""
    rows = []
    for species in dict.fromkeys(data.regional["species"]):
        of_species = data.regional[data.regional["species"] == species]
        for trait in labels.main_traits(of_species["trait"]):
            row = of_species[of_species["trait"] == trait].iloc[0]
            known = math.isfinite(row["frequency"])
            rows.append(
                {
                    "species": species,
                    "trait": labels.trait_title(trait),
                    "among": labels.denominator(trait, data.among),
                    "sites": labels.number(row["sites"]),
                    "shells": _("{count} of {total}").format(
                        count=labels.number(row["count"]), total=labels.number(row["total"])
                    ),
                    "frequency": labels.percent(float(row["frequency"])) if known else _("not estimated"),
                    "range": labels.percent_range(float(row["low"]), float(row["high"])) if known else "",
                }
            )
    return rows


def _region(data: PageData, species: str, trait: str) -> pd.Series | None:
    rows = data.regional[(data.regional["species"] == species) & (data.regional["trait"] == trait)]
    if rows.empty or not math.isfinite(rows.iloc[0]["frequency"]):
        return None
    return rows.iloc[0]
