"""The report's section on habitat and temperature: the regression, and pairs of near sites beside it."""

from __future__ import annotations

import pytest

from made_rows import NAN, environment, paired
from morphcline.render.report.topics import environment as topic
from morphcline.render.report.topics.paired_habitats import paired_habitats


def test_pairs_are_told_beside_the_regression() -> None:
    effect = environment(effect=-0.131)
    joint = environment(term="habitat", p_spatial=0.001)
    told = paired_habitats([paired(), paired(trait="unbanded", p_holm=0.4)], [joint, effect])
    assert told == [
        "Yellow, by pairs of near sites (within 1 km): −13 percentage points (−20 to −6.6) in woodland against "
        "hedgerow (25 pairs, p = 0.004 by Holm's correction).",
        "Pairs of near sites (within 1 km) of different habitats were not seen to differ in unbanded (1 "
        "comparison, p = 0.40).",
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
    ("least_squares", "words"), [(0.01, "in 1 of 1 test."), (0.2, "in 0 of 1 test; they differ on")]
)
def test_another_verdict_of_the_second_answer_is_told(least_squares: float, words: str) -> None:
    rows = [environment(term="temperature_c", p_gls=least_squares)]
    (told,) = topic._second_answer([rows])
    assert words in told
    assert ("best called open" in told) == (least_squares > 0.05)
