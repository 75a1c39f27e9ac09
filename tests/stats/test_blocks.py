"""Spatial blocks and the skill of predictions for blocks left out."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans2
from scipy.special import expit

from morphcline.stats.blocks import Spatial, blocked_skill, spatial_blocks
from morphcline.stats.logistic import fit_logistic
from morphcline.stats.spatial_errors import SpatialErrors
from morphcline.stats.spatial_logistic import fit_spatial_logistic

Floats = NDArray[np.float64]


def places(seed: int, sites: int = 120) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    return 600_000 + rng.uniform(0, 2e4, sites), 6_500_000 + rng.uniform(0, 1e4, sites)


def inertia(easting: Floats, northing: Floats, block: NDArray[np.intp]) -> float:
    points = np.column_stack([easting, northing])
    return float(sum(((points[block == b] - points[block == b].mean(axis=0)) ** 2).sum() for b in np.unique(block)))


@pytest.mark.parametrize("seed", range(3))
def test_blocks_are_as_tight_as_scipys(seed: int) -> None:
    easting, northing = places(seed)
    block = spatial_blocks(easting, northing, blocks=8, rng=np.random.default_rng(seed))
    assert sorted(set(block)) == list(range(8))
    points = np.column_stack([easting, northing])
    theirs = min(inertia(easting, northing, kmeans2(points, 8, minit="++", seed=draw)[1]) for draw in range(10))
    assert inertia(easting, northing, block) <= 1.03 * theirs


def test_separate_clumps_are_the_blocks_numbered_from_the_west() -> None:
    rng = np.random.default_rng(1)
    easting = np.concatenate([rng.normal(centre, 10, 20) for centre in (9000, 1000, 5000)])
    block = spatial_blocks(easting, rng.normal(0, 10, 60), blocks=3, rng=rng)
    assert list(block) == [2] * 20 + [0] * 20 + [1] * 20


def test_more_blocks_than_places_are_refused() -> None:
    with pytest.raises(ValueError, match="3 blocks can't be made of 2 different places"):
        spatial_blocks(np.array([1.0, 1, 2]), np.array([0.0, 0, 0]), blocks=3, rng=np.random.default_rng(1))


def test_skill_is_that_of_statsmodels_fitted_block_by_block() -> None:
    """Binomial counts without over-dispersion: each block is predicted by a GLM of the others."""
    rng = np.random.default_rng(5)
    easting, northing = places(5, 90)
    block = spatial_blocks(easting, northing, blocks=5, rng=rng)
    temperature = 11 + rng.normal(size=90)
    habitat = np.where(rng.uniform(size=90) < 0.5, "woodland", "hedgerow")
    total = np.full(90, 40)
    # Quotas in place of draws: below binomial scatter, so that the intra-site correlation is 0.
    count = np.round(40 * expit(0.5 * (temperature - 11) - 0.8 * (habitat == "woodland")))
    count = np.clip(count + rng.integers(-1, 2, 90), 1, 39)
    designs = {
        "mean only": np.ones((90, 1)),
        "habitat": np.column_stack([np.ones(90), habitat == "woodland"]).astype(float),
        "temperature": np.column_stack([np.ones(90), temperature]),
    }
    designs["both"] = np.column_stack([designs["habitat"], temperature])
    found = blocked_skill(count, total.astype(float), list(habitat), temperature, block)
    for skill in found:
        design = designs[skill.model]
        deviance = 0.0
        for left_out in range(5):
            out = block == left_out
            glm = sm.GLM(np.column_stack([count, total - count])[~out], design[~out], family=sm.families.Binomial())
            p = glm.fit().predict(design[out])
            k, n = count[out], total[out]
            deviance += 2 * float((k * np.log(k / (n * p)) + (n - k) * np.log((n - k) / (n * (1 - p)))).sum())
        # Equal samples: rho weighs every site alike, and so changes no coefficient.
        assert_allclose(skill.deviance_per_shell, deviance / total.sum(), rtol=1e-6)
    by_model = {skill.model: skill.skill for skill in found}
    assert by_model["mean only"] == 0
    assert by_model["both"] > by_model["temperature"] > 0.1


def test_a_covariate_that_is_only_a_trend_across_the_blocks_has_no_skill() -> None:
    """Frequency rises, then falls, with easting; a temperature that only rises predicts the ends wrongly."""
    easting = np.linspace(0, 30_000, 90)
    total = np.full(90, 50.0)
    count = np.round(50 * np.where(easting < 15_000, easting, 30_000 - easting) / 20_000 + 5)
    block = (easting // 10_001).astype(np.intp)
    skills = {s.model: s.skill for s in blocked_skill(count, total, None, easting / 1e4, block)}
    assert set(skills) == {"mean only", "temperature"}
    assert skills["temperature"] < 0


def test_a_class_that_only_the_block_left_out_holds_is_predicted_by_the_mean() -> None:
    count, total = np.array([5.0, 5, 5, 5, 9, 1]), np.full(6, 10.0)
    block = np.array([0, 0, 1, 1, 2, 2])
    habitat = ["woodland", "hedgerow", "woodland", "hedgerow", "dune", "dune"]
    skills = {s.model: s for s in blocked_skill(count, total, habitat, None, block)}
    # By hand: block 2 at p = 1/2: 2 x 2 (9 ln 1.8 + ln 0.2); blocks 0 and 1 are fitted exactly at 1/2 both ways.
    by_hand = 2 * 2 * (9 * np.log(1.8) + np.log(0.2)) / 60
    assert skills["habitat"].deviance_per_shell == pytest.approx(by_hand, rel=1e-3)


def test_skill_with_place_is_kriging_of_each_block_from_the_others() -> None:
    """Block by block with dense matrices: statsmodels' least squares, then simple kriging of what is left."""
    rng = np.random.default_rng(6)
    easting, northing = places(6, 100)
    errors = SpatialErrors(easting, northing)
    habitat = np.where(rng.uniform(size=100) < 0.4, "woodland", "hedgerow").astype(object)
    field = np.linalg.cholesky(np.exp(-errors.distance_m / 5000)) @ rng.normal(size=100)
    total = rng.integers(10, 60, 100).astype(float)
    count = rng.binomial(total.astype(int), expit(1.2 * field - 0.8 * (habitat == "woodland"))).astype(float)
    block = spatial_blocks(easting, northing, blocks=6, rng=rng)
    habitat[np.flatnonzero(block == 2)[:2]] = "dune"  # a class of one block
    designs = {"space": np.ones((100, 1))}
    designs["all"] = np.column_stack([np.ones(100), habitat == "woodland", habitat == "dune"]).astype(float)
    fits = {
        name: fit_spatial_logistic(count, total, design, errors, fit_logistic(count, total, design))
        for name, design in designs.items()
    }
    found = {
        skill.model: skill
        for skill in blocked_skill(count, total, list(habitat), None, block, Spatial(fits["space"], fits["all"]))
    }
    assert list(found) == ["mean only", "habitat", "space", "all"]
    assert found["all"].skill > max(found["space"].skill, found["habitat"].skill)
    for name, fit in fits.items():
        assert fit.variance > 0.2
        k = fit.variance * np.exp(-errors.distance_m / fit.range_m)
        v = k + np.diag(1 / fit.weights)
        deviance = 0.0
        for left_out in range(6):
            out = block == left_out
            design = np.array(designs[name])
            if name == "all" and left_out == 2:
                # Nobody else has dunes: theirs is the mean of what the classes left in have.
                design = design[:, :2]
                design[habitat == "dune", 1] = design[~out, 1].mean()
            gls = sm.GLS(fit.response[~out], design[~out], sigma=v[np.ix_(~out, ~out)]).fit()
            weights = k[np.ix_(out, ~out)] @ np.linalg.inv(v[np.ix_(~out, ~out)])
            eta = design[out] @ gls.params + weights @ (fit.response[~out] - design[~out] @ gls.params)
            missing = design[out] - weights @ design[~out]
            spread = k[out][:, out] - weights @ k[np.ix_(~out, out)]
            spread = spread + missing @ (gls.cov_params() / gls.scale) @ missing.T
            p = expit(eta / np.sqrt(1 + 0.34594 * np.diag(spread)))  # (16 sqrt(3) / (15 pi))^2
            n, y = total[out], count[out]
            with np.errstate(divide="ignore", invalid="ignore"):
                parts = np.where(y > 0, y * np.log(y / (n * p)), 0) + np.where(
                    n > y, (n - y) * np.log((n - y) / (n * (1 - p))), 0
                )
            deviance += 2 * float(parts.sum())
        assert_allclose(found[name].deviance_per_shell, deviance / total.sum(), rtol=1e-4)


def test_no_block_is_empty_where_many_sites_share_a_place() -> None:
    easting = np.repeat([0.0, 10.0, 20.0, 5000.0], [40, 1, 1, 1])
    for seed in range(5):
        block = spatial_blocks(easting, np.zeros(43), blocks=4, rng=np.random.default_rng(seed))
        assert sorted(set(block)) == [0, 1, 2, 3]
