"""A contributor's samples beside the neighbours and the region."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from morphcline.records.note_facts import Survey, compare, counted, kinds, tally
from morphcline.scoring.traits import standard_traits
from morphcline.study import Scoring

NEMORALIS = "Cepaea nemoralis"
TRAITS = {trait.name: trait for trait in standard_traits()}


def rows(site: str = "A", **shells: int) -> pd.DataFrame:
    """Return rows of ``yellow_00000=12``: shells of a colour and a formula."""
    found = []
    for name, count in shells.items():
        colour, formula = name.split("_")
        classes = {"00000": "unbanded", "00300": "mid-banded", "12345": "many-banded"}
        found.append((site, NEMORALIS, colour, formula, classes[formula], count, True))
    columns = ["site", "species", "colour", "banding", "band_class", "count", "counted"]
    return pd.DataFrame(found, columns=columns)


def survey(neighbours: list[tuple[str, float, int, int]], rho: float = 0.0, trait: str = "yellow") -> Survey:
    """Return a survey with one's own site A at the origin and others' east of it: name, distance, count, total."""
    names = ["A", *(name for name, *_ in neighbours)]
    places = pd.DataFrame({"site": names, "x_m": [0.0, *(away for _, away, *_ in neighbours)], "y_m": 0.0})
    frequencies = pd.DataFrame(
        [("A", 9, 9), *((name, count, total) for name, _, count, total in neighbours)],
        columns=["site", "count", "total"],
    ).assign(species=NEMORALIS, trait=trait)  # fmt: skip
    regional = pd.DataFrame(
        {"species": [NEMORALIS], "trait": [trait], "count": [40], "total": [100], "sites": [9], "frequency": [0.4],
         "low": [0.3], "high": [0.5]}
    )  # fmt: skip
    return Survey(
        frequencies, regional, places, places, {(NEMORALIS, trait): rho}, [TRAITS[trait]], Scoring(species=(NEMORALIS,))
    )


def test_shells_are_tallied_among_those_that_can_show_the_trait():
    found = kinds(rows(yellow_00000=3, pink_00300=2, pink_12345=5))
    assert tally(found, TRAITS["yellow"]) == (3, 10)
    # Mid-banded among banded shells: 2 of 7.
    assert tally(found, TRAITS["mid-banded"]) == (2, 7)


def test_only_shells_that_count_are_compared():
    table = pd.concat([rows(yellow_00000=3), rows(pink_00000=4).assign(counted=False), rows(pink_00000=0)])
    assert counted(table, [NEMORALIS])["count"].tolist() == [3]


def test_without_likeness_between_shells_the_difference_is_newcombes():
    own = rows(yellow_00000=10, pink_00000=10)
    (found,) = compare(own, survey([("B", 1000, 30, 40), ("C", 3000, 24, 40)]))
    assert (found.own.count, found.own.total, found.near.sites, found.near.total) == (10, 20, 2, 80)
    assert found.near_within_m == 3000
    low, high = confint_proportions_2indep(10, 20, 54, 80, method="newcomb", compare="diff")
    assert (found.difference, found.low, found.high) == pytest.approx((0.5 - 54 / 80, low, high), abs=1e-9)
    assert (found.own.low, found.own.high) == pytest.approx(proportion_confint(10, 20, method="wilson"))
    assert not found.unusual


def test_likeness_widens_the_limits_of_both():
    own, others = rows(yellow_00000=2, pink_00000=28), [("B", 1000, 40, 60), ("C", 2000, 42, 60)]
    (loose,), (alike,) = compare(own, survey(others)), compare(own, survey(others, rho=0.2))
    assert loose.unusual
    assert alike.low < loose.low < loose.high < alike.high
    # Kish 1965: 60 shells of one site are worth 60 / (1 + 59 × 0.2) = 4.6875.
    assert alike.near.worth == pytest.approx(2 * 4.6875)
    assert alike.own.worth == pytest.approx(30 / (1 + 29 * 0.2))


def test_the_nearest_five_sites_of_others_within_twenty_kilometres_are_the_neighbours():
    others = [(f"N{i}", 1000.0 * i, i, 10) for i in range(1, 8)] + [("far", 25_000, 0, 10)]
    (found,) = compare(rows(yellow_00000=10), survey(others))
    assert (found.near.sites, found.near_within_m) == (5, 5000)
    (alone,) = compare(rows(yellow_00000=10), survey([("far", 25_000, 0, 10)]))
    assert alone.near is None
    assert math.isnan(alone.difference)


def test_ones_own_other_sites_and_withheld_places_are_no_neighbours():
    base = survey([("B", 1000, 9, 9), ("C", 2000, 1, 10)])
    hidden = Survey(
        base.frequencies, base.regional, base.sites.assign(x_m=base.sites["x_m"].where(base.sites["site"] != "C")),
        base.exact, base.rho, base.traits, base.scoring,
    )  # fmt: skip
    own = pd.concat([rows(yellow_00000=9), rows("B", yellow_00000=9)])
    assert [row.near and row.near.total for row in compare(own, base)] == [10, 10]
    assert [row.near for row in compare(own, hidden)] == [None, None]


def test_a_handful_of_shells_is_not_compared():
    (found,) = compare(rows(yellow_00000=4), survey([("B", 1000, 9, 9)]))
    assert found.near is None
    assert found.region.frequency == 0.4
