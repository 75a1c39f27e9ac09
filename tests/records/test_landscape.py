"""Shares by class, from shares by code."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.landscape import agreement, name_classes, share_column, to_celsius

CLASSES = {1: "woodland", 2: "woodland", 3: "long herbage", 4: "scrub"}


def test_codes_of_one_class_are_added_up() -> None:
    found = name_classes([{1: 0.3, 2: 0.25, 3: 0.45}], CLASSES)
    assert found.habitat.tolist() == ["woodland"]
    assert found.share[0] == pytest.approx(0.55)
    assert list(found.shares.columns) == ["share_woodland", "share_long_herbage"]


def test_of_equal_shares_the_class_named_first_wins() -> None:
    assert name_classes([{3: 0.5, 4: 0.5}, {4: 0.5, 1: 0.5}], CLASSES).habitat.tolist() == ["long herbage", "woodland"]


def test_less_than_half_with_a_code_is_no_habitat() -> None:
    found = name_classes([{1: 0.49}, {1: 0.5}, {}], CLASSES)
    assert found.habitat.tolist() == ["", "woodland", ""]
    assert np.isnan(found.share).tolist() == [True, False, True]


def test_without_class_names_codes_stand_for_themselves() -> None:
    found = name_classes([{7: 0.2, 12: 0.8}], {})
    assert found.habitat.tolist() == ["code 12"]
    assert found.unlisted == {}
    assert list(found.shares.columns) == ["share_code_7", "share_code_12"]


def test_unlisted_codes_share_a_column_and_are_counted_by_site() -> None:
    found = name_classes([{8: 0.5, 9: 0.5}, {9: 1.0}, {1: 1.0}], CLASSES)
    assert found.unlisted == {8: 1, 9: 2}
    assert found.shares["share_unlisted"].tolist() == [1.0, 1.0, 0.0]


def test_no_sites_and_no_codes() -> None:
    assert name_classes([], CLASSES).shares.shape == (0, 0)
    assert name_classes([{}, {}], CLASSES).habitat.tolist() == ["", ""]


@given(st.lists(st.lists(st.floats(0.01, 1), min_size=1, max_size=6), min_size=1, max_size=5))
def test_shares_keep_their_sum(parts: list[list[float]]) -> None:
    shares = [{code: part / sum(own) for code, part in enumerate(own, start=1)} for own in parts]
    found = name_classes(shares, CLASSES)
    assert found.shares.sum(axis=1).to_numpy() == pytest.approx(np.ones(len(parts)))
    assert found.shares.max(axis=1).to_numpy() == pytest.approx(found.share)


def test_fixed_points_of_the_temperature_scales() -> None:
    # by definition: 273.15 K and 32 °F are 0 °C, 212 °F is 100 °C; -40 is the same in both
    assert to_celsius(np.array([273.15]), "kelvin") == pytest.approx([0.0])
    assert to_celsius(np.array([32.0, 212.0, -40.0]), "fahrenheit") == pytest.approx([0.0, 100.0, -40.0])
    kept = np.array([1.0])
    assert to_celsius(kept, "celsius") is not kept


def test_column_names() -> None:
    assert share_column("garden and urban") == "share_garden_and_urban"


def test_agreement_leaves_out_sites_without_a_note() -> None:
    import pandas as pd

    table = agreement(pd.Series(["wood", "", "wood", "wood"]), pd.Series(["wood", "wood", "", "wood"]))
    assert table.to_numpy().tolist() == [["wood", "", 1], ["wood", "wood", 2]]


def test_a_site_on_a_bank_has_the_habitat_of_its_land() -> None:
    shares = [{1: 0.2, 9: 0.8}, {9: 1.0}, {1: 0.3, 3: 0.4, 9: 0.3}]
    found = name_classes(shares, {1: "woodland", 3: "long herbage", 9: "water"}, water=("water",))
    assert found.habitat.tolist() == ["woodland", "", "long herbage"]
    assert found.share[0] == pytest.approx(0.2)
    assert found.shares["share_water"].tolist() == pytest.approx([0.8, 1.0, 0.3])
