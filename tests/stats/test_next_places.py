"""Places for new samples: against plain matrix algebra, a greedy search in full, and surveys that get the sample."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.next_places import Choice, PlannedSurface, choose_places

SIDE = 10_000.0


def lattice(step: float) -> np.ndarray:
    at = np.arange(step / 2, SIDE, step)
    return np.stack([a.ravel() for a in np.meshgrid(at, at)], axis=1)


def planned(
    seed: int, points: np.ndarray, candidates: np.ndarray, *, degree: int = 1, **changes: object
) -> PlannedSurface:
    rng = np.random.default_rng(seed)
    sites = rng.uniform(0, SIDE, (30, 2)) * [0.6, 1.0]  # nothing in the east

    def frequency(where: np.ndarray) -> np.ndarray:
        return 1 / (1 + np.exp(-(where[:, 0] - 4000) / 4000))

    surface = PlannedSurface(
        sites=sites, shells=rng.uniform(2, 12, 30), frequency=frequency(sites), frequency_at_points=frequency(points),
        frequency_at_candidates=frequency(candidates), bandwidth=np.full(len(points), 1500.0), kernel="gaussian",
        degree=degree, logit_variance=0.8, new_shells=9.0,
    )  # fmt: skip
    return replace(surface, **changes)


def mean_variance(points: np.ndarray, surface: PlannedSurface) -> float:
    """Return the mean over points of the frequency's variance, solved point by point."""
    total = 0.0
    for at, width, p in zip(points, surface.bandwidth, surface.frequency_at_points, strict=True):
        size = 3 if surface.degree else 1
        z = np.column_stack([np.ones(len(surface.sites)), (surface.sites - at) / width])[:, :size]
        distance = np.hypot(*(surface.sites - at).T) / width
        k = np.exp(-(distance**2) / 2)
        q = surface.frequency if surface.degree else p  # a level has one frequency for all samples
        information = surface.shells * q * (1 - q)
        prior = np.eye(size) / surface.logit_variance
        first = (z * (k * information)[:, None]).T @ z + prior
        second = (z * (k**2 * information)[:, None]).T @ z + prior
        inverse = np.linalg.inv(first)
        total += (inverse @ second @ inverse)[0, 0] * (p * (1 - p)) ** 2
    return total / len(points)


def with_sample(surface: PlannedSurface, candidates: np.ndarray, one: int) -> PlannedSurface:
    return replace(
        surface,
        sites=np.vstack([surface.sites, candidates[one]]),
        shells=np.append(surface.shells, surface.new_shells),
        frequency=np.append(surface.frequency, surface.frequency_at_candidates[one]),
    )


def greedy(points, candidates, surfaces, *, places, apart_m) -> tuple[list[int], list[float]]:
    """Return the obvious way: every candidate tried at every step, everything solved anew."""
    chosen: list[int] = []
    variance = [float(np.mean([mean_variance(points, s) for s in surfaces]))]
    for _ in range(places):
        tried = {
            one: float(np.mean([mean_variance(points, with_sample(s, candidates, one)) for s in surfaces]))
            for one in range(len(candidates))
            if all(np.hypot(*(candidates[one] - candidates[other])) >= apart_m for other in chosen)
            and one not in chosen
        }
        best = min(tried, key=lambda one: (tried[one], one))
        chosen.append(best)
        variance.append(tried[best])
        surfaces = [with_sample(s, candidates, best) for s in surfaces]
    return chosen, variance


@pytest.mark.parametrize("degree", [0, 1])
def test_it_is_the_greedy_search_in_full(degree):
    points, candidates = lattice(2000.0), lattice(1600.0) + 31.0
    surfaces = [planned(seed, points, candidates, degree=degree) for seed in (1, 2)]
    got = choose_places(points, candidates, surfaces, places=4, apart_m=2500.0)
    chosen, variance = greedy(points, candidates, surfaces, places=4, apart_m=2500.0)
    assert_array_equal(got.chosen, chosen)
    assert_allclose(got.variance, variance, rtol=1e-6)  # weights beyond six bandwidths count as 0
    assert_allclose(got.share.sum(axis=1), 1.0)
    assert (np.diff(got.variance) < 0).all()
    apart = np.hypot(*(candidates[got.chosen][:, None] - candidates[got.chosen]).transpose(2, 0, 1))
    assert apart[np.triu_indices(4, 1)].min() >= 2500.0


