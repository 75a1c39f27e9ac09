"""Invented surveys with a known truth: sites, smooth fields over them, sample sizes, over-dispersed counts."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtr

Floats = NDArray[np.float64]

#: A region's side in metres.
SIDE_M = 40_000.0


def scattered(rng: np.random.Generator, sites: int, *, side_m: float = SIDE_M) -> Floats:
    """Return places spread evenly over a square, (sites, 2)."""
    return rng.uniform(0.0, side_m, (sites, 2))


def clustered(
    rng: np.random.Generator, sites: int, *, clusters: int, spread_m: float, side_m: float = SIDE_M
) -> Floats:
    """Return places scattered around a few centres, as volunteers' are around towns, (sites, 2)."""
    centres = rng.uniform(0.0, side_m, (clusters, 2))
    return centres[rng.integers(0, clusters, sites)] + rng.normal(0.0, spread_m, (sites, 2))


def smooth_field(rng: np.random.Generator, places: Floats, *, range_m: float, fields: int = 1) -> Floats:
    """Return standard normal values with correlation exp(-d / range) between places, (sites, fields)."""
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-apart / range_m) + 1e-9 * np.eye(len(places)))
    return root @ rng.standard_normal((len(places), fields))


def sizes(rng: np.random.Generator, sites: int, *, mean: float = 30.0, least: int = 5) -> Floats:
    """Return numbers of shells: negative binomial with size 5, as finds are, and no fewer than the least."""
    return np.maximum(rng.negative_binomial(5.0, 5.0 / (5.0 + mean), sites), least).astype(np.float64)


def counts(rng: np.random.Generator, frequency: Floats, total: Floats, *, rho: float) -> Floats:
    """Return beta-binomial counts: a site's own frequency is drawn around the mean with intra-site correlation rho."""
    frequency = np.broadcast_to(frequency, np.shape(total))
    if rho == 0.0:
        return rng.binomial(total.astype(int), frequency).astype(np.float64)
    scale = (1.0 - rho) / rho
    own = rng.beta(np.maximum(frequency * scale, 1e-12), np.maximum((1.0 - frequency) * scale, 1e-12))
    return rng.binomial(total.astype(int), own).astype(np.float64)


def sigmoid(values: Floats) -> Floats:
    """Return 1 / (1 + exp(-values))."""
    return 1.0 / (1.0 + np.exp(-values))


def wavy_field(rng: np.random.Generator, *, range_m: float, waves: int = 200) -> Callable[[Floats], Floats]:
    """Return a smooth random field, standard normal at each place with correlation exp(-d² / 2 range²), as a function.

    A sum of cosines with random directions and lengths, so that it can be asked for anywhere.
    """
    towards, phase = rng.normal(0.0, 1.0 / range_m, (waves, 2)), rng.uniform(0.0, 2.0 * np.pi, waves)
    return lambda places: np.sqrt(2.0 / waves) * np.cos(places @ towards.T + phase).sum(axis=1)


def linked_counts(
    rng: np.random.Generator, first: Floats, second: Floats, total: Floats, *, rho: float, drift: float, d_prime: float
) -> tuple[Floats, Floats]:
    """Return counts of two traits of the same shells, beta-binomial each, that drift together and sit on one shell.

    Sites' own frequencies are drawn around the means with a normal copula of correlation ``drift``; within a site the
    two are in association ``d_prime`` (-1: as seldom on one shell as can be; 0: independent).
    """
    scale = (1.0 - rho) / rho
    one = rng.standard_normal(len(total))
    other = drift * one + np.sqrt(1.0 - drift**2) * rng.standard_normal(len(total))
    a, b = (betaincinv(p * scale, (1.0 - p) * scale, ndtr(z)) for p, z in ((first, one), (second, other)))
    most = np.minimum(a * b, (1 - a) * (1 - b)) if d_prime < 0 else np.minimum(a * (1 - b), b * (1 - a))
    with_both = a * b + d_prime * most
    cells = np.clip(np.column_stack([with_both, a - with_both, b - with_both, 1 - a - b + with_both]), 0.0, 1.0)
    drawn = rng.multinomial(total.astype(int), cells / cells.sum(axis=1, keepdims=True))
    return (drawn[:, 0] + drawn[:, 1]).astype(np.float64), (drawn[:, 0] + drawn[:, 2]).astype(np.float64)
