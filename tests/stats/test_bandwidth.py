"""The bandwidth's choice, against sums worked by hand and surfaces that are known."""

import numpy as np
import pytest

from morphcline.stats.bandwidth import Rung, choose_bandwidth, correlation_about_surface, ladder, left_out_deviance
from morphcline.stats.overdispersion import effective_number, fit_beta_binomial


def expit(logit):
    return 1.0 / (1.0 + np.exp(-logit))


def judged_by(monkeypatch, judge):
    """Let a function of the rung stand in for the deviance of its sites."""
    monkeypatch.setattr("morphcline.stats.bandwidth.left_out_deviance", judge)


def survey(seed, truth, *, sites=150, shells=30, rho=0.0, extent=10_000.0):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, extent, (sites, 2))
    p = truth(places)[:, None]
    if rho:
        p = rng.beta(p * (1 / rho - 1), (1 - p) * (1 / rho - 1))
    return places, rng.binomial(shells, p).astype(float), np.full(sites, float(shells))


def bumpy(places):
    return 0.5 + 0.4 * np.sin(places[:, 0] / 800) * np.cos(places[:, 1] / 800)


def gentle(places):
    return expit((places[:, 0] - 5_000) / 1_500)


def test_the_ladder_runs_from_the_median_spacing_to_half_the_extent():
    # A 4 x 3 grid of 100 m: the nearest neighbour is always at 100 m; the diagonal is hypot(300, 200).
    sites = np.array([[100.0 * i, 100.0 * j] for i in range(4) for j in range(3)])
    rungs = ladder(sites, rungs=5)
    assert rungs[0] == pytest.approx(100.0)
    assert rungs[-1] == pytest.approx(max(np.hypot(300, 200) / 2, 200.0))
    np.testing.assert_allclose(rungs[1:] / rungs[:-1], (rungs[-1] / rungs[0]) ** 0.25)


def test_samples_at_one_place_give_no_ladder():
    with pytest.raises(ValueError, match="at one place"):
        ladder(np.zeros((4, 2)))


def test_repeated_places_do_not_shorten_the_ladder():
    sites = np.array([[0.0, 0.0], [0.0, 0.0], [0.0, 500.0], [0.0, 500.0], [0.0, 1000.0]])
    assert ladder(sites)[0] == pytest.approx(500.0)


def test_the_deviance_of_three_samples_worked_by_hand():
    # Equal weights (endless bandwidth): each sample is foretold by the pooled frequency of the two others.
    sites = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    count, total = np.array([[2.0], [5.0], [8.0]]), np.full(3, 10.0)
    expected = 0.0
    for y, p in ((0.2, 13 / 20), (0.5, 10 / 20), (0.8, 7 / 20)):
        expected += 2 * 10 * (y * np.log(y / p) + (1 - y) * np.log((1 - y) / (1 - p)))
    rung = Rung(1e9, sites, count, total, 0.0, "gaussian", 0)
    assert left_out_deviance(rung).sum() == pytest.approx(expected, rel=1e-9)


def test_the_deviance_is_scaled_for_correlation_within_sites():
    sites, count, total = survey(1, bumpy, sites=30)
    plain = left_out_deviance(Rung(1e9, sites, count, total, 0.0, "gaussian", 0)).sum()
    scaled = left_out_deviance(Rung(1e9, sites, count, total, 0.1, "gaussian", 0)).sum()
    # Equal samples: every weight shrinks by 1 + 29 x 0.1, and the predictions don't change.
    assert scaled == pytest.approx(plain / 3.9, rel=1e-3)


def test_the_deviance_of_three_colours_is_multinomial_and_counts_no_shell_twice():
    # As above with three kinds: 2 Σ m Σ y log(y / p), each sample foretold by the pooled frequencies of the others.
    sites = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    count, total = np.array([[5.0, 3.0, 2.0], [2.0, 6.0, 2.0], [4.0, 4.0, 2.0]]), np.full(3, 10.0)
    expected = 0.0
    for i in range(3):
        p = (count.sum(axis=0) - count[i]) / 20
        expected += 2 * np.sum(count[i] * np.log(count[i] / 10 / p))
    three = left_out_deviance(Rung(1e9, sites, count, total, 0.0, "gaussian", 0)).sum()
    assert three == pytest.approx(expected, rel=1e-9)
    # What the first two leave is a kind by itself, whether it is named or not.
    two = left_out_deviance(Rung(1e9, sites, count[:, :2], total, 0.0, "gaussian", 0)).sum()
    assert two == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("kernel", ["gaussian", "epanechnikov", "tricube"])
@pytest.mark.parametrize("degree", [0, 1])
def test_every_candidate_answers_for_every_sample(kernel, degree):
    sites, count, total = survey(3, bumpy, sites=40)
    count[:5], total[5:9], count[5:9] = 0.0, 0.0, 0.0
    for bandwidth in (1e-3, 10.0, 500.0, 1e9):
        value = left_out_deviance(Rung(bandwidth, sites, count, total, 0.05, kernel, degree)).sum()
        assert np.isfinite(value)
        assert value > 0


