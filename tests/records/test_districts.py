"""Districts: which site lies where, what may be told of it, and frequencies worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Polygon, box
from statsmodels.stats.multitest import multipletests

from morphcline.records.district_frequencies import (
    DISTRICTS,
    TOO_FEW,
    TOO_FEW_SITES,
    district_tables,
)
from morphcline.records.districts import District, assign, larger_squares, overlapping, tellable
from morphcline.records.frequencies import regional_frequencies
from morphcline.study import Scoring

WEST, EAST = District("West", box(0, 0, 10_000, 10_000)), District("East", box(10_000, 0, 20_000, 10_000))
BOTH = (WEST, EAST)
SPECIES = "Cepaea nemoralis"


def test_each_place_lies_in_one_district_or_none_and_on_a_border_in_the_first() -> None:
    found = assign([5000, 15_000, 10_000, 25_000, 5000], [5000, 5000, 5000, 5000, -1], BOTH)
    assert list(found) == ["West", "East", "West", "", ""]
    assert list(assign([5.0], [5.0], ())) == [""]


def test_a_district_is_told_beside_a_square_only_if_a_quarter_of_the_square_lies_in_it() -> None:
    # Squares of 1 km: wholly inside; half; 300 m of it; 200 m of it; shown exactly; withheld.
    x = [5000, 10_000, 10_200, 10_300, 9999, math.nan]
    told = tellable(["West"] * 6, x, [5000] * 5 + [math.nan], [1000, 1000, 1000, 1000, 0, math.nan], BOTH)
    assert list(told) == ["West", "West", "West", "", "West", ""]


def test_overlaps_are_found_and_shared_borders_are_none() -> None:
    assert overlapping(BOTH) == []
    third = District("Third", box(9_000, 0, 12_000, 1000))
    assert overlapping((*BOTH, third)) == [("West", "Third", 1e6), ("East", "Third", 2e6)]


def test_a_square_larger_than_its_district_is_noticed() -> None:
    sites = pd.DataFrame({"district": ["Green", "West"], "blur_m": [1000.0, 1000.0]})
    green = District("Green", Polygon([(0, 0), (900, 0), (900, 900), (0, 900)]))
    assert larger_squares(sites, (WEST, green)) == {"Green": 1000.0}


def frequencies(counts: dict[str, tuple[int, int]]) -> pd.DataFrame:
    rows = [
        {"site": site, "species": SPECIES, "trait": "yellow", "count": count, "total": total, "enough": True}
        for site, (count, total) in counts.items()
    ]
    return pd.DataFrame(rows)


SCORING = Scoring(species=(SPECIES,), min_shells=20)


def worked(counts: dict[str, tuple[int, int]], district: dict[str, str]) -> pd.DataFrame:
    table = frequencies(counts)
    regional = regional_frequencies(table, SCORING)
    places, habitat = pd.Series(district), pd.Series(dtype=str)
    told, _ = district_tables(table, regional, places, habitat, ["West", "East"], SCORING)
    return told.set_index("district")


def test_counts_and_the_rest_are_those_of_a_hand_worked_survey() -> None:
    """Alike sites: the correlation is 0, and every frequency is of shells."""
    counts = {"a": (5, 10), "b": (6, 12), "c": (4, 8), "d": (2, 10), "e": (2, 10), "f": (3, 15), "g": (1, 5)}
    told = worked(counts, {"a": "West", "b": "West", "c": "West", "d": "East", "e": "East", "f": "East"})
    west, east = told.loc["West"], told.loc["East"]
    assert (west["count"], west["total"], west["sites"]) == (15, 30, 3)
    assert (west["rest_count"], west["rest_total"], west["rest_sites"]) == (8, 40, 4)
    assert west["frequency"] == pytest.approx(0.5)
    assert west["rest_frequency"] == pytest.approx(0.2)
    assert west["difference"] == pytest.approx(0.3)
    assert west["difference_low"] < 0.3 < west["difference_high"]
    # g lies in no district, and counts with the rest of both.
    assert (east["count"], east["total"], east["rest_total"]) == (7, 35, 35)
    assert west["rho_of"] == "region"
    assert list(told.reset_index().columns) == list(DISTRICTS)


def test_p_is_corrected_over_districts() -> None:
    counts = {name: (2 + i, 10) for i, name in enumerate("abcdefgh")}
    told = worked(counts, {**dict.fromkeys("abc", "West"), **dict.fromkeys("def", "East")})
    assert told["p_holm"].to_numpy() == pytest.approx(multipletests(told["p"], method="holm")[1])


def test_few_shells_or_sites_give_counts_and_no_percentage() -> None:
    counts = {"a": (2, 10), "b": (1, 6), "c": (1, 3), "d": (9, 30), "e": (10, 30), "f": (9, 30), "g": (9, 30)}
    told = worked(counts, {**dict.fromkeys("abc", "West"), "d": "East", "e": "East"})
    assert (told.loc["West", "count"], told.loc["West", "total"]) == (4, 19)
    assert told.loc["West", "not_told_because"] == TOO_FEW
    assert told.loc["East", "not_told_because"] == TOO_FEW_SITES
    assert told[["frequency", "low", "high", "difference", "p", "p_holm"]].isna().all().all()


def test_a_district_of_many_sites_has_a_correlation_of_its_own() -> None:
    rng = np.random.default_rng(7)
    near = {f"w{i}": (int(rng.binomial(30, 0.2)), 30) for i in range(30)}
    far = {f"e{i}": (int(rng.binomial(30, 0.8)), 30) for i in range(30)}
    told = worked({**near, **far}, {**dict.fromkeys(near, "West"), **dict.fromkeys(far, "East")})
    region = regional_frequencies(frequencies({**near, **far}), SCORING)
    # The region's correlation holds the difference between the halves, those of the halves hold chance alone.
    assert region["rho"].iloc[0] > 0.2
    assert (told["rho"] < 0.05).all()
    assert (told["rho_of"] == "district").all()


def test_habitats_of_a_district_take_its_sites_alone() -> None:
    counts = dict.fromkeys("abcdef", (6, 12))
    table = frequencies(counts)
    district = pd.Series(dict.fromkeys("abcd", "West"))
    habitat = pd.Series({**dict.fromkeys("abc", "woodland"), "d": "marsh", "e": "marsh", "f": ""})
    regional = regional_frequencies(table, SCORING)
    _, told = district_tables(table, regional, district, habitat, ["West"], SCORING)
    told = told.set_index("habitat")
    assert (told.loc["woodland", "total"], told.loc["woodland", "sites"]) == (36, 3)
    assert told.loc["woodland", "frequency"] == pytest.approx(0.5)
    assert told.loc["marsh", "total"] == 12
    assert math.isnan(told.loc["marsh", "frequency"])
