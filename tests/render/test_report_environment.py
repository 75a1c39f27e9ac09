"""The report's section on habitat and temperature: the regression, and pairs of near sites beside it."""

from __future__ import annotations

import pandas as pd
import pytest

from made_french import FRENCH, check_french, texts_of, typeset
from made_rows import NAN, environment, in_points, paired
from morphcline.language import speaking
from morphcline.records.environment_tables import ANY_OTHER
from morphcline.render.report.parts import Section
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


def section(left_out: tuple[str, ...] = ()) -> Section:
    tests = {"p_gls": 0.2, "p_modified_t": 0.03, "sites": 318, "shells": 10_568}
    quiet = {"p_spatial": 0.4, "p_naive": 0.3, "p_gls": 0.4}
    rows = [
        environment(term="habitat", estimate=NAN, low=NAN, high=NAN, p_holm=NAN, **tests),
        environment(**tests),
        environment(term="habitat: marsh", p_holm=0.4, **tests),
        environment(term="temperature_c", reference="", **tests),
        environment(trait="unbanded", term="habitat", estimate=NAN, low=NAN, high=NAN, **tests | quiet),
        environment(trait="unbanded", **tests | quiet),
        environment(trait="unbanded", term="temperature_c", reference="", **tests | quiet),
        environment(trait="mid-banded", term="habitat", estimate=NAN, **tests | {"p_spatial": 0.3}),
        environment(trait="mid-banded", term="temperature_c", reference="", **tests | {"p_spatial": 0.3}),
    ]
    effects = [in_points(), in_points(term="temperature_c"), in_points(trait="unbanded", term="temperature_c")]
    pairs = [
        paired(),
        paired(habitat_other=ANY_OTHER),
        paired(trait="mid-banded"),
        paired(trait="unbanded", p_holm=0.4, low=-0.2, high=-0.1),
        paired(trait="unbanded", p_holm=0.9, habitat_one="marsh", habitat_other=ANY_OTHER),
    ]
    skill = [
        {"species": "Cepaea nemoralis", "trait": "yellow", "model": model, "skill": value}
        for model, value in (("habitat", 0.05), ("temperature", -0.09), ("both", NAN))
    ]
    tables = {
        "environment": pd.DataFrame(rows),
        "marginal_effects": pd.DataFrame(effects),
        "habitat_pairs": pd.DataFrame(pairs),
        "environment_skill": pd.DataFrame(skill),
    }
    return topic.environment(tables, [], left_out, "95%")


def test_the_section_is_said_in_french() -> None:
    check_french(lambda: texts_of(section()))


def test_a_section_without_anything_known_is_said_in_french() -> None:
    nothing = {
        "environment": pd.DataFrame(columns=list(environment())),
        "marginal_effects": pd.DataFrame(columns=list(in_points())),
        "habitat_pairs": pd.DataFrame(columns=list(paired())),
        "environment_skill": pd.DataFrame(),
    }
    french = check_french(lambda: texts_of(topic.environment(nothing, [], [], "95%")))
    assert french[1].startswith("Ni l’habitat ni la température")


def test_what_was_not_seen_is_told_with_its_numbers() -> None:
    told = " ".join(section().points[0].texts)
    assert "Habitats were not seen to differ, with space allowed for or not, in unbanded (p = 0.40; 318 sites)." in told
    assert "in unbanded (−13, −17 to −8.8; p = 0.40; 318 sites); in percentage points for each degree Celsius" in told


def test_pairs_in_french() -> None:
    with speaking(FRENCH):
        told = paired_habitats([paired(p=NAN, p_holm=NAN)], [environment(effect=0.1)])
        apart = paired_habitats([paired()], [environment(term="habitat", p_spatial=0.3), environment(effect=0.02)])
    assert told == [
        typeset(
            "Trop peu de sites d’habitats différents sont à 1 km au plus l’un de l’autre pour être comparés par paires."
        )
    ]
    assert apart[0] == typeset(
        "Jaune, par paires de sites proches (à 1 km au plus) : −13 points de pourcentage (−20 à −6,6) pour l’habitat "
        "« bois » par rapport à « haie » (25 paires, p = 0,004 après correction de Holm)."
    )