def test_samples_that_none_reaches_are_foretold_by_all_others():
    sites, count, total = survey(4, bumpy, sites=40)
    alone = left_out_deviance(Rung(1e-3, sites, count, total, 0.0, "tricube", 0)).sum()
    pooled = left_out_deviance(Rung(1e9, sites, count, total, 0.0, "gaussian", 0)).sum()
    assert alone == pytest.approx(pooled, rel=1e-9)


@pytest.mark.parametrize("degree", [0, 1])
def test_a_bumpy_surface_gets_a_narrower_bandwidth_than_a_gentle_one(degree):
    narrow = choose_bandwidth(*survey(5, bumpy, sites=300), degree=degree)
    gentle = choose_bandwidth(
        *survey(5, lambda places: expit((places[:, 0] - 5_000) / 3_000), sites=300), degree=degree
    )
    assert narrow.bandwidth < 0.6 * gentle.bandwidth
    assert narrow.bandwidth < 800  # the waves are 5 km long: wider than about an eighth would blur them


def test_the_choice_is_the_lowest_point_or_a_wider_one_as_good():
    data = survey(6, bumpy)
    choice = choose_bandwidth(*data)
    lowest = int(np.argmin(choice.deviance))
    chosen = int(np.flatnonzero(choice.candidates == choice.bandwidth)[0])
    assert chosen >= lowest
    assert (np.diff(choice.candidates) > 0).all()
    assert len(choice.candidates) == len(choice.deviance) >= 14
    assert not choice.at_limit
    # The rule written out: up from the lowest while the sites' differences add up to a quarter of their error or less.
    of_sites = [left_out_deviance(Rung(h, *data[:2], data[2], 0.0, "gaussian", 1)) for h in choice.candidates]
    expected = lowest
    for wider in range(lowest + 1, len(of_sites)):
        worse = of_sites[wider] - of_sites[lowest]
        if worse.sum() > 0.25 * np.std(worse, ddof=1) * np.sqrt(150):
            break
        expected = wider
    assert chosen == expected


def test_a_fluke_of_the_lowest_point_does_not_narrow_the_bandwidth(monkeypatch):
    # One deviance in a hundred sites that differ by some two each is nothing; ten are.
    rng = np.random.default_rng(3)
    data = survey(7, bumpy, sites=100)
    scatter = rng.normal(0, 2, (40, 100))
    scatter -= scatter.mean(axis=1, keepdims=True)

    def curve(gain):
        def deviance(rung):
            return gain * (rung.bandwidth > 1_000.0) / 100 + scatter[int(rung.bandwidth) % 40]

        judged_by(monkeypatch, deviance)
        return choose_bandwidth(*data)

    assert curve(1.0).bandwidth == curve(1.0).candidates[-1]
    assert curve(20.0).bandwidth <= 1_000.0


def test_blocks_left_out_are_foretold_by_other_libraries_alike():
    """Six groups by scikit-learn, the logistic fit by statsmodels: an endless bandwidth, on which all agree."""
    import statsmodels.api as sm
    from sklearn.model_selection import GroupKFold

    sites, count, total = survey(9, gentle, sites=60)
    block = np.repeat(np.arange(6), 10)
    found = left_out_deviance(Rung(1e9, sites, count, total, 0.0, "gaussian", 1, block))
    expected = np.zeros(60)
    design = sm.add_constant(sites / 1_000)
    both = np.column_stack([count[:, 0], total - count[:, 0]])
    for kept, out in GroupKFold(6).split(sites, groups=block):
        p = sm.GLM(both[kept], design[kept], family=sm.families.Binomial()).fit(tol=1e-12).predict(design[out])
        half = 0.5 / (total[kept].sum() + 1)
        expected[out] = sm.families.Binomial().resid_dev(count[out, 0] / 30, np.clip(p, half, 1 - half)) ** 2 * 30
    np.testing.assert_allclose(found, expected, rtol=1e-5)


def test_sites_across_a_barrier_foretell_nothing():
    sites, count, total = survey(10, gentle, sites=50)
    east = sites[:, 0] > 5_000
    apart = east[:, None] != east[None, :]
    whole = left_out_deviance(Rung(2_000.0, sites, count, total, 0.0, "gaussian", 1, None, apart))
    for side in (east, ~east):
        alone = left_out_deviance(Rung(2_000.0, sites[side], count[side], total[side], 0.0, "gaussian", 1))
        np.testing.assert_allclose(whole[side], alone, rtol=1e-9)
    rho = correlation_about_surface(sites, count, total, bandwidth=2_000.0, rho=0.1, blocked=apart)
    assert rho != correlation_about_surface(sites, count, total, bandwidth=2_000.0, rho=0.1)


