"""Blocks of sites that are as far from the rest as the map is from a sample."""

import numpy as np
import pytest
from scipy.spatial import KDTree

from morphcline.stats.site_blocks import blocks_like_the_map


def lattice(side=40_000.0, steps=30):
    at = (np.arange(steps) + 0.5) * side / steps
    return np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)


def around_towns(rng, towns=12, sites=150):
    centres = rng.uniform(0, 40_000, (towns, 2))
    return centres[rng.integers(0, towns, sites)] + rng.normal(0, 600.0, (sites, 2))


def test_sites_strewn_by_chance_are_left_out_in_small_blocks_and_not_called_clustered():
    rng = np.random.default_rng(1)
    found = blocks_like_the_map(rng.uniform(0, 40_000, (150, 2)), lattice(), rng)
    assert found.blocks == 50
    assert not found.clustered
    # Of a Poisson process half of the nearest distances lie under sqrt(log 2 / (pi density)), from sites and elsewhere.
    expected = np.sqrt(np.log(2) / (np.pi * 150 / 40_000**2))
    assert found.spacing_m == pytest.approx(expected, rel=0.2)
    assert found.map_m == pytest.approx(expected, rel=0.2)


def test_sites_around_towns_are_left_out_in_larger_blocks_that_match_the_map():
    rng = np.random.default_rng(2)
    sites = around_towns(rng)
    found = blocks_like_the_map(sites, lattice(), rng)
    assert found.clustered
    assert found.blocks < 50
    assert found.map_m > 5 * found.spacing_m
    assert 0.3 < found.apart_m / found.map_m < 3
    # Blocks are compact: each town's sites stand in one or in neighbouring blocks, none across the region.
    for block in range(found.blocks):
        here = sites[found.number == block]
        assert np.ptp(here, axis=0).max() < 15_000


def test_the_distances_told_are_those_to_the_nearest_site_left_in():
    rng = np.random.default_rng(3)
    sites = around_towns(rng, towns=8, sites=60)
    found = blocks_like_the_map(sites, lattice(), rng)
    apart = [np.hypot(*(sites[found.number != found.number[i]] - sites[i]).T).min() for i in range(len(sites))]
    assert found.apart_m == pytest.approx(np.median(apart), rel=1e-9)
    assert found.map_m == pytest.approx(np.median(KDTree(sites).query(lattice())[0]), rel=1e-9)


def test_sites_at_one_place_stay_together():
    rng = np.random.default_rng(4)
    sites = np.repeat(rng.uniform(0, 40_000, (30, 2)), 2, axis=0)
    found = blocks_like_the_map(sites, lattice(), rng)
    np.testing.assert_array_equal(found.number[::2], found.number[1::2])
    assert found.spacing_m > 0


def test_few_sites_or_no_map_make_no_blocks():
    rng = np.random.default_rng(5)
    assert blocks_like_the_map(rng.uniform(0, 1, (14, 2)), lattice(), rng) is None
    assert blocks_like_the_map(rng.uniform(0, 1, (40, 2)), np.empty((0, 2)), rng) is None


def test_the_same_generator_makes_the_same_blocks():
    sites = np.random.default_rng(6).uniform(0, 40_000, (90, 2))
    first, again = (blocks_like_the_map(sites, lattice(), np.random.default_rng(7)) for _ in range(2))
    np.testing.assert_array_equal(first.number, again.number)
