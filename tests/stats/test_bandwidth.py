"""The bandwidth's choice, against sums worked by hand and surfaces that are known."""

import numpy as np
import pytest

from morphcline.stats.bandwidth import Rung, choose_bandwidth, ladder, left_out_deviance, scatter_about_surface


def expit(logit):
    return 1.0 / (1.0 + np.exp(-logit))


def survey(seed, truth, *, sites=150, shells=30, rho=0.0, extent=10_000.0, traits=1):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, extent, (sites, 2))
    p = np.repeat(truth(places)[:, None], traits, axis=1)
    if rho:
        p = rng.beta(p * (1 / rho - 1), (1 - p) * (1 / rho - 1))
    return places, rng.binomial(shells, p).astype(float), np.full(p.shape, float(shells))


def bumpy(places):
    return 0.5 + 0.4 * np.sin(places[:, 0] / 800) * np.cos(places[:, 1] / 800)


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
    count, total = np.array([[2.0], [5.0], [8.0]]), np.full((3, 1), 10.0)
    expected = 0.0
    for y, p in ((0.2, 13 / 20), (0.5, 10 / 20), (0.8, 7 / 20)):
        expected += 2 * 10 * (y * np.log(y / p) + (1 - y) * np.log((1 - y) / (1 - p)))
    rung = Rung(1e9, sites, count, total, np.zeros(1), "gaussian", 0)
    assert left_out_deviance(rung) == pytest.approx(expected, rel=1e-9)


def test_the_deviance_is_scaled_for_correlation_within_sites():
    sites, count, total = survey(1, bumpy, sites=30)
    plain = left_out_deviance(Rung(1e9, sites, count, total, np.zeros(1), "gaussian", 0))
    scaled = left_out_deviance(Rung(1e9, sites, count, total, np.full(1, 0.1), "gaussian", 0))
    # Equal samples: every weight shrinks by 1 + 29 x 0.1, and the predictions don't change.
    assert scaled == pytest.approx(plain / 3.9, rel=1e-3)


def test_the_deviance_adds_up_over_traits():
    sites, count, total = survey(2, bumpy, traits=3)
    parts = [
        left_out_deviance(Rung(1500.0, sites, count[:, [j]], total[:, [j]], np.zeros(1), "gaussian", 1))
        for j in range(3)
    ]
    whole = left_out_deviance(Rung(1500.0, sites, count, total, np.zeros(3), "gaussian", 1))
    assert whole == pytest.approx(sum(parts), rel=1e-9)


@pytest.mark.parametrize("kernel", ["gaussian", "epanechnikov", "tricube"])
@pytest.mark.parametrize("degree", [0, 1])
def test_every_candidate_answers_for_every_sample(kernel, degree):
    sites, count, total = survey(3, bumpy, sites=40)
    count[:5], total[:5], total[5:9], count[5:9] = 0.0, 30.0, 0.0, 0.0
    for bandwidth in (1e-3, 10.0, 500.0, 1e9):
        value = left_out_deviance(Rung(bandwidth, sites, count, total, np.full(1, 0.05), kernel, degree))
        assert np.isfinite(value)
        assert value > 0


def test_samples_that_none_reaches_are_foretold_by_all_others():
    sites, count, total = survey(4, bumpy, sites=40)
    alone = left_out_deviance(Rung(1e-3, sites, count, total, np.zeros(1), "tricube", 0))
    pooled = left_out_deviance(Rung(1e9, sites, count, total, np.zeros(1), "gaussian", 0))
    assert alone == pytest.approx(pooled, rel=1e-9)


@pytest.mark.parametrize("degree", [0, 1])
def test_a_bumpy_surface_gets_a_narrower_bandwidth_than_a_gentle_one(degree):
    narrow = choose_bandwidth(*survey(5, bumpy, sites=300), degree=degree)
    gentle = choose_bandwidth(
        *survey(5, lambda places: expit((places[:, 0] - 5_000) / 3_000), sites=300), degree=degree
    )
    assert narrow.bandwidth < 0.6 * gentle.bandwidth
    assert narrow.bandwidth < 800  # the waves are 5 km long: wider than about an eighth would blur them


def test_the_choice_is_the_lowest_point_of_its_curve():
    choice = choose_bandwidth(*survey(6, bumpy))
    assert choice.bandwidth == choice.candidates[np.argmin(choice.deviance)]
    assert (np.diff(choice.candidates) > 0).all()
    assert len(choice.candidates) == len(choice.deviance) >= 20
    assert not choice.at_limit


def test_the_ladder_is_lengthened_while_its_end_is_best():
    # A single logistic plane is the truth: the wider the better, so that the ladder's upper end is never left.
    choice = choose_bandwidth(*survey(7, lambda places: expit((places[:, 0] - 5_000) / 3_000), traits=20))
    assert choice.bandwidth > 2 * ladder(survey(7, bumpy)[0])[-1]
    assert not choice.at_limit


@pytest.mark.parametrize(("curve", "end"), [(lambda h: h, 0), (lambda h: 1 / h, -1)])
def test_a_curve_without_a_minimum_is_followed_ten_steps_and_said(curve, end):
    choice = choose_bandwidth(*survey(7, bumpy), apply=lambda _, rungs: [curve(rung.bandwidth) for rung in rungs])
    assert len(choice.candidates) == 30
    assert choice.bandwidth == choice.candidates[end]
    assert choice.at_limit
    np.testing.assert_allclose(np.diff(np.log(choice.candidates)), np.log(choice.candidates[1] / choice.candidates[0]))


def test_the_work_can_be_handed_elsewhere():
    handed = []

    def apply(function, tasks):
        handed.extend(tasks)
        return [function(task) for task in tasks]

    data = survey(8, bumpy, sites=40)
    assert choose_bandwidth(*data, apply=apply).bandwidth == choose_bandwidth(*data).bandwidth
    assert len(handed) >= 20


@pytest.mark.parametrize("degree", [0, 1])
def test_scatter_about_a_surface_is_what_the_correlation_foretells(degree):
    def gentle(places):
        return expit((places[:, 0] - 5_000) / 4_000)

    sites, count, total = survey(9, gentle, sites=200, rho=0.1, traits=40)  # traits as repeated surveys
    right = scatter_about_surface(sites, count, total, bandwidth=1500.0, rho=0.1, degree=degree)
    assert right.mean() == pytest.approx(1.0, abs=0.05)
    # Taken without the correlation, the variance is 1 + 29 x 0.1 = 3.9 times too large.
    plain = scatter_about_surface(sites, count, total, bandwidth=1500.0, degree=degree)
    assert plain.mean() == pytest.approx(3.9, rel=0.06)


def test_scatter_of_a_trait_that_nothing_shows_is_missing():
    sites, count, total = survey(10, bumpy, sites=20)
    assert np.isnan(scatter_about_surface(sites, 0 * count, total, bandwidth=1500.0)[0])
