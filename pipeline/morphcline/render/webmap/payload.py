"""What the page's script is given: the survey's numbers as one compact JSON value."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from morphcline.render import labels
from morphcline.render.palettes import LOCAL_GROUPS, frequency_colours
from morphcline.render.webmap.overlay import Overlay

PALETTE_STEPS = 64


def palette() -> list[str]:
    """Return the frequency scale as colours from 0 to 1, the same as in every figure."""
    colours = frequency_colours(np.linspace(0.0, 1.0, PALETTE_STEPS))
    return ["#" + "".join(f"{part:02x}" for part in colour[:3]) for colour in colours.tolist()]


def survey_payload(
    sites: pd.DataFrame,
    frequencies: pd.DataFrame,
    local: pd.DataFrame,
    overlays: Mapping[tuple[str, str], Overlay],
    rings: Sequence[Sequence[tuple[float, float]]],
) -> dict[str, Any]:
    """Gather what the page draws.

    Parameters
    ----------
    sites : DataFrame
        site, name, lon, lat, habitat, temperature_c: places as they may be shown.
    frequencies : DataFrame
        ``frequencies.csv``.
    local : DataFrame
        ``local.csv``.
    overlays : mapping
        Species and trait to a picture of the surface.
    rings : sequence
        Rings of the study area and of the backdrop, as (longitude, latitude).
    """
    order = {site: place for place, site in enumerate(sites["site"])}
    shown = frequencies[(frequencies["total"] > 0) & frequencies["site"].isin(order)]
    joined = shown.merge(local[["species", "trait", "site", "group"]], how="left", on=["species", "trait", "site"])
    species: dict[str, dict[str, Any]] = {}
    for (name, trait), rows in joined.groupby(["species", "trait"], sort=False):
        species.setdefault(str(name), {})[str(trait)] = {
            "title": labels.trait_title(str(trait)),
            "among": labels.denominator(str(trait)),
            "sites": _site_rows(rows, order),
            "surface": _surface(overlays.get((str(name), str(trait)))),
        }
    return {
        "palette": palette(),
        "groups": [
            {"label": mark.label, "shape": mark.marker, "fill": mark.fill, "edge": mark.edge, "size": mark.size}
            for mark in LOCAL_GROUPS.values()
        ],
        "sites": [
            [row["name"], _rounded(row["lat"], 5), _rounded(row["lon"], 5), row["habitat"] or "",
             _rounded(row["temperature_c"], 1)]
            for row in sites.to_dict("records")
        ],
        "species": species,
        "rings": [[[_rounded(lat, 5), _rounded(lon, 5)] for lon, lat in ring] for ring in rings],
    }  # fmt: skip


def _site_rows(rows: pd.DataFrame, order: Mapping[str, int]) -> list[list[Any]]:
    """Return a row a site: its place in the list, count, total, interval, large enough or not, local group."""
    groups = list(LOCAL_GROUPS)
    found = rows["group"].where(rows["group"].isin(groups), "not tested")
    columns = zip(
        rows["site"], rows["count"], rows["total"], rows["low"], rows["high"], rows["enough"], found, strict=True
    )
    return [
        [order[site], int(count), int(total), _rounded(low), _rounded(high), int(enough), groups.index(group)]
        for site, count, total, low, high, enough, group in columns
    ]


def _surface(overlay: Overlay | None) -> list[Any] | None:
    if overlay is None:
        return None
    return [overlay.source, [overlay.south, overlay.west], [overlay.north, overlay.east]]


def _rounded(value: float, digits: int = 4) -> float | None:
    return None if value is None or math.isnan(value) else round(float(value), digits)


def as_script_value(payload: Mapping[str, Any]) -> str:
    """Return JSON that is safe between script tags, whatever text a record holds."""
    text = json.dumps(payload, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char, escaped in (
        ("<", "\\u003c"),
        (">", "\\u003e"),
        ("&", "\\u0026"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ):
        text = text.replace(char, escaped)
    return text
