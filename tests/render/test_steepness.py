"""What the figure and the report say of steepness follows from the table's rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from morphcline.render.figures.steepness import SteepPanel, _top_of_scale
from morphcline.render.report.topics.steepness import steepness, together_sentences, trait_sentence

NAN = float("nan")


def row(**changes: object) -> dict[str, object]:
    found: dict[str, object] = {
        "species": "Cepaea nemoralis", "trait": "yellow", "sites": 326, "shells": 10703, "surface_per_km": 0.0643,
        "surface_se": 0.0047, "at_least_per_km": 0.0549, "gradient_per_km": 0.0887, "low": 0.0362, "high": 0.1365,
        "bearing_deg": 50.2, "bearing_se_deg": 6.4, "steep_cells": 1017, "steep_area_km2": 254.25, "p": 0.001,
        "steeper_cells": 156, "steeper_area_km2": 39.0, "p_even_slope": 0.002, "not_measured_because": "",
    }  # fmt: skip
    return found | changes


def pair(**changes: object) -> dict[str, object]:
    found: dict[str, object] = {
        "species": "Cepaea nemoralis", "trait": "yellow", "other_trait": "unbanded", "both_km2": 250.0,
        "likeness": 0.97, "likeness_expected": 0.81, "p": 0.002, "p_holm": 0.026,
    }  # fmt: skip
    return found | changes


def test_a_steep_trait_is_told_with_area_gradient_limits_and_direction() -> None:
    assert trait_sentence(row()) == (
        "Yellow (among shells scored for colour) is steeper than samples placed at random allow over 254 km² "
        "(p = 0.001; 10,703 shells from 326 sites). Where this stands out most the surface rises by 6.4 percentage "
        "points per km towards 050° (standard error 6°). Corrected for smoothing it rises there by 8.9 (3.6 to 14). "
        "Over 39 km² it is steeper also than an even slope over the region (p = 0.002)."
    )


def test_what_is_not_known_is_not_told_as_a_number() -> None:
    open_below = trait_sentence(row(low=0.0))
    assert "Somewhere near it rises by at least 5.5; how much smoothing has taken away can't be told" in open_below
    assert "Corrected for smoothing" not in open_below
    nothing = trait_sentence(row(low=0.0, at_least_per_km=0.0, bearing_deg=NAN, bearing_se_deg=NAN))
    assert "How steep it truly is there can't be told" in nothing
    assert "towards" not in nothing
    told = trait_sentence(row(steeper_cells=0, steeper_area_km2=0.0, p_even_slope=0.38))
    assert "not seen to be steeper than an even slope over the region (p = 0.38)" in told


def test_no_zone_is_no_evidence_of_none() -> None:
    assert trait_sentence(row(steep_cells=0, p=0.45)) == (
        "Yellow, among shells scored for colour: nowhere seen to be steeper than samples placed at random allow "
        "(p = 0.45; 10,703 shells from 326 sites)."
    )
    assert trait_sentence(row(not_measured_because="3 samples can show it")).endswith(
        "steepness not measured, because 3 samples can show it."
    )


def test_traits_that_are_steep_together_are_listed_and_linkage_is_named() -> None:
    (text,) = together_sentences([pair(), pair(other_trait="mid-banded", p=0.8, p_holm=1.0), pair(p=NAN, p_holm=NAN)])
    assert "yellow and unbanded (250 km² steep in both; likeness 0.97, 0.81 expected; p = 0.026)" in text
    assert "mid-banded" not in text
    assert "over 2 pairs" in text
    assert "linked" in text
    (none,) = together_sentences([pair(p=0.4, p_holm=0.4)])
    assert none.startswith("No colour and trait of banding were seen to be steep in the same places")
    assert together_sentences([pair(p=NAN, p_holm=NAN)]) == []


def test_the_section_has_a_list_a_species() -> None:
    frame = pd.DataFrame([row(), row(trait="pink"), row(species="Cepaea hortensis", steep_cells=0)])
    section = steepness(frame, pd.DataFrame([pair()]), [], level=0.05, confidence=0.95)
    assert [(points.heading, len(points.texts)) for points in section.points] == [
        ("Cepaea nemoralis", 3), ("Cepaea hortensis", 1),
    ]  # fmt: skip
    text = " ".join(section.paragraphs)
    assert "5%" in text
    assert "doesn't show a barrier" in text


@pytest.mark.parametrize(("steepest", "top"), [(0.113, 0.15), (0.0172, 0.02), (0.6, 0.6), (0.0999, 0.1)])
def test_the_scale_ends_at_a_round_number_above_the_steepest_sure_cells(steepest: float, top: float) -> None:
    gradient = np.full((20, 20), steepest)
    bearing = np.full((20, 20), 10.0)
    # What is steep by chance alone, without a direction, doesn't stretch the scale.
    gradient[:5], bearing[:5] = 9.0, np.nan
    panel = SteepPanel("yellow", gradient, bearing, gradient * 0, gradient * 0, (0, 1, 0, 1), {})
    assert _top_of_scale([panel]) == pytest.approx(top)
