"""What may be told of the land beside a square: a class that would find the site there isn't."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.squares import Lattice, commonest_near, lattices, told_classes


def test_a_class_that_is_rare_in_its_square_is_kept_back_with_the_next_rarer():
    # By hand: the garden is rare, and alone it would be told by being left out; the marsh goes with it.
    assert told_classes(["garden"] * 3 + ["marsh"] * 30 + ["field"] * 367, 25) == {"field"}
    assert told_classes(["marsh"] * 30 + ["field"] * 370, 25) == {"marsh", "field"}
    # Two rare ones that make up enough together need no third.
    assert told_classes(["garden"] * 13 + ["marsh"] * 12 + ["field"] * 375, 25) == {"field"}
    assert told_classes([""] * 400, 25) == frozenset()
    # Where small patches lie between the points, what isn't told must be no rarer for it.
    assert told_classes(["marsh"] * 30 + ["field"] * 370, 25, coarse=True) == {"field"}


@given(st.dictionaries(st.sampled_from("abcdefg"), st.integers(1, 200), min_size=1), st.integers(1, 60), st.booleans())
def test_whatever_is_told_or_not_leaves_so_many_points(numbers: dict[str, int], least: int, coarse: bool):
    told = told_classes([name for name, number in numbers.items() for _ in range(number)], least, coarse=coarse)
    assert all(numbers[name] >= least for name in told)
    untold = sum(number for name, number in numbers.items() if name not in told)
    assert untold >= least or not told or (untold == 0 and not coarse)


def test_the_lattice_lies_evenly_in_its_square():
    shown = pd.DataFrame(
        {
            "x_m": [500.0, 500.0, np.nan, 20.0],
            "y_m": [1500.0, 1500.0, np.nan, 30.0],
            "blur_m": [1000.0, 1000.0, np.nan, 0],
        }
    )
    (lattice,) = lattices(shown, 25.0, 25.0)
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


@pytest.mark.parametrize(
    ("radius", "cell", "points", "coarse"),
    [
        (0.0, 25.0, 40, False), (25.0, 25.0, 40, False), (500.0, 25.0, 10, False), (5000.0, 25.0, 8, False),
        (0.0, 5.0, 200, False), (0.0, 1.0, 200, True), (25.0, 1.0, 200, False),
    ],
)  # fmt: skip
def test_points_are_as_near_as_cells_or_it_is_known_that_they_are_not(
    radius: float, cell: float, points: int, coarse: bool
):
    shown = pd.DataFrame({"x_m": [500.0], "y_m": [500.0], "blur_m": [1000.0]})
    (lattice,) = lattices(shown, radius, cell)
    assert (lattice.points, lattice.coarse) == (points, coarse)
    assert lattice.margin <= 12