def test_it_goes_where_nothing_is_known():
    points = candidates = lattice(1000.0)
    got = choose_places(points, candidates, [planned(3, points, candidates)], places=3, apart_m=1000.0)
    assert (candidates[got.chosen][:, 0] > 6000).all()


def test_far_from_every_sample_the_region_is_all_that_is_known():
    points = np.array([[200_000.0, 0.0]])
    here = np.array([0.3])
    surface = planned(1, points, points, frequency_at_points=here, frequency_at_candidates=here)
    got = choose_places(points, points, [surface], places=1, apart_m=0.0)
    slope = surface.frequency_at_points[0] * (1 - surface.frequency_at_points[0])
    assert got.variance[0] == pytest.approx(0.8 * slope**2)
    # A sample at the point itself: prior and information at weight 1 add up, and so do their scores' variances.
    assert got.variance[1] == pytest.approx(slope**2 / (1 / 0.8 + 9.0 * slope))


def test_worth_counts_and_shuts_out():
    points = candidates = lattice(1000.0)
    surface = planned(4, points, candidates)
    free = choose_places(points, candidates, [surface], places=1, apart_m=0.0)
    worth = np.ones(len(candidates))
    worth[free.chosen] = 0.0
    assert choose_places(points, candidates, [surface], places=1, apart_m=0.0, worth=worth).chosen[0] != free.chosen[0]
    none = choose_places(points, candidates, [surface], places=2, apart_m=0.0, worth=np.zeros(len(candidates)))
    assert none.chosen.size == 0
    assert none.share.shape == (0, 1)
    two = choose_places(points, candidates[:2], [planned(4, points, candidates[:2])], places=5, apart_m=0.0)
    assert sorted(two.chosen) == [0, 1]


@pytest.mark.parametrize("degree", [0, 1])
def test_the_error_of_surfaces_fitted_anew_falls_as_foretold(degree):
    """A sample is really added to made surveys and the surface fitted again."""
    rng = np.random.default_rng(11)
    points = lattice(1250.0)
    rho, new = 0.05, 30.0
    sites = rng.uniform(0, SIDE, (120, 2))

    def truth(where: np.ndarray) -> np.ndarray:
        # A level is biased on a slope, so that a new sample would move it; a plane isn't.
        return 1 / (1 + np.exp(-(where[:, 0] - 5000) / (3000 if degree else 30_000)))

    total = rng.integers(15, 40, (120, 1)).astype(float)
    worth = (total / (1 + (total - 1) * rho))[:, 0]
    candidates = np.array([[9500.0, 9500.0], [5000.0, 5000.0], [400.0, 5000.0]])
    surface = PlannedSurface(
        sites, worth, truth(sites), truth(points), truth(candidates), np.full(len(points), 2000.0), "gaussian", degree,
        logit_variance=50.0, new_shells=new / (1 + (new - 1) * rho),
    )  # fmt: skip
    foretold = []
    for one in range(3):
        alone = replace(surface, frequency_at_candidates=truth(candidates[one : one + 1]))
        choice: Choice = choose_places(points, candidates[one : one + 1], [alone], places=1, apart_m=0.0)
        foretold.append(1 - choice.variance[1] / choice.variance[0])

    fallen: list[list[float]] = [[], [], []]
    scale = (1 - rho) / rho
    for _ in range(12):
        count = rng.binomial(total[:, 0].astype(int), rng.beta(truth(sites) * scale, (1 - truth(sites)) * scale))
        how = {"bandwidth": 2000.0, "rho": rho, "degree": degree}
        before = np.mean(fit_local(points, sites, count[:, None].astype(float), total, **how).standard_error ** 2)
        for one in range(3):
            p = truth(candidates[one : one + 1])
            more = rng.binomial(int(new), rng.beta(p * scale, (1 - p) * scale))
            after = fit_local(
                points, np.vstack([sites, candidates[one]]), np.append(count, more)[:, None].astype(float),
                np.vstack([total, [[new]]]), **how,
            ).standard_error  # fmt: skip
            fallen[one].append(1 - np.mean(after**2) / before)
    for foretell, found in zip(foretold, fallen, strict=True):
        error = np.std(found, ddof=1) / np.sqrt(len(found))
        assert np.mean(found) == pytest.approx(foretell, abs=3 * error + 0.1 * abs(foretell) + 1e-4)
