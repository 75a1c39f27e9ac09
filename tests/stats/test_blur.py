"""What smoothing hides, against the bias of a known curve and repeated surveys."""

import numpy as np
import pytest

from morphcline.stats.blur import squared_blur


def grid(side):
    at = (np.arange(side) + 0.5) * 10 / side
    return np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)


def test_the_blur_of_a_parabola_is_its_curvature_times_half_the_squared_bandwidth():
    # A Gaussian mean of a + c x² is too large by c h²: expected by its second moment, at every place off the edge.
    sites = grid(60)
    truth = 0.2 + 0.02 * (sites[:, 0] - 5) ** 2
    total = np.full((len(sites), 1), 1e9)
    blur = squared_blur(sites, truth[:, None] * total, total, bandwidth=0.8, rho=0.0, degree=0)
    inside = (np.abs(sites - 5) < 2).all(axis=1)
    np.testing.assert_allclose(np.sqrt(blur[inside, 0]), 0.02 * 0.8**2, rtol=0.02)


@pytest.mark.parametrize("degree", [0, 1])
def test_chance_alone_makes_no_blur(degree):
    rng = np.random.default_rng(3)
    sites = grid(15)
    total = np.full((225, 60), 30.0)
    count = rng.binomial(30, 0.4, total.shape).astype(float)  # each survey as a trait
    blur = squared_blur(sites, count, total, bandwidth=1.2, rho=0.0, degree=degree)
    inside = (np.abs(sites - 5) < 2).all(axis=1)
    # The variance that was taken away is about 1.8 / (4 π h² n) p (1 - p), with n = 30 x 2.25 shells a unit of area.
    taken = 16 / 9 * 1.8 * 0.24 / (4 * np.pi * 1.2**2 * 67.5)
    assert abs(np.nanmean(blur[inside])) < 0.2 * taken


def test_a_site_that_says_nothing_has_no_blur():
    sites = grid(6)
    total = np.full((36, 1), 20.0)
    total[4] = 0
    blur = squared_blur(sites, total / 2, total, bandwidth=3.0, rho=0.05, degree=0)
    assert np.isnan(blur[4, 0])
    assert np.isfinite(np.delete(blur, 4)).all()
