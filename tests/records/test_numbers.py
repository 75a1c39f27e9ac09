"""Numbers as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.numbers import UnreadableNumber, read_count, read_degrees, read_metres, read_number


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("6.123", 6.123, 1e-3),
        ("6,123", 6.123, 1e-3),
        ("-2,5", -2.5, 0.1),
        ("−2.5", -2.5, 0.1),
        ("451 200,5", 451200.5, 0.1),
        ("451'200", 451200.0, 1.0),
        (".5", 0.5, 0.1),
        ("12.", 12.0, 1.0),
        ("4.512e5", 451200.0, 100.0),
    ],
)
def test_decimal_points_and_commas_are_read(text: str, value: float, unit: float) -> None:
    found = read_number(text)
    assert found.value == pytest.approx(value, rel=1e-15)
    assert found.unit == pytest.approx(unit)


@pytest.mark.parametrize("text", ["", "near the mill", "6,432,150.25", "1e", "nan", "inf", "12 3", "--3"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(UnreadableNumber, match="is not a number"):
        read_number(text)


@pytest.mark.parametrize("text", ["2,5", "1,000", "1.000", "many", "<5", "12 ?", "1e3"])
def test_a_count_must_be_whole(text: str) -> None:
    with pytest.raises(UnreadableNumber, match="is not a whole number"):
        read_count(text)


def test_a_count_nobody_counts_is_refused() -> None:
    with pytest.raises(UnreadableNumber, match="more than anyone counts"):
        read_count("20240503123456789")


# 2 degrees 30 minutes are 2.5 degrees; 46 seconds are 46/3600 of a degree: worked by hand.
@pytest.mark.parametrize(
    ("text", "axis", "value"),
    [
        ("2°30'W", "longitude", -2.5),
        ("W 2 30", "longitude", -2.5),
        ("2.5877 W", "longitude", -2.5877),
        ("51°26'46\"N", "latitude", 51 + 26 / 60 + 46 / 3600),
        ("51° 26.5′ N", "latitude", 51 + 26.5 / 60),
        ("51 26 46,5 S", "latitude", -(51 + 26 / 60 + 46.5 / 3600)),
        ("51,4462", "latitude", 51.4462),
    ],
)
def test_degrees_with_minutes_and_letters_are_read(text: str, axis: str, value: float) -> None:
    assert read_degrees(text, axis).value == pytest.approx(value, abs=1e-12)


def test_the_last_place_of_an_angle_is_a_part_of_a_degree() -> None:
    assert read_degrees("51°26'46\"N", "latitude").unit == pytest.approx(1 / 3600)
    assert read_degrees("51°26.772'N", "latitude").unit == pytest.approx(0.001 / 60)


@pytest.mark.parametrize(
    ("text", "axis", "why"),
    [
        ("51.4 N", "longitude", "belongs to a latitude"),
        ("-2.5 W", "longitude", "both a sign and a letter"),
        ("51°75'N", "latitude", "from 0 to 59"),
        ("N 51 N", "latitude", "can't be read"),
        ("near the mill", "longitude", "can't be read"),
    ],
)
def test_angles_that_could_mislead_are_refused(text: str, axis: str, why: str) -> None:
    with pytest.raises(UnreadableNumber, match=why):
        read_degrees(text, axis)


@given(st.floats(-180, 180, allow_nan=False), st.integers(0, 8))
def test_a_number_written_out_comes_back(value: float, places: int) -> None:
    text = f"{value:.{places}f}"
    assert read_number(text).value == float(text)
    assert read_number(text.replace(".", ",")).value == float(text)
    assert math.isclose(read_degrees(text, "longitude").unit, 10.0**-places)


@given(st.integers(-1_000_000, 1_000_000))
def test_whole_counts_come_back(count: int) -> None:
    assert read_count(str(count)) == count
    assert read_count(f"{count}.0") == count


@pytest.mark.parametrize(
    ("text", "metres"),
    [("25", 25), ("25m", 25), ("1 km", 1000), ("1,5 Km.", 1500), ("1 000 metres", 1000), ("0.3 kilometers", 300)],
)
def test_distances_are_read_in_metres_and_kilometres(text: str, metres: float) -> None:
    assert read_metres(text) == pytest.approx(metres, rel=1e-15)


@pytest.mark.parametrize("text", ["1 k", "m", "30 ft", "ten m", "1 kmm", "5\n6"])
def test_a_distance_that_cannot_be_read_is_told_as_it_came(text: str) -> None:
    with pytest.raises(UnreadableNumber) as caught:
        read_metres(text)
    assert str(caught.value) == f'"{text}" is no distance; expected metres, such as 25, 25 m or 1.5 km'
