"""The head of the report: which findings are chosen, and the words for how sure each is."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

import made_rows
from made_rows import NAN, cline, environment, in_points, regional
from morphcline.language import Language, speaking
from morphcline.records.change_table import OVER_PAIRS, OVER_SPACE
from morphcline.render.report import certainty, summary
from morphcline.render.report.certainty import SUPPORTED, UNCERTAIN, WELL

HORTENSIS = "Cepaea hortensis"


def changed(**changes: Any) -> dict[str, Any]:
    return made_rows.changed(**{"method": OVER_PAIRS} | changes)


def tables(**changes: list[dict[str, Any]]) -> dict[str, pd.DataFrame]:
    rows: dict[str, list[dict[str, Any]]] = {
        "regional": [
            regional(trait="yellow"), regional(), regional(trait="pink"),
            regional(species=HORTENSIS, trait="yellow", total=4000, low=0.1, high=0.5),
        ],
        "clines": [cline("flat", 0.1), cline("sigmoid", 0.9)],
        "environment": [environment(term="habitat", estimate=NAN, low=NAN, high=NAN), environment()],
        "marginal_effects": [in_points()],
        "change": [changed(), changed(trait="yellow", p=0.4)],
    } | changes  # fmt: skip
    return {name: pd.DataFrame(listed) for name, listed in rows.items()}


def test_one_finding_of_each_kind_and_the_frequencies_of_two_species() -> None:
    told = summary.findings(tables())
    assert [finding.text for finding in told] == [
        "Cepaea hortensis: yellow 30% (10 to 50%) (up to 4,000 shells from 120 sites).",
        "Cepaea nemoralis: yellow 30% (27 to 33%); mid-banded 30% (27 to 33%) (up to 1,000 shells from 120 sites).",
        "Cepaea nemoralis: the frequency of yellow rises from 15% to 84% towards 064° (north-east), over a width of "
        "8.9 km (7 to 11 km) (10,201 shells from 312 sites; 90% of the weight of evidence).",
        "Cepaea nemoralis: −13 percentage points (−17 to −8.8) in the frequency of yellow, woodland against hedgerow, "
        "with place and temperature held; habitats together p = 0.004 (1,000 shells from 120 sites).",
        "Cepaea nemoralis: −9.0 percentage points (−14 to −4.0) in the frequency of brown since 1984, 24% then and 15% "
        "now (79 pairs of places; p = 0.002).",
    ]
    assert [finding.certainty for finding in told] == [UNCERTAIN, WELL, SUPPORTED, SUPPORTED, SUPPORTED]


def test_of_a_kind_the_smallest_p_is_told_and_of_equal_ones_that_with_most_shells() -> None:
    told = summary.findings(
        tables(change=[changed(), changed(trait="yellow", p=0.001), changed(trait="pink", p=0.001, later_total=2000)])
    )
    assert "in the frequency of pink" in told[-1].text
    clines = [cline("sigmoid", 0.9), cline("sigmoid", 0.9, trait="unbanded", p_flat=0.001)]
    assert "of unbanded rises" in summary.findings(tables(clines=clines))[2].text


@pytest.mark.parametrize(
    "quiet",
    [
        {"clines": [cline("sigmoid", 0.9, fails=True)]},
        {"clines": [cline("flat", 0.9)]},
        {"environment": [environment(term="habitat", p_spatial=0.3), environment()]},
        {"change": [changed(p=0.06)]},
        {"change": [changed(), changed(method=OVER_SPACE, p_moran=0.01, p=0.2)]},
    ],
)
def test_what_its_test_does_not_support_is_no_finding(quiet: dict[str, list[dict[str, Any]]]) -> None:
    assert len(summary.findings(tables(**quiet))) == 4


def test_with_fewer_than_three_findings_what_was_not_seen_is_told() -> None:
    nothing = tables(
        regional=[regional()],
        clines=[cline("flat", 0.9, p_flat=0.3)],
        environment=[environment(term="habitat", p_spatial=0.3)],
        change=[changed(trait="yellow", p=0.4, detectable_difference=0.1)],
    )
    told = summary.findings(nothing)
    assert len(told) == 3
    assert "no change was seen" in told[1].text
    assert "no cline" in told[2].text
    assert {finding.certainty for finding in told[1:]} == {UNCERTAIN}


def test_the_words_follow_the_scale_that_the_page_prints() -> None:
    assert "at most 10 points wide" in certainty.scale()
    assert certainty.of_interval(0.30, 0.40) == WELL
    assert certainty.of_interval(0.30, 0.41) == SUPPORTED
    assert certainty.of_interval(0.30, 0.51) == UNCERTAIN
    assert certainty.of_difference(0.0009, 0.10, 0.05, 0.15) == WELL
    assert certainty.of_difference(0.0009, 0.10, 0.04, 0.16) == SUPPORTED
    assert certainty.of_difference(0.05, 0.10, 0.0, 0.2) == SUPPORTED
    assert certainty.of_difference(0.051, 0.10, 0.0, 0.2) == UNCERTAIN
    assert certainty.of_cline(0.002, 0.95, 1.0, 2.0) == WELL
    assert certainty.of_cline(0.002, 0.95, NAN, 2.0) == SUPPORTED
    assert certainty.of_cline(0.06, 0.99, 1.0, 2.0) == UNCERTAIN
    assert certainty.of_cline(NAN, 0.99, 1.0, 2.0) == UNCERTAIN


def test_the_words_are_said_in_the_language_in_force() -> None:
    finding = summary.findings(tables())[1]
    with speaking(Language("fr")):
        assert summary.in_words(finding) == "bien étayé"
