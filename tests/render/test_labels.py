"""Words and numbers for people."""

from __future__ import annotations

import doctest
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.render import labels, names, numbers
from morphcline.scoring.traits import standard_traits


def test_examples_hold() -> None:
    for module in (names, numbers):
        results = doctest.testmod(module)
        assert results.attempted > 3
        assert results.failed == 0


@given(st.floats(0, 1))
def test_a_percentage_is_never_rounded_to_none_or_all(value: float) -> None:
    text = labels.percent(value)
    assert re.fullmatch(r"[<>]?\d{1,3}(\.\d)?%", text)
    assert (text == "0%") == (value == 0)
    assert (text == "100%") == (value == 1)
    assert (text[0] in "<>") == (0 < min(value, 1 - value) < 0.001)
    assert abs(float(text.strip("<>%")) - 100 * value) <= 0.5


@given(st.floats(-1e6, 1e6))
def test_a_distance_keeps_two_figures(metres: float) -> None:
    text = labels.distance(metres).replace(",", "").replace("−", "-")
    number, unit = text.split()
    read = float(number) * {"m": 1, "km": 1000}[unit]
    assert read == pytest.approx(metres, rel=0.05, abs=0.5)


def test_mid_banded_is_said_to_be_among_banded_shells() -> None:
    assert labels.trait_in_text("mid-banded") == "mid-banded, among banded shells"
    assert "banded" in labels.shells_and_sites("mid-banded", 10, 2)
    assert "banded" not in labels.shells_and_sites("many-banded", 10, 2)


def test_every_standard_trait_has_its_denominator() -> None:
    for trait in standard_traits():
        assert labels.denominator(trait.name) == trait.denominator


def test_main_traits_keep_their_order_and_leave_morphs_to_tables() -> None:
    found = labels.main_traits(["lower three", "fused", "yellow unbanded", "yellow"])
    assert found == ("yellow", "fused", "lower three")
    assert labels.trait_groups(found) == {
        "Colour": ("yellow",), "Banding": ("fused",), "The study's own": ("lower three",)
    }  # fmt: skip


def test_a_trait_of_the_users_own_has_the_denominator_given() -> None:
    among = {**labels.STANDARD_DENOMINATORS, "lower three": "shells scored for formula"}
    assert labels.denominators_in_text(["yellow", "lower three"], among) == (
        "Yellow is counted among shells scored for colour; lower three among shells scored for formula."
    )


def test_an_interval_names_its_unit_once_where_it_can() -> None:
    assert labels.distance_range(3100, 4400) == "3.1 to 4.4 km"
    assert labels.distance_range(-400, 2200) == "−400 m to 2.2 km"
