"""Sentences of the report follow from the rows that they are made from."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from made_french import FRENCH, check_french, typeset
from made_rows import NAN, changed, cline, environment, in_points, index, regional, surface
from morphcline.language import speaking
from morphcline.render.report import sentences
from morphcline.render.report.topics.environment import with_points
from morphcline.scoring.traits import user_trait
from morphcline.study.scoring import Selection, UserTrait


def test_a_frequency_names_its_denominator_interval_and_n() -> None:
    assert sentences.frequency(regional()) == (
        "Mid-banded, among banded shells: 30% (27 to 33%; 1,000 shells from 120 sites)."
    )


def test_a_trait_of_the_studys_own_is_told_with_its_denominator() -> None:
    own = user_trait(
        UserTrait(name="pale rose", counted=Selection(colour=("pink",)), among=Selection(band_class=("unbanded",)))
    )
    row = regional(trait="pale rose", denominator=own.denominator)
    assert sentences.frequency(row).startswith(
        "Pale rose, among shells scored for colour and banding that are unbanded: 30% ("
    )
    assert sentences.subject(row) == "Pale rose (among shells scored for colour and banding that are unbanded)"
    with speaking(FRENCH):
        assert sentences.subject(row).startswith("Pale rose (parmi les coquilles dont la couleur et les bandes")
    assert "the shells that the study file names" in sentences.subject(regional(trait="pale rose"))


def test_where_sites_differ_beyond_chance_is_said_once() -> None:
    told = sentences.scatter([regional(), regional(trait="yellow"), regional(trait="fused", p_overdispersion=0.4)])
    assert told.startswith(
        "Sites differ by more than chance alone would make them in mid-banded (ρ = 0.06, 0.04 to 0.08; p < 0.001; 120 "
        "sites) and yellow (ρ = 0.06"
    )
    assert "not seen to differ beyond chance in fused bands (ρ = 0.06, 0.04 to 0.08; p = 0.40; 120 sites)." in told
    assert "could not be tested" in sentences.scatter([regional(rho=NAN, p_overdispersion=NAN)])


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
        "Neighbouring sites were not seen to be more or less alike than chance makes them in pink (I = 0.01, p = 0.31, "
        "288 sites).",
        "Not tested: fused bands, because it is the same at every site.",
    ]
    close = index(p_permutation=0.045, p_mc_low=0.03, p_mc_high=0.06)
    assert "so few permutations can't tell which side of 0.05 it lies" in sentences.neighbours([close])[0]


def test_the_cline_that_was_chosen_is_told() -> None:
    text = sentences.cline([cline("flat", 0.0), cline("sigmoid, free ends", 0.98), cline("sigmoid", 0.02)])
    assert "rises from 15% to 84% towards 064° (060° to 068°)" in text
    assert "its centre lies −3.2 km (−3.7 to −2.8 km)" in text
    assert "its width is 8.9 km (7 to 11 km)" in text
    assert "10,201 shells from 312 sites; AICc weight 0.98" in text


def test_weight_alone_makes_no_cline_where_the_test_sees_none() -> None:
    rows = [cline("flat", 0.3, chosen=True, p_flat=0.21), cline("sigmoid, free ends", 0.7, chosen=False, p_flat=0.21)]
    assert sentences.cline(rows) == (
        "Yellow, among shells scored for colour: no cline was seen (p = 0.21 against one frequency everywhere, whose "
        "AICc weight is 0.30; 10,201 shells from 312 sites)."
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
    assert "(p = 0.005; Moran's I of what is left unexplained 0.22)" in text
    patchy = sentences.cline([cline("sigmoid", 0.9, p_fit=0.02, residual_share=0.2)])
    assert patchy.endswith(
        " Patches of neighbouring sites depart from it (p = 0.020 against surveys simulated from the model; 20% of "
        "what "
        "it leaves unexplained is common to neighbours); the limits allow for that."
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
    assert text == (
        "Yellow (among shells scored for colour) rises evenly over the stretch surveyed, from 15% to 84% towards 064° "
        "(060° to 068°); 10,201 shells from 312 sites; AICc weight 0.90; no interval of the slope."
    )
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
    for told in (text, warm):
        assert (words in told) or (math.isnan(spatial) and "not estimated" in told)
    odds = ": the odds are 0.50 times (0.40 to 0.70) as large"
    assert (f"{odds} in woodland as in hedgerow" in text) == (spatial <= 0.05)
    # A number is told with its interval where it was not seen to differ from nothing, too.
    assert (f"{odds} for each degree Celsius more; warmer" in warm) == (not math.isnan(spatial))
    assert ("(p = 0.012 by Holm's correction, the surest of 2 classes compared)" in text) == (spatial <= 0.05)


def test_a_difference_is_told_in_points_where_they_are_known() -> None:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN)
    frame = with_points(pd.DataFrame([joint, environment()]), pd.DataFrame([in_points()]))
    told = sentences.habitats(frame.iloc[0].to_dict(), [frame.iloc[1].to_dict()])
    assert ": −13 percentage points (−17 to −8.8) in woodland against hedgerow (p = 0.012" in told
    warm = environment(term="temperature_c", reference="", effect=0.031, effect_low=0.012, effect_high=0.05)
    assert "+3.1 percentage points (+1.2 to +5.0) for each degree Celsius more" in sentences.temperature(warm)


def test_a_change_is_told_with_both_frequencies() -> None:
    assert sentences.change(changed()) == (
        "Brown (among shells scored for colour) fell since 1984: −9.0 percentage points (−14 to −4.0), 24% then and "
        "15% now (p = 0.002; 79 pairs of places with 1,000 and 1,000 shells)."
    )
    assert "fell since the survey “Old cards”: " in sentences.change(changed(earlier_survey="Old cards"))
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


def clines_of_every_kind() -> list[str]:
    tails = {"tail_share": 0.2, "slope_min": 0.31, "slope_max": 0.05}
    alike = {"residual_moran_i": 0.22, "residual_moran_p": 1e-20}
    line = {"bearing_deg": NAN, "bearing_low": NAN, "bearing_high": NAN}
    return [
        sentences.cline([row])
        for row in (
            cline("flat", 0.9),
            cline("flat", 0.9, p_flat=NAN, p_fit=0.01, fails=True),
            cline("flat", NAN, chosen=False, not_fitted_because="no shell has it"),
            cline("flat", NAN, chosen=False),
            cline("linear", 0.9),
            cline("sigmoid", 0.9, width_low_given_ends=8000.0, width_high_given_ends=9900.0),
            cline("sigmoid", 0.9, width_high=NAN, **line),
            cline("sigmoid, free ends", 0.9, step=True, width_low=NAN, spacing_m=1100.0, direction="against", **line),
            cline("sigmoid, free ends", 0.9, width_low=NAN, centre_low=NAN, spacing_m=600.0),
            cline("sigmoid, free ends", 0.9, width_low=NAN, width_high=NAN, spacing_m=600.0, bearing_low=NAN),
            cline("stepped, symmetric tails", 0.9, **tails),
            cline("stepped, asymmetric tails", 0.9, **tails),
            cline("sigmoid", 0.9, fails=True, p_fit=0.005, **alike),
            cline("sigmoid", 0.9, p_fit=0.02, residual_share=0.2),
            cline("sigmoid", 0.9, **alike),
        )
    ]


def covariates_of_every_kind() -> list[str]:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN, sites=318, shells=10_568)
    warm = environment(term="temperature_c", reference="")
    unseen = ({"p_spatial": 0.3}, {"p_spatial": 0.3, "p_naive": 0.4}, {"p_spatial": NAN})
    points = {"effect": -0.131, "effect_low": -0.174, "effect_high": -0.088}
    return [
        sentences.habitats(joint, [environment()]),
        sentences.habitats(joint, [environment(reference=""), environment(p_holm=0.2)]),
        sentences.habitats(joint, [environment(**points)]),
        sentences.habitats(joint, [environment(reference="", **points)]),
        *(sentences.habitats(joint | changes, [environment()]) for changes in unseen),
        sentences.temperature(warm),
        sentences.temperature(warm | points | {"p_naive": NAN}),
        *(sentences.temperature(warm | changes) for changes in unseen),
    ]


def the_others_of_every_kind() -> list[str]:
    dated = {"earlier_survey": "Vieilles fiches"}
    return [
        sentences.frequency(regional()),
        sentences.frequency(regional(frequency=NAN)),
        sentences.scatter([regional(rho_low=NAN), regional(trait="yellow", p_overdispersion=0.4)]),
        sentences.scatter([regional(rho=NAN, p_overdispersion=NAN)]),
        sentences.surface([surface(), surface(trait="fused", bandwidth_m=2772.0, cells_blank=23)]),
        sentences.surface([surface(degree=0)], neighbours=12),
        sentences.surface([surface(), surface(trait="pink", bandwidth_m=NAN, not_smoothed_because="no shell has it")]),
        sentences.surface([surface(bandwidth_m=NAN, not_smoothed_because="no shell has it")]),
        sentences.surface([surface(bandwidth_m=NAN)]),
        sentences.change(changed()),
        sentences.change(changed(difference=0.09, low=NAN, **dated)),
        sentences.change(changed(p=0.2)),
        sentences.change(changed(p=0.2, detectable_difference=0.06, **dated)),
        sentences.change(changed(p=NAN)),
    ]


@pytest.mark.parametrize("texts", [clines_of_every_kind, covariates_of_every_kind, the_others_of_every_kind])
def test_sentences_are_said_in_french(texts) -> None:
    check_french(texts)


def test_key_sentences_in_french() -> None:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN, sites=318, shells=10_568)
    woodland = environment(effect=-0.131, effect_low=-0.174, effect_high=-0.088)
    with speaking(FRENCH):
        told = [
            sentences.frequency(regional(trait="yellow")),
            sentences.change(changed()),
            sentences.cline([cline("sigmoid, free ends", 0.98)]),
            sentences.habitats(joint, [woodland]),
        ]
    assert told[0] == typeset(
        "Jaune, parmi les coquilles dont la couleur a été notée : 30 % (27 à 33 % ; 1 000 coquilles de 120 sites)."
    )
    assert told[1] == typeset(
        "Brun (parmi les coquilles dont la couleur a été notée), baisse depuis 1984 : −9,0 points de pourcentage "
        "(−14 à −4,0), 24 % alors et 15 % aujourd’hui (p = 0,002 ; 79 paires de lieux totalisant 1 000 et 1 000 "
        "coquilles)."
    )
    assert told[2] == typeset(
        "Jaune (parmi les coquilles dont la couleur a été notée) : hausse de 15 % à 84 % vers 064° (060° à 068°), "
        "centre à −3,2 km (−3,7 à −2,8 km) du milieu des sites, compté dans ce sens, largeur de 8,9 km (7 à 11 km) ; "
        "sigmoïde à extrémités libres ; 10 201 coquilles de 312 sites ; poids d’Akaike de 0,98."
    )
    assert told[3] == typeset(
        "Jaune, parmi les coquilles dont la couleur a été notée : −13 points de pourcentage (−17 à −8,8) pour "
        "l’habitat « bois » par rapport à « haie » (p = 0,012 après correction de Holm) ; les habitats diffèrent plus "
        "que ne l’explique la disposition des sites (p = 0,004 en tenant compte de l’espace, p < 0,001 sans cela ; "
        "10 568 coquilles de 318 sites)."
    )


def test_an_effect_comes_before_the_verdict_and_n_stands_in_the_sentence() -> None:
    joint = environment(term="habitat", estimate=NAN, low=NAN, high=NAN, sites=318, shells=10_568)
    told = sentences.habitats(joint, [environment()])
    assert told.index("the odds are 0.50") < told.index("habitats differ")
    assert told.endswith("10,568 shells from 318 sites).")


def test_traits_without_a_surface_are_named_beside_those_with_one() -> None:
    told = sentences.surface(
        [surface(), surface(trait="pink", bandwidth_m=NAN, not_smoothed_because="no shell has it")]
    )
    assert told.endswith(" No surface of pink, because no shell has it.")