def test_the_ladder_is_lengthened_while_its_end_is_best(monkeypatch):
    judged_by(monkeypatch, lambda rung: np.full(150, abs(np.log(rung.bandwidth / 20_000.0))))
    data = survey(7, bumpy)
    assert ladder(data[0])[-1] < 8_000
    choice = choose_bandwidth(*data)
    assert choice.bandwidth == pytest.approx(20_000, rel=0.15)
    assert not choice.at_limit


@pytest.mark.parametrize(("curve", "end"), [(lambda h: h, 0), (lambda h: 1 / h, -1)])
def test_a_curve_without_a_minimum_is_followed_five_steps_and_said(monkeypatch, curve, end):
    judged_by(monkeypatch, lambda rung: np.full(150, curve(rung.bandwidth)))
    choice = choose_bandwidth(*survey(7, bumpy))
    assert len(choice.candidates) == 15
    assert choice.bandwidth == choice.candidates[end]
    assert choice.at_limit
    np.testing.assert_allclose(np.diff(np.log(choice.candidates)), np.log(choice.candidates[1] / choice.candidates[0]))


def test_the_neighbourhood_of_the_best_is_searched_by_finer_steps(monkeypatch):
    judged_by(monkeypatch, lambda rung: np.full(150, abs(np.log(rung.bandwidth / 1_234.0))))
    data = survey(7, bumpy)
    first = ladder(data[0])
    choice = choose_bandwidth(*data)
    assert len(choice.candidates) == 14
    assert abs(np.log(choice.bandwidth / 1_234.0)) <= np.log(first[1] / first[0]) / 6 * 1.0001


@pytest.mark.parametrize("degree", [0, 1])
@pytest.mark.parametrize("rho", [0.0, 0.06, 0.2])
def test_the_correlation_about_a_surface_is_the_planted_one_and_not_the_cline(degree, rho):
    found, regional = [], []
    for seed in range(20):
        sites, count, total = survey(seed, gentle, sites=200, rho=rho)
        regional.append(fit_beta_binomial(count[:, 0], total).rho)
        found.append(correlation_about_surface(sites, count, total, bandwidth=1_200.0, rho=regional[-1], degree=degree))
    assert np.mean(regional) > rho + 0.2  # it holds the cline
    # A proportion flattens the cline, and so calls sites more variable by chance than they are.
    assert np.mean(found) == pytest.approx(rho, abs=0.01 + (0.1 * rho if degree == 0 else 0.0))


@pytest.mark.parametrize("neighbours_kernel", [("tricube", 2_000.0), ("gaussian", 700.0)])
def test_few_neighbours_do_not_make_the_correlation_too_small_or_too_large(neighbours_kernel):
    # Bandwidths with some six effective sites: the surface follows each site, and errs by itself.
    kernel, bandwidth = neighbours_kernel
    found = [
        correlation_about_surface(
            *survey(seed, lambda places: np.full(len(places), 0.3), sites=60, shells=12, rho=0.1),
            bandwidth=bandwidth, rho=0.1, kernel=kernel, degree=0,
        )
        for seed in range(60)
    ]  # fmt: skip
    assert np.mean(found) == pytest.approx(0.1, abs=0.02)


def test_three_colours_share_the_correlation_of_a_dirichlet_multinomial():
    rho, found = 0.1, []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        places = rng.uniform(0, 10_000, (150, 2))
        p = gentle(places)
        mean = np.column_stack([p, 0.8 * (1 - p), 0.2 * (1 - p)]) * (1 / rho - 1)
        count = np.array([rng.multinomial(30, rng.dirichlet(alpha)) for alpha in mean]).astype(float)
        found.append(correlation_about_surface(places, count, np.full(150, 30.0), bandwidth=1_500.0, rho=0.3))
    assert np.mean(found) == pytest.approx(rho, abs=0.012)


def test_along_a_cline_a_site_keeps_the_worth_of_its_shells():
    # 33 shells at ρ = 0.06 are worth 33 / (1 + 32 x 0.06) = 11.3, and not 33 / (1 + 32 x 0.3) = 3.1.
    sites, count, total = survey(21, gentle, sites=250, shells=33, rho=0.06)
    regional = fit_beta_binomial(count[:, 0], total).rho
    about = correlation_about_surface(sites, count, total, bandwidth=1_200.0, rho=regional)
    assert effective_number(33, regional) < 4
    assert effective_number(33, about) == pytest.approx(11.3, abs=2.5)


def test_the_correlation_stays_as_it_was_where_no_site_can_be_judged():
    sites, count, total = survey(10, bumpy, sites=20)
    assert correlation_about_surface(sites, count, total, bandwidth=1e-3, rho=0.07) == 0.07
    assert correlation_about_surface(sites, 0 * count, total, bandwidth=1500.0, rho=0.07) == 0.0
