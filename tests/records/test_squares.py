"""What may be told of the land beside a square: a class that would find the site there isn't."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.squares import Lattice, commonest_near, kept_back, lattices


def test_a_class_that_is_rare_in_its_square_is_kept_back_with_the_next_rarer():
    # By hand: the garden is rare, and alone it would be told by being left out; the marsh goes with it.
    classes = ["garden"] * 3 + ["marsh"] * 30 + ["field"] * 367
    assert kept_back(classes, 25) == {"garden", "marsh"}
    assert kept_back(["marsh"] * 30 + ["field"] * 370, 25) == frozenset()
    # Two rare ones that make up enough together need no third.
    assert kept_back(["garden"] * 13 + ["marsh"] * 12 + ["field"] * 375, 25) == {"garden", "marsh"}
    assert kept_back([""] * 400, 25) == frozenset()


@given(st.dictionaries(st.sampled_from("abcdefg"), st.integers(1, 200), min_size=1), st.integers(1, 60))
def test_whatever_is_told_or_not_leaves_so_many_points(numbers: dict[str, int], least: int):
    back = kept_back([name for name, number in numbers.items() for _ in range(number)], least)
    assert all(numbers[name] >= least for name in set(numbers) - back)
    untold = sum(numbers[name] for name in back)
    assert not back or untold >= least or back == set(numbers)


def test_the_lattice_lies_evenly_in_its_square():
    shown = pd.DataFrame(
        {
            "x_m": [500.0, 500.0, np.nan, 20.0],
            "y_m": [1500.0, 1500.0, np.nan, 30.0],
            "blur_m": [1000.0, 1000.0, np.nan, 0],
        }
    )
    (lattice,) = lattices(shown, 25.0)
    assert len(lattice.squares) == 1
    east, north = lattice.places(margin=False)
    assert east.shape == (1, 40, 40)
    assert (east.min(), east.max(), north.min(), north.max()) == (12.5, 987.5, 1012.5, 1987.5)
    assert lattice.margin == 1
    assert lattice.places()[0].min() == -12.5


def test_the_land_about_a_point_is_what_most_of_the_circle_is():
    lattice = Lattice(pd.DataFrame({"x_m": [2.5], "y_m": [2.5], "blur_m": [5.0]}), points=5, margin=1, reach=1.0)
    codes = np.zeros((1, 7, 7))
    codes[0, :, 3] = 1.0  # a hedge a point wide: three of the five points of a circle upon it
    codes[0, 0, :] = np.nan
    near = commonest_near(codes, [], lattice)
    assert near.shape == (1, 5, 5)
    assert (near[0, 1:, 2] == 1).all()
    assert (near[0, :, [0, 1, 3, 4]] == 0).all()
    # Water is no land: by a pond the bank's class, in the middle of it none.
    assert np.isnan(commonest_near(np.full((1, 7, 7), 4.0), [4.0], lattice)).all()


@pytest.mark.parametrize(("radius", "points"), [(0.0, 40), (25.0, 40), (125.0, 40), (500.0, 10), (5000.0, 8)])
def test_a_wide_radius_needs_fewer_points(radius: float, points: int):
    shown = pd.DataFrame({"x_m": [500.0], "y_m": [500.0], "blur_m": [1000.0]})
    (lattice,) = lattices(shown, radius)
    assert lattice.points == points
    assert lattice.margin <= 12
