"""What else the page shows of a trait: its rasters, cline, correlogram, centre line and change, as plain numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from morphcline.render.webmap.contents import CentreLine, Correlogram, PageData, Profile
from morphcline.render.webmap.grids import Grid
from morphcline.render.webmap.plain import path_in_degrees, rounded_all

#: Corners of a drawn curve: more can't be told apart on a page.
_CURVE = 81
#: Decimals of degrees of a centre line, which is sure to hundreds of metres at best.
_LINE_DIGITS = 4


def linked_numbers(data: PageData, species: str, trait: str, change: pd.DataFrame, place: pd.Series) -> dict[str, Any]:
    """Return a trait's further numbers, None where it has none.

    Parameters
    ----------
    data : PageData
    species, trait : str
    change : DataFrame
        Pairs of places that may be shown.
    place : Series
        A site's place in the page's list, by site.
    """
    key = (species, trait)
    pairs = change[(change["species"] == species) & (change["trait"] == trait)]
    return {
        "grid": _grid(data.grids.get(key)),
        "contours": [[level, path_in_degrees(line, _LINE_DIGITS)] for level, line in data.contours.get(key, ())],
        "profile": _profile(data.profiles.get(key), place),
        "correlogram": _correlogram(data.correlograms.get(key)),
        "centre": _centre(data.centres.get(key)),
        "change": _change(pairs, place),
    }


def _grid(grid: Grid | None) -> list[Any] | None:
    return None if grid is None else [grid.source, [grid.south, grid.west], [grid.north, grid.east], grid.steep]


def _profile(profile: Profile | None, place: pd.Series) -> dict[str, Any] | None:
    if profile is None:
        return None
    seen = profile.sites[profile.sites["site"].isin(place.index) & profile.sites["distance_m"].notna()]
    pick = (
        np.unique(np.linspace(0, len(profile.at_m) - 1, _CURVE).astype(int)) if len(profile.at_m) else np.array([], int)
    )
    return {
        "text": profile.text,
        "sites": place.loc[seen["site"]].tolist(),
        "distance": _kilometres(seen["distance_m"]),
        "at": _kilometres(profile.at_m[pick]),
        **{name: _short(getattr(profile, name)[pick]) for name in ("fit", "low", "high")},
        "centre": _kilometres(profile.centre),
        "fits": profile.fits,
    }


def _correlogram(correlogram: Correlogram | None) -> dict[str, Any] | None:
    if correlogram is None:
        return None
    classes = correlogram.classes
    return {
        "text": correlogram.text,
        **{name: _kilometres(classes[f"{name}_m"]) for name in ("from", "to", "mean")},
        "pairs": [int(pairs) for pairs in classes["pairs"]],
        "moran": _short(classes["moran_i"]),
        "expected": _short(classes["expected"]),
        "low": _short(classes["envelope_low"]),
        "high": _short(classes["envelope_high"]),
        "p": _short(classes["p_holm"]),
        "reach": _kilometres(correlogram.reach),
    }


def _centre(centre: CentreLine | None) -> dict[str, Any] | None:
    if centre is None:
        return None
    return {
        "lines": [path_in_degrees(line, _LINE_DIGITS) for line in centre.lines],
        "bands": [path_in_degrees(band, _LINE_DIGITS) for band in centre.bands],
    }


def _change(pairs: pd.DataFrame, place: pd.Series) -> dict[str, list[list[Any]]]:
    """Return, by earlier survey: site, counts and totals then and now, difference with limits, p."""
    surveys: dict[str, list[list[Any]]] = {}
    for row in pairs[pairs["site"].isin(place.index) & pairs["difference"].notna()].to_dict("records"):
        counts = [int(row[name]) for name in ("earlier_count", "earlier_total", "later_count", "later_total")]
        numbers = _short([row["difference"], row["low"], row["high"], row["p"]])
        surveys.setdefault(str(row["earlier_survey"]), []).append([int(place[row["site"]]), *counts, *numbers])
    return surveys


def _short(values: Sequence[float] | np.ndarray | pd.Series) -> list[float | None]:
    return rounded_all(values, 4)


def _kilometres(values: Sequence[float] | np.ndarray | pd.Series) -> list[float | None]:
    return rounded_all(np.asarray(values, dtype=np.float64) / 1000, 3)
