"""What the page with the map is given, made small and by hand, or large and by chance."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from rasterio.transform import from_origin

from morphcline.render.webmap import CentreLine, Correlogram, PageData, Profile, Wording, draw_grid

ATTACK = "</script><script>document.title='broken'</script><img src=x onerror=\"document.title='broken'\">"
NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"
NAMES = ("Upper ford", ATTACK, "Mill bank", "Chapel lane", "Owl wood", "North quarry")


def survey_page() -> PageData:
    """Return six sites, one of which has its place withheld, three traits of one species and one of another."""
    sites = pd.DataFrame(
        {
            "site": list(NAMES),
            "name": list(NAMES),
            "lon": [5.60, 5.70, 5.80, 5.90, 5.75, np.nan],
            "lat": [46.0, 46.1, 46.0, 46.2, 46.15, np.nan],
            "x_m": [900_500, 908_500, 916_500, 923_500, 912_500, np.nan],
            "y_m": [6_547_500, 6_558_500, 6_547_500, 6_570_500, 6_564_500, np.nan],
            "blur_m": [1000, 1000, 1000, 0, 1000, np.nan],
            "position_uncertainty_m": [718, 718, 718, 10, 718, np.nan],
            "habitat": ["woodland", "hedgerow", "", "short grass", "woodland", "dune"],
            "habitat_share": [0.8, 0.5, np.nan, 1.0, 0.6, 1.0],
            "habitat_noted": ["woodland", "scrub", "", "", "woodland", ""],
            "temperature_c": [10.0, 10.5, np.nan, 9.5, 10.2, 11.0],
        }
    )
    rows = [
        (NEMORALIS, "yellow", "Upper ford", 5, 20, 0.112, 0.469, True),
        (NEMORALIS, "yellow", ATTACK, 30, 40, 0.598, 0.858, True),
        (NEMORALIS, "yellow", "Mill bank", 1, 3, 0.06, 0.79, False),
        (NEMORALIS, "yellow", "Owl wood", 20, 25, 0.609, 0.911, True),
        (NEMORALIS, "yellow", "North quarry", 10, 30, 0.192, 0.512, True),
        (NEMORALIS, "pink", "Upper ford", 15, 20, 0.531, 0.888, True),
        (NEMORALIS, "pink", ATTACK, 10, 40, 0.142, 0.402, True),
        (NEMORALIS, "mid-banded", "Upper ford", 2, 8, 0.07, 0.59, True),
        (HORTENSIS, "yellow", "Chapel lane", 25, 25, 0.867, 1.0, True),
    ]
    columns = ["species", "trait", "site", "count", "total", "low", "high", "enough"]
    frequencies = pd.DataFrame(rows, columns=columns).assign(frequency=lambda f: f["count"] / f["total"])
    local = pd.DataFrame(
        [(NEMORALIS, "yellow", ATTACK, "high among low"), (NEMORALIS, "yellow", "Upper ford", "low among low")],
        columns=["species", "trait", "site", "group"],
    )
    regional = frequencies.groupby(["species", "trait"], sort=False, as_index=False).agg(
        count=("count", "sum"), total=("total", "sum"), sites=("site", "size")
    )
    regional = regional.assign(frequency=0.5, low=0.41, high=0.59)
    change = pd.DataFrame(
        [(NEMORALIS, "yellow", "1984", "Upper ford", 2, 30, 5, 20, 0.1833, -0.01, 0.38, 0.07),
         (NEMORALIS, "yellow", "1984", "Owl wood", 24, 25, 20, 25, -0.16, -0.33, -0.02, 0.04)],
        columns=["species", "trait", "earlier_survey", "site", "earlier_count", "earlier_total", "later_count",
                 "later_total", "difference", "low", "high", "p"],
    )  # fmt: skip
    frequency = np.linspace(0, 1, 60).reshape(6, 10)
    frequency[0, 0] = np.nan
    error = np.full((6, 10), 0.03)
    error[:, 5:] = 0.2
    gradient, zone = np.full((6, 10), 0.02), np.zeros((6, 10))
    zone[2:4, 3:6], zone[2:3, 4:5] = 1, 2
    transform = from_origin(890_000, 6_580_000, 5000, 5000)
    steep = draw_grid(
        frequency, error, transform=transform, crs="EPSG:2154", gradient=gradient, zone=zone, steepest=0.04
    )
    plain = draw_grid(1 - frequency, error, transform=transform, crs="EPSG:2154")
    at = np.linspace(-12_000, 14_000, 40)
    fit = 1 / (1 + np.exp(-at / 4000))
    profile = Profile(
        text="The frequency rises.", at_m=at, fit=fit, low=fit - 0.05, high=fit + 0.05, centre=(500.0, -700.0, 1900.0),
        sites=pd.DataFrame({"site": ["Mill bank", "Upper ford", "Owl wood", ATTACK],
                            "distance_m": [-11_000.0, -3000.0, 1000.0, 13_000.0]}),
    )  # fmt: skip
    correlogram = Correlogram(
        text="Moran's I falls.",
        classes=pd.DataFrame(
            {"from_m": [0.0, 4000, 8000], "to_m": [4000.0, 8000, 12_000], "mean_m": [2500.0, 6000, 10_000],
             "pairs": [12, 14, 9], "moran_i": [0.6, 0.1, -0.3], "expected": [-0.2, -0.2, -0.2],
             "envelope_low": [-0.4, -0.4, -0.5], "envelope_high": [0.3, 0.3, 0.2], "p_holm": [0.01, 0.4, 0.3]}
        ),
        reach=(7000.0, 5000.0, 9000.0),
    )  # fmt: skip
    key = (NEMORALIS, "yellow")
    return PageData(
        title="Orsel <valley> shell survey",
        period="2019 to 2024",
        sites=sites,
        frequencies=frequencies,
        regional=regional,
        local=local,
        change=change,
        crs="EPSG:2154",
        wording=Wording("95%", 0.05, 20, 5, "too few shells near", "Local Moran's I.", "Places are moved.", "Zones.",
                        "Pairs.", "outline of the study area"),
        rings=[[(5.5, 45.9), (6.0, 45.9), (6.0, 46.3), (5.5, 46.3), (5.5, 45.9)]],
        grids={key: steep, (NEMORALIS, "pink"): plain},
        steepest=0.04,
        contours={key: [(0.5, [(5.6 + step / 50, 46.05) for step in range(8)])]},
        profiles={key: profile},
        correlograms={key: correlogram},
        centres={key: CentreLine(lines=[[(5.7, 46.0), (5.7, 46.2)]],
                                 bands=[[(5.65, 46.0), (5.75, 46.0), (5.75, 46.2), (5.65, 46.2)]])},
    )  # fmt: skip


def many_sites(number: int, *, traits: tuple[str, ...] = ("yellow", "pink")) -> PageData:
    """Return a survey of as many invented sites."""
    data = survey_page()
    rng = np.random.default_rng(5)
    names = [f"S{place:06d}" for place in range(number)]
    x, y = rng.uniform(860_000, 960_000, number).round(-3) + 500, rng.uniform(6.5e6, 6.6e6, number).round(-3) + 500
    sites = pd.DataFrame({"site": names, "name": names, "x_m": x, "y_m": y})
    sites = sites.assign(
        lon=5.2 + (x - 860_000) / 78_000, lat=45.6 + (y - 6.5e6) / 111_000, blur_m=1000.0,
        position_uncertainty_m=718.0, habitat="woodland", habitat_share=0.7, habitat_noted="", temperature_c=10.0,
    )  # fmt: skip
    parts = []
    for trait in traits:
        total = rng.integers(5, 60, number)
        count = rng.binomial(total, 0.4)
        parts.append(
            pd.DataFrame(
                {"species": NEMORALIS, "trait": trait, "site": names, "count": count, "total": total,
                 "frequency": count / total, "low": np.round(count / total * 0.8, 2),
                 "high": np.round(count / total * 0.8 + 0.2, 2), "enough": total >= 20}
            )
        )  # fmt: skip
    frequencies = pd.concat(parts, ignore_index=True)
    return replace(
        data, sites=sites, frequencies=frequencies, local=data.local.iloc[:0], change=data.change.iloc[:0],
        profiles={}, regional=data.regional[data.regional["species"] == NEMORALIS],
    )  # fmt: skip


def open_anew(browser: Any, address: str) -> None:
    """Open a page anew: a change of the part after "#" alone would not load it."""
    browser.get("about:blank")
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(address)
