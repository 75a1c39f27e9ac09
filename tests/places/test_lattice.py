"""The lattice that follows a bandwidth: where its points lie, and what lies between them."""

import numpy as np
import pytest

from morphcline.places.lattice import Lattice, between


def test_points_lie_at_whole_steps_and_enclose_the_extent():
    lattice = Lattice.over(120.0, 30.0, 380.0, 190.0, step_m=100.0)
    points = lattice.points()
    assert points[0].tolist() == [100.0, 0.0]
    assert points[-1].tolist() == [400.0, 200.0]
    assert len(points) == 4 * 3


def test_a_plane_comes_back_between_the_points():
    lattice = Lattice.over(0.0, 0.0, 1_000.0, 600.0, step_m=250.0)
    plane = lattice.points() @ [0.3, -0.2]
    places = np.random.default_rng(1).uniform(0, [1_000.0, 600.0], (50, 2))
    index, weight = lattice.around(places[:, 0], places[:, 1])
    np.testing.assert_allclose(between(plane, index, weight), places @ [0.3, -0.2])
    np.testing.assert_allclose(between(np.column_stack([plane, -plane]), index, weight)[:, 1], -places @ [0.3, -0.2])


def test_unknown_points_are_left_out_while_half_the_weight_is_known():
    lattice = Lattice(0.0, 0.0, 100.0, 2, 2)
    values = np.array([1.0, np.nan, 3.0, np.nan])
    index, weight = lattice.around([25.0, 75.0, 0.0], [50.0, 50.0, 100.0])
    found = between(values, index, weight)
    assert found[0] == pytest.approx(2.0)  # 0.375 x 1 + 0.375 x 3 over 0.75
    assert np.isnan(found[1])
    assert found[2] == 3.0
