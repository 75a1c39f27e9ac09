"""The report's sentences follow from the rows they are made from."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from morphcline.records.change_table import OVER_PAIRS
from morphcline.render.report import sentences, summary
from morphcline.render.report.topics import environment as environment_topic
from morphcline.render.report.topics import neighbours, records
from morphcline.render.report.topics.paired_habitats import paired_habitats

NAN = math.nan


def regional(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "mid-banded", "count": 300, "total": 1000, "sites": 120,
        "frequency": 0.30, "low": 0.27, "high": 0.331, "rho": 0.06, "rho_low": 0.04, "rho_high": 0.08,
        "p_overdispersion": 1e-9,
    } | changes  # fmt: skip


def cline(model: str, weight: float, **changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "model": model, "sites": 312, "shells": 10_201,
        "bearing_deg": 64.2, "bearing_low": 60.4, "bearing_high": 68.0, "centre_m": -3200.0, "centre_low": -3700.0,
        "centre_high": -2800.0, "width_m": 8900.0, "width_low": 7000.0, "width_high": 11_200.0, "p_min": 0.15,
        "p_max": 0.84, "weight": weight, "converged": True, "not_fitted_because": "", "direction": "along",
        "p_flat": 0.002, "chosen": weight > 0.5,
        "step": False, "residual_moran_i": 0.02, "residual_moran_p": 0.4,
    } | changes  # fmt: skip


def environment(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "term": "habitat: woodland", "estimate": math.log(0.5),
        "low": math.log(0.4), "high": math.log(0.7), "p_naive": 1e-6, "p_spatial": 0.004, "p_holm": 0.012,
        "reference": "hedgerow",
    } | changes  # fmt: skip


def in_points(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "term": "habitat: woodland", "effect": -0.131, "low": -0.174,
        "high": -0.088,
    } | changes  # fmt: skip


def paired(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "habitat_one": "woodland", "habitat_other": "hedgerow",
        "pairs": 25, "distance_m": 607.0, "difference": -0.134, "low": -0.203, "high": -0.066, "p": 0.0005,
        "p_holm": 0.004, "within_m": 1000.0, "not_tested_because": "",
    } | changes  # fmt: skip


def changed(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "brown", "earlier_survey": "1984", "site": "", "earlier_count": 240,
        "earlier_total": 1000, "later_count": 150, "later_total": 1000, "earlier_frequency": 0.24,
        "later_frequency": 0.15, "difference": -0.09, "pairs": 79, "low": -0.14, "high": -0.04, "p": 0.002,
        "method": "m",
    } | changes  # fmt: skip


def test_what_came_in_says_why_shells_do_not_count() -> None:
    account = {
        "rows": 12, "accepted": 10, "rejected": 2, "shells_counted": 90, "shells_seen_not_counted": 7,
        "not_counted_by_reason": {"juvenile": 5, "worn or bleached": 2, "searched, none found": 0},
        "rejected_by_reason": {"empty-row": 2}, "flagged_by_code": {},
        "sources": [{"source": "a.csv", "survey": "", "kind": "records", "rows": 12, "accepted": 10, "rejected": 2}],
    }  # fmt: skip
    section = records.came_in(account, "Records by 3 recorders, whose names are kept back.")
    assert section.paragraphs == [
        "12 rows of records were read: 10 accepted and 2 rejected. The accepted rows, earlier surveys among them, hold "
        "90 adult shells that count and 7 more shells that were seen but don't (5 juvenile and 2 worn or bleached). "
        "Records by 3 recorders, whose names are kept back."
    ]
    assert [table.rows for table in section.tables[1:]] == [[("Empty row", "2")]]


def test_a_frequency_names_its_denominator_interval_and_n() -> None:
    assert sentences.frequency(regional()) == (
        "Mid-banded, among banded shells: 30% (27 to 33%; 1,000 shells from 120 sites)."
    )


def test_where_sites_differ_beyond_chance_is_said_once() -> None:
    told = sentences.scatter([regional(), regional(trait="yellow"), regional(trait="fused", p_overdispersion=0.4)])
    assert "by more than chance alone would make them in mid-banded and yellow" in told
    assert "In fused bands they were not seen to differ beyond chance." in told
    assert "could not be tested" in sentences.scatter([regional(rho=NAN, p_overdispersion=NAN)])


def index(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "form": "rate-adjusted", "sites": 288, "moran_i": 0.45,
        "expected": -0.0035, "p_permutation": 0.001, "not_tested_because": "",
    } | changes  # fmt: skip


def test_likeness_of_neighbours_is_sorted_by_what_was_seen() -> None:
    told = sentences.neighbours(
        [
            index(),
            index(trait="pink", p_permutation=0.31, moran_i=0.01),
            index(trait="brown", moran_i=-0.2),
            index(trait="fused", moran_i=NAN, not_tested_because="it is the same at every site"),
        ]
    )
    assert told == [
        "Neighbouring sites are more alike than chance makes them in yellow (I = 0.45, p = 0.001, 288 sites).",
        "Neighbouring sites are less alike than chance makes them in brown (I = −0.20, p = 0.001, 288 sites).",
        "Neighbouring sites are not seen to be more alike than chance makes them in pink (I = 0.01, p = 0.31, 288 "
        "sites).",
        "Not tested: fused bands, because it is the same at every site.",
    ]
    close = index(p_permutation=0.045, p_mc_low=0.03, p_mc_high=0.06)
    assert "so few permutations can't tell which side of 0.05 it lies" in sentences.neighbours([close])[0]
    note = neighbours.alike(pd.DataFrame([index()]), pd.DataFrame(), pd.DataFrame(), []).notes[0]
    assert note == "Where a test sees nothing, that does not show that nothing is there."


def test_reach_and_scale_are_told_with_their_intervals() -> None:
    common = {"species": "Cepaea nemoralis", "sites": 120}
    reaches = pd.DataFrame(
        [
            {**common, "trait": "yellow", "p_global": 0.001, "reach_m": 15e3, "reach_low": 13e3, "reach_high": 17e3},
            {**common, "trait": "pink", "p_global": 0.001, "reach_m": 9e3, "reach_low": 4e3, "reach_high": NAN},
            {**common, "trait": "brown", "p_global": 0.4, "reach_m": NAN, "reach_low": NAN, "reach_high": NAN},
        ]
    )
    fits = pd.DataFrame(
        [
            {**common, "trait": "yellow", "nugget_binomial": 0.2, "nugget_small_scale": 0.1, "sill": 0.7,
             "sill_low": 0.4, "practical_range_m": 9e3, "practical_range_low": 3e3, "practical_range_high": NAN},
            {**common, "trait": "pink", "nugget_binomial": 0.2, "nugget_small_scale": 0.1, "sill": NAN,
             "sill_low": 0.4, "practical_range_m": NAN, "practical_range_low": 3e3, "practical_range_high": NAN},
        ]
    )  # fmt: skip
    told = " ".join(neighbours.alike(pd.DataFrame([index()]), reaches, fits, []).points[0].texts)
    assert "yellow 15 km (13 to 17 km) and pink 9 km (at least 4 km)." in told
    assert "No reach is given for brown" in told
    assert "Yellow: logits are alike out to 9 km (at least 3 km) at a correlation of 0.05 (120 sites)" in told
    assert "20% is the counting of shells and 10% differences at small scale" in told
    assert "The variogram shows no sill in pink" in told


def test_the_cline_that_was_chosen_is_told() -> None:
    text = sentences.cline([cline("flat", 0.0), cline("sigmoid, free ends", 0.98), cline("sigmoid", 0.02)])
    assert "rises towards 064° (060° to 068°)" in text
    assert "its centre lies −3.2 km (−3.7 to −2.8 km)" in text
    assert "its width is 8.9 km (7 to 11 km)" in text
    assert "from 15% to 84%" in text
    assert "10,201 shells from 312 sites; AICc weight 0.98" in text


def test_weight_alone_makes_no_cline_where_the_test_sees_none() -> None:
    rows = [cline("flat", 0.3, chosen=True, p_flat=0.21), cline("sigmoid, free ends", 0.7, chosen=False, p_flat=0.21)]
    assert sentences.cline(rows) == (
        "Yellow, among shells scored for colour: no cline is needed to describe the sites "
        "(10,201 shells from 312 sites; AICc weight 0.30; p = 0.21 against a flat frequency)."
    )


def test_a_cline_along_a_line_is_told_by_its_direction() -> None:
    row = cline("sigmoid", 0.9, bearing_deg=NAN, bearing_low=NAN, bearing_high=NAN, direction="against")
    text = sentences.cline([row])
    assert "rises against the direction of the line given" in text
    assert "from the start of the line" in text


def test_a_step_has_no_width() -> None:
    text = sentences.cline(
        [cline("sigmoid, free ends", 0.9, step=True, width_m=127.0, width_low=NAN, width_high=920.0, spacing_m=1100.0)]
    )
    assert "it is a step as far as the sites tell: narrower than 920 m, which is within the 1.1 km between" in text
    assert "127" not in text


def test_a_width_without_a_lower_limit_is_no_step_and_no_number() -> None:
    text = sentences.cline(
        [cline("sigmoid, free ends", 0.9, width_m=127.0, width_low=NAN, width_high=4920.0, spacing_m=600.0)]
    )
    assert "its width can't be told beyond this: it is less than 4.9 km" in text
    assert "127" not in text
    assert "step" not in text


def test_a_model_that_fails_its_test_of_fit_is_said_to() -> None:
    text = sentences.cline(
        [cline("sigmoid", 0.9, fails=True, p_fit=0.005, residual_moran_i=0.22, residual_moran_p=1e-20)]
    )
    assert "one line of change doesn't describe the map" in text
    assert "(p = 0.005; Moran's I of what is left over 0.22)" in text
    patchy = sentences.cline([cline("sigmoid", 0.9, p_fit=0.02, residual_share=0.2)])
    assert patchy.endswith(
        " Patches of neighbouring sites depart from it (p = 0.020 against surveys drawn from the model; 20% of what it "
        "leaves over is common to neighbours); the limits allow for that."
    )
    assert "depart" not in sentences.cline([cline("sigmoid", 0.9, p_fit=0.3)])
    flat = sentences.cline([cline("flat", 0.9, p_fit=0.01, fails=True)])
    assert "But one frequency everywhere doesn't describe the map" in flat


def test_a_width_that_hangs_on_its_ends_says_so() -> None:
    text = sentences.cline(
        [cline("sigmoid", 0.9, width_high=NAN, width_low_given_ends=8000.0, width_high_given_ends=9900.0)]
    )
    assert "at least 7 km; no upper limit" in text
    assert "or 8 to 9.9 km if its ends are 0 and 100%, which the sites don't show" in text


def test_tails_are_told_by_their_slopes() -> None:
    tails = {"tail_share": 0.2, "slope_min": 0.31, "slope_max": 0.05}
    text = sentences.cline([cline("stepped, asymmetric tails", 0.9, **tails)])
    assert "the last 20% of the way to either end is a tail" in text
    assert "to 0.31 times at the low end and 0.05 times at the high end that of the central step" in text
    assert "central step with unequal tails" in text


def test_a_map_that_one_line_of_change_does_not_describe_is_told() -> None:
    text = sentences.cline([cline("sigmoid", 0.9, residual_moran_i=0.22, residual_moran_p=1e-20)])
    assert text.endswith(
        "(I = 0.22, p < 0.001): beside the one line of change, patches differ, as with habitat or an area effect."
    )


def surface(**changes: Any) -> dict[str, Any]:
    return {
        "species": "Cepaea nemoralis", "trait": "yellow", "bandwidth_m": 3711.0, "degree": 1, "kernel": "gaussian",
        "cells": 3853, "cells_blank": 0, "sites": 326, "shells": 10_703, "not_smoothed_because": "",
    } | changes  # fmt: skip


def test_bandwidths_and_blanks_are_told_by_trait() -> None:
    rows = [surface(), surface(trait="pink"), surface(trait="mid-banded", bandwidth_m=2772.0, cells_blank=23)]
    text = sentences.surface(rows)
    assert "with a bandwidth of 3.7 km for yellow and pink; 2.8 km for mid-banded." in text
    assert "Of 3,853 cells in the area some stay blank, for want of shells near them: 23 for mid-banded." in text
    text = sentences.surface(rows[:2], neighbours=12)
    assert "a bandwidth that reaches the 12 nearest sites (median 3.7 km for yellow and pink)." in text
    assert "No trait leaves any of the 3,853 cells of the area blank." in text
    none = [surface(bandwidth_m=NAN, not_smoothed_because="4 samples can show it; a surface needs 5")]
    assert sentences.surface(none).endswith("no surface, because 4 samples can show it; a surface needs 5.")


def test_an_even_gradient_has_no_centre_and_no_width() -> None:
    text = sentences.cline([cline("linear", 0.9)])
    assert text.startswith("Yellow (among shells scored for colour) changes evenly over the stretch surveyed, rising")
    assert "centre" not in text
    assert "width" not in text
    assert "from 15% to 84%" in text


def test_open_intervals_are_said_to_be_open() -> None:
    assert "at least 7 km; no upper limit" in sentences.cline([cline("sigmoid", 1.0, width_high=NAN)])
    assert "it is less than 11 km" in sentences.cline([cline("sigmoid", 1.0, width_low=NAN)])


def test_an_unfitted_cline_says_why() -> None:
    rows = [cline("flat", NAN, converged=False, not_fitted_because="there are fewer than 10 sites")]
    assert sentences.cline(rows).endswith("no cline fitted, because there are fewer than 10 sites.")


@pytest.mark.parametrize(
    ("naive", "spatial", "words"),
    [
        (1e-6, 0.004, "differ by more than the lie of the sites explains (p = 0.004 with space allowed for, p < 0.001"),
        (1e-6, 0.31, "once space is allowed for this could be chance (p = 0.31 with space allowed for, p < 0.001"),
        (0.5, 0.6, "were not seen to differ"),
        (0.01, NAN, "was not estimated"),
    ],
)
def test_the_test_that_allows_for_space_decides(naive: float, spatial: float, words: str) -> None:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN, p_naive=naive, p_spatial=spatial)
    mild = environment(term="habitat: marsh", estimate=2.0, low=-0.1, high=4.1, p_holm=0.07)
    text = sentences.habitats(joint, [mild, environment()])
    warm = sentences.temperature(environment(term="temperature_c", p_naive=naive, p_spatial=spatial, reference=""))
    for told, effect in (
        (text, "the odds are 0.50 times (0.40 to 0.70) as large in woodland as in hedgerow"),
        (warm, "the odds are 0.50 times (0.40 to 0.70) as large for each degree Celsius more"),
    ):
        assert (words in told) or (math.isnan(spatial) and "not estimated" in told)
        assert (effect in told) == (spatial <= 0.05)
    assert ("(p = 0.012 by Holm's correction, the surest of 2 classes compared)" in text) == (spatial <= 0.05)


def test_a_difference_is_told_in_points_where_they_are_known() -> None:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN)
    frame = environment_topic.with_points(pd.DataFrame([joint, environment()]), pd.DataFrame([in_points()]))
    told = sentences.habitats(frame.iloc[0].to_dict(), [frame.iloc[1].to_dict()])
    assert "; −13 percentage points (−17 to −8.8) in woodland against hedgerow (p = 0.012" in told
    warm = environment(term="temperature_c", reference="", effect=0.031, effect_low=0.012, effect_high=0.05)
    assert "+3.1 percentage points (+1.2 to +5.0) for each degree Celsius more" in sentences.temperature(warm)


def test_pairs_are_told_beside_the_regression() -> None:
    effect = environment(effect=-0.131)
    joint = environment(term="habitat", p_spatial=0.001)
    told = paired_habitats([paired(), paired(trait="unbanded", p_holm=0.4)], [joint, effect])
    assert told == [
        "Yellow, by pairs of near sites (within 1 km): −13 percentage points (−20 to −6.6) in woodland against "
        "hedgerow (25 pairs, p = 0.004 by Holm's correction).",
        "Pairs of near sites (within 1 km) of different habitats were not seen to differ in unbanded.",
        "Of 1 comparison with hedgerow that pairs allow, the interval of the pairs holds the regression's difference "
        "in 1.",
    ]
    apart = paired_habitats([paired()], [joint | {"p_spatial": 0.3}, environment(effect=0.02)])
    assert apart[1].startswith("The regression, which takes in all sites, doesn't see habitats differ in yellow:")
    assert "in 0; not so: yellow in woodland (pairs −13, regression +2.0)." in apart[-1]
    few = paired(p=NAN, p_holm=NAN, not_tested_because="few")
    assert paired_habitats([few], [effect])[0].startswith("Too few sites of different habitats lie within 1 km")
    assert paired_habitats([], [effect]) == []


@pytest.mark.parametrize(
    ("least_squares", "words"), [(0.01, "in 1 of 1 tests."), (0.2, "in 0 of 1 tests; they differ on")]
)
def test_another_verdict_of_the_second_answer_is_told(least_squares: float, words: str) -> None:
    rows = [environment(term="temperature_c", p_gls=least_squares)]
    (told,) = environment_topic._second_answer([rows])
    assert words in told
    assert ("best called open" in told) == (least_squares > 0.05)


def test_a_change_is_told_with_both_frequencies() -> None:
    assert sentences.change(changed()) == (
        "Brown (among shells scored for colour) fell since 1984 (24% then, 15% now, over 79 pairs of places with "
        "1,000 and 1,000 shells: −9.0 percentage points, −14 to −4.0; p = 0.002)."
    )
    assert "fell since the survey “Old cards” (" in sentences.change(changed(earlier_survey="Old cards"))
    assert "no change was seen" in sentences.change(changed(p=0.2))
    assert "a small one may have been missed" in sentences.change(changed(p=0.2))


def test_nothing_is_called_a_cause() -> None:
    told = " ".join(
        [
            sentences.temperature(environment(term="temperature_c", reference="")),
            sentences.change(changed()),
            sentences.cline([cline("sigmoid", 1.0)]),
        ]
    )
    assert not any(word in told for word in ("cause", "effect of", "due to", "because of", "leads to"))


def test_the_summary_holds_only_what_was_seen() -> None:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN)
    tables = {
        "regional": pd.DataFrame([regional(trait="yellow"), regional(), regional(trait="pink")]),
        "clines": pd.DataFrame(
            [cline("flat", 0.1), cline("sigmoid", 0.9), cline("flat", 0.8, trait="unbanded"),
             cline("sigmoid", 0.2, trait="unbanded")]
        ),
        "environment": pd.DataFrame([joint | {"p_spatial": 0.3}, environment()]),
        "marginal_effects": pd.DataFrame([in_points()]),
        "change": pd.DataFrame([changed(method=OVER_PAIRS), changed(trait="yellow", p=0.4, method=OVER_PAIRS)]),
    }  # fmt: skip
    told = summary.findings(tables)
    assert len(told) == 3
    assert told[0].startswith("Cepaea nemoralis: yellow, among shells scored for colour 30% (27 to 33%); mid-banded")
    assert told[1].startswith("Cepaea nemoralis: yellow (among shells scored for colour) rises towards 064°")
    assert told[2].startswith("Cepaea nemoralis: brown (among shells scored for colour) fell since")
    tables["environment"] = pd.DataFrame([joint, environment()])
    assert any("habitats differ" in text for text in summary.findings(tables))
