"""Traits and their denominators.

The table of them is common practice with no single source, but for effectively unbanded, which is of Cain & Sheppard
(1950, Heredity 4; 1954, Genetics 39).
"""

from collections import Counter

import pytest

from morphcline.errors import StudyFileError
from morphcline.scoring.formulas import band_class
from morphcline.scoring.traits import EXCLUSIVE, UnreadablePattern, standard_traits, user_trait, wanted_traits
from morphcline.study.scoring import Scoring, Selection, UserTrait

TRAITS = {trait.name: trait for trait in standard_traits()}

# A sample worked by hand: colour, class, formula.
SHELLS = [
    ("yellow", "unbanded", "00000"),
    ("yellow", "mid-banded", "00300"),
    ("yellow", "many-banded", "00345"),
    ("yellow", "many-banded", "(123)(45)"),
    ("pink", "unbanded", ""),
    ("pink", "mid-banded", ""),
    ("pink", "many-banded", ""),
    ("pink", "other one-banded", "00040"),
    ("brown", "unbanded", "00000"),
    ("", "many-banded", "12345"),
    ("yellow", "", ""),
    ("", "", ""),
]

# Counted by hand from the list above: numerator, denominator.
BY_HAND = {
    "yellow": (5, 10),
    "pink": (4, 10),
    "brown": (1, 10),
    "unbanded": (3, 10),
    "mid-banded": (2, 7),
    "many-banded": (4, 10),
    "effectively unbanded": (5, 7),
    "fused": (1, 5),
    "yellow unbanded": (1, 9),
    "yellow mid-banded": (1, 9),
    "yellow many-banded": (2, 9),
    "pink unbanded": (1, 9),
    "pink mid-banded": (1, 9),
    "pink many-banded": (1, 9),
    "brown unbanded": (1, 9),
    "brown mid-banded": (0, 9),
    "brown many-banded": (0, 9),
}


def count(trait, shells=SHELLS):
    verdicts = Counter(trait.judge(*shell) for shell in shells)
    return verdicts[True], verdicts[True] + verdicts[False]


def test_the_standard_traits_in_their_order():
    assert list(TRAITS) == list(BY_HAND)


@pytest.mark.parametrize("name", BY_HAND)
def test_counts_by_hand(name):
    assert count(TRAITS[name]) == BY_HAND[name]


def test_mid_banded_does_not_move_when_unbanded_shells_come_in():
    more = [*SHELLS, *[("yellow", "unbanded", "00000")] * 50]
    assert count(TRAITS["mid-banded"], more) == count(TRAITS["mid-banded"])


def test_exclusive_traits_never_both_count():
    for group in EXCLUSIVE:
        for shell in SHELLS:
            assert sum(TRAITS[name].judge(*shell) is True for name in group) <= 1


def test_a_trace_of_band_one_is_seen_from_above():
    assert TRAITS["effectively unbanded"].judge("", band_class(":0345"), ":0345") is False


def test_a_trait_of_the_users_own_by_formula_and_among():
    trait = user_trait(
        UserTrait(
            name="lower three among pink",
            counted=Selection(formula=("00345",)),
            among=Selection(colour=("pink",), formula=("?????",)),
        )
    )
    assert trait.needs == ("formula", "colour")
    assert trait.judge("pink", "many-banded", "003(45)") is True
    assert trait.judge("pink", "many-banded", "003:5") is True
    assert trait.judge("pink", "many-banded", "12345") is False
    assert trait.judge("pink", "many-banded", "") is None
    assert trait.judge("yellow", "many-banded", "00345") is None
    assert trait.judge("", "many-banded", "00345") is None


@pytest.mark.parametrize(
    ("pattern", "fitting", "unfitting"),
    [
        ("00???", {"00000", "00300", "00:45", "00(345)"}, {"12345", ":0000", "02300"}),
        ("?????", {"00000", "12345"}, set()),
        ("???:?", {"003:5", "12(3:5)"}, {"00345", "00000"}),
        ("12345", {"12345", "(12)345", "123:5"}, {"02345"}),
    ],
)
def test_patterns(pattern, fitting, unfitting):
    trait = user_trait(UserTrait(name="mine", counted=Selection(formula=(pattern,))))
    judged = {formula: trait.judge("", band_class(formula), formula) for formula in fitting | unfitting}
    assert {formula for formula, verdict in judged.items() if verdict} == fitting


@pytest.mark.parametrize("pattern", ["00??", "00????", "21???", "(12)???", "", "00**?", "345"])
def test_patterns_that_can_not_be_read(pattern):
    with pytest.raises(UnreadablePattern, match="five places"):
        user_trait(UserTrait(name="mine", counted=Selection(formula=(pattern,))))


def test_a_trait_that_asks_for_nothing_is_refused():
    with pytest.raises(ValueError, match="every shell would count"):
        user_trait(UserTrait(name="all", counted=Selection()))


def test_wanted_traits_keep_the_standard_order_and_add_the_users_own():
    own = UserTrait(name="pale unbanded", counted=Selection(colour=("yellow",), band_class=("unbanded",)))
    scoring = Scoring(traits=("unbanded", "yellow"), trait=(own,))
    assert [trait.name for trait in wanted_traits(scoring)] == ["yellow", "unbanded", "pale unbanded"]
    assert wanted_traits(Scoring()) == standard_traits()


def test_every_problem_with_wanted_traits_is_reported_at_once():
    bad = UserTrait(name="bad", counted=Selection(formula=("0?",)))
    taken = UserTrait(name="Mid banded", counted=Selection(fused=True))
    scoring = Scoring(traits=("yelow", "nonsense"), trait=(bad, taken))
    with pytest.raises(StudyFileError, match="did you mean 'yellow'") as caught:
        wanted_traits(scoring)
    assert len(caught.value.problems) == 4
