"""Fields of layers: names that a database takes, one type whatever the study holds, dates as precise as given."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.layer_tables import (
    CELL_PARTS,
    FREQUENCY_PARTS,
    LONGEST_NAME,
    cell_fields,
    cluster_attributes,
    frequency_attributes,
    line_attributes,
    pair_attributes,
    site_attributes,
    trait_stems,
)

SITES = pd.DataFrame(
    {
        "site": ["a", "b", "c"], "x_m": [500, 1500, np.nan], "y_m": [500, 500, np.nan], "lon": [3.0, 3.1, np.nan],
        "lat": [46.0, 46.0, np.nan], "position_uncertainty_m": [718, 718, np.nan], "blur_m": [1000, 1000, np.nan],
        "shells": [20, 3, 40], "samples": [1, 1, 2], "seen_not_counted": [0, 0, 1], "habitat": ["dune", "", "dune"],
        "habitat_share": [1, np.nan, 1], "habitat_noted": ["", "", ""], "temperature_c": [np.nan, np.nan, np.nan],
        "transformation": ["none needed"] * 3, "share_dune": [1, 0, 1],
    }
)  # fmt: skip


@given(st.lists(st.text(min_size=1, max_size=60), unique=True, max_size=30))
def test_stems_are_short_plain_and_all_different(traits: list[str]) -> None:
    for parts in (FREQUENCY_PARTS, CELL_PARTS):
        stems = trait_stems(traits, parts)
        names = [f"{stem}_{part}" for stem in stems.values() for part in parts]
        assert list(stems) == traits
        assert len(set(names)) == len(names)
        assert all(re.fullmatch(r"[a-z][a-z0-9_]*", name) and len(name) <= LONGEST_NAME for name in names)


def test_the_trades_traits_keep_their_whole_names() -> None:
    traits = ["yellow", "mid-banded", "effectively unbanded", "fused"]
    assert list(trait_stems(traits, FREQUENCY_PARTS).values()) == [
        "yellow",
        "mid_banded",
        "effectively_unbanded",
        "fused",
    ]


def test_dates_of_a_site_are_the_first_and_the_last_as_precise_as_given() -> None:
    records = pd.DataFrame(
        {
            "survey": ["", "", "", "", "1984"], "site": ["a", "a", "a", "b", "a"],
            "date": ["2024-05-03", "2023/2024-02", "2025-01-01", "", "1984"],
            "counted": [True, True, False, True, True],
        }
    )  # fmt: skip
    table = site_attributes(SITES, records).table.set_index("site")
    assert table.loc["a", ["first_date", "last_date"]].tolist() == ["2023", "2024-05-03"]
    assert table.loc["b", ["first_date", "last_date"]].isna().all()
    earlier = site_attributes(SITES.iloc[:1].assign(survey="1984"), records)
    assert next(iter(earlier.fields)) == "survey"
    assert earlier.table.loc[0, ["first_date", "last_date"]].tolist() == ["1984", "1984"]


def test_types_do_not_follow_what_a_study_happens_to_hold() -> None:
    records = pd.DataFrame({"survey": [""], "site": ["a"], "date": ["2024"], "counted": [True]})
    full, empty = (site_attributes(rows, records).table for rows in (SITES, SITES.iloc[:0]))
    assert full.dtypes.map(str).to_dict() == empty.dtypes.map(str).to_dict()
    assert full["share_dune"].dtype == np.float64  # whole numbers alone in the table
    assert full["shells"].dtype == np.int64
    assert full["habitat"].tolist() == ["dune", None, "dune"]


def test_frequencies_are_wide_and_a_trait_that_was_not_judged_has_none() -> None:
    samples = pd.DataFrame(
        {"site": ["a", "b", "a"], "species": ["S", "S", "T"], "shells": [20, 3, 9], "visits": [1, 1, 1],
         "visit_used": "", "enough": [True, False, False]}
    )  # fmt: skip
    frequencies = pd.DataFrame(
        [("a", "S", "yellow", 5, 20, 0.25, 0.1, 0.5), ("b", "S", "yellow", 3, 3, 1.0, 0.4, 1.0),
         ("a", "S", "fused", 2, 8, 0.25, 0.1, 0.6), ("a", "T", "yellow", 1, 9, 0.11, 0.0, 0.4)],
        columns=["site", "species", *("trait", "count", "total", "frequency", "low", "high")],
    )  # fmt: skip
    found = frequency_attributes("S", ["yellow", "fused"], SITES, samples, frequencies)
    table = found.table.set_index("site")
    assert list(table.index) == ["a", "b"]
    assert table.loc["a", ["yellow_count", "yellow_total", "yellow_frequency"]].tolist() == [5, 20, 0.25]
    assert table.loc["b", ["fused_count", "fused_total"]].tolist() == [0, 0]
    assert np.isnan(table.loc["b", "fused_frequency"])
    assert set(found.shares) == {f"{t}_{p}" for t in ("yellow", "fused") for p in ("frequency", "low", "high")}
    assert list(found.fields) == [name for name in found.table.columns if name not in ("x_m", "y_m")]


def test_groups_and_pairs_take_the_place_of_their_site_and_the_wanted_traits_alone() -> None:
    local = pd.DataFrame(
        {"species": "S", "trait": ["yellow", "yellow", "yellow fused"], "site": ["a", "c", "a"], "local_i": [0.5, 1, 1],
         "p_permutation": [0.01, 0.5, 0.5], "draws": 99, "p_fdr": [0.02, 0.5, 0.5],
         "group": ["low among low", "no local signal", "not tested"]}
    )  # fmt: skip
    groups = cluster_attributes(local, SITES, ["yellow"]).table
    assert groups.loc[0, ["site", "local_group", "x_m"]].tolist() == ["a", "low among low", 500.0]
    assert np.isnan(groups["x_m"][1])  # withheld
    assert len(groups) == 2
    change = pd.DataFrame(
        {"species": "S", "trait": "yellow", "earlier_survey": "1984", "site": ["a", ""], "earlier_site": ["x", ""],
         "distance_m": [12.3456, 12.3456], "earlier_count": [1, 1.5], "earlier_total": [4, 4], "later_count": [3, 3],
         "later_total": [4, 4], "earlier_frequency": 0.25, "later_frequency": 0.75, "difference": 0.5, "low": 0.1,
         "high": 0.8, "p": 0.03, "method": "m"}
    )  # fmt: skip
    pairs = pair_attributes(change, SITES, ["yellow"]).table
    assert pairs["site"].tolist() == ["a"]
    assert pairs["earlier_count"].dtype == np.int64
    # How far apart two exact places lie is nobody's business.
    assert "distance_m" not in pairs


def test_a_line_takes_centre_and_width_from_the_model_it_was_drawn_for() -> None:
    curved = pd.DataFrame(
        {"species": "S", "trait": ["yellow", "pink"], "model": ["sigmoid", ""], "sites": 30, "shells": 900,
         "p_curved": [0.4, np.nan], "bearing_deg": [61.0, np.nan], "width_m": [7000.0, np.nan],
         "drawn": ["straight", ""], "rho": 0.1, "converged": True}
    )  # fmt: skip
    numbers = ("bearing_deg", "bearing_low", "bearing_high", "centre_m", "centre_low", "centre_high", "width_m",
               "width_low", "width_high", "p_min", "p_max")  # fmt: skip
    clines = pd.DataFrame(
        [("S", "yellow", "flat", *[np.nan] * 11, np.nan), ("S", "yellow", "sigmoid", *range(11), False)],
        columns=["species", "trait", "model", *numbers, "fails"],
    ).assign(sites=30, shells=900)
    table = line_attributes(curved, clines, 0.95).table
    assert table["trait"].tolist() == ["yellow"]
    assert table.loc[0, list(numbers)].tolist() == list(range(11))
    assert table.loc[0, "line"] == "straight"
    assert not table.loc[0, "fails"]


def test_fields_of_cells_say_trait_and_quantity() -> None:
    fields = cell_fields(["mid-banded"])
    assert {name: what[:2] for name, what in fields.items()} == {
        "mid_banded_frequency": ("mid-banded", "frequency"),
        "mid_banded_se": ("mid-banded", "se"),
        "mid_banded_shells": ("mid-banded", "shells"),
    }


@pytest.mark.parametrize("parts", [FREQUENCY_PARTS, CELL_PARTS])
def test_every_description_names_its_trait(parts: dict[str, str]) -> None:
    assert all("{trait}" in text for text in parts.values())
