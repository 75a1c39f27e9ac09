"""Half the interval of an even frequency, by Wilson's own formula."""

from __future__ import annotations

import math

import pytest

from morphcline.records.sample_size import chance_alone


@pytest.mark.parametrize("shells", [1, 20, 137, 5000])
def test_it_is_half_of_wilsons_interval_at_a_half(shells: int) -> None:
    # Wilson (1927) with p = 1/2: z sqrt(1/(4n) + z²/(4n²)) / (1 + z²/n); z = 1.959964 for 95%.
    z = 1.959964
    expected = z * math.sqrt(1 / (4 * shells) + z * z / (4 * shells**2)) / (1 + z * z / shells)
    assert chance_alone([shells], confidence=0.95)[0] == pytest.approx(expected, abs=1e-6)


def test_more_shells_leave_less_to_chance() -> None:
    halves = chance_alone([10, 20, 50, 100, 1000], confidence=0.95)
    assert halves == sorted(halves, reverse=True)
