"""Band formulas and three-class scores.

The examples of notation, and which formulas mean what, are common practice with no single source.
"""

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.scoring.formulas import (
    BAND_CLASSES,
    Banding,
    UnreadableBanding,
    band_class,
    bands_present,
    effectively_unbanded,
    has_fusion,
    marks,
    read_banding,
)


def all_formulas():
    """Every valid formula, built the slow way: mark each place, then cut each run of present bands into groups."""
    formulas = []
    for states in itertools.product(("absent", "present", "trace"), repeat=5):
        signs = [{"absent": "0", "trace": ":"}.get(state, str(band)) for band, state in enumerate(states, start=1)]
        for joins in itertools.product((False, True), repeat=4):  # is the gap after this place closed by fusion?
            if any(join and "0" in signs[gap : gap + 2] for gap, join in enumerate(joins)):
                continue
            text = ""
            for place, sign in enumerate(signs):
                before = place > 0 and joins[place - 1]
                after = place < 4 and joins[place]
                text += ("(" if after and not before else "") + sign + (")" if before and not after else "")
            formulas.append(text)
    return formulas


ALL = all_formulas()


def test_there_are_as_many_formulas_as_a_transfer_matrix_counts():
    # By hand: the number ending in an absent band, or in a present one (2 kinds). After an absent band: 1 + 2 ways on;
    # after a present band: 1 way to an absent one, 2 kinds x (joined or not) to a present one.
    absent, present = 1, 2
    for _ in range(4):
        absent, present = absent + present, 2 * absent + 4 * present
    assert len(set(ALL)) == len(ALL) == absent + present


def test_every_valid_formula_reads_as_itself():
    assert [read_banding(formula).formula for formula in ALL] == ALL
    assert not any(read_banding(formula).mended or read_banding(formula).colour for formula in ALL)


@given(st.sampled_from(ALL))
def test_class_and_predicates_follow_from_the_bands_alone(formula):
    plain = formula.replace("(", "").replace(")", "")
    number = sum(mark != "0" for mark in plain)
    expected = {0: "unbanded", 1: "mid-banded" if plain[2] != "0" else "other one-banded"}.get(number, "many-banded")
    assert band_class(formula) == read_banding(formula).band_class == expected
    assert bands_present(formula) == tuple(mark != "0" for mark in plain)
    assert effectively_unbanded(formula) == plain.startswith("00")
    assert has_fusion(formula) == (plain != formula)
    assert marks(formula) == plain


@given(st.sampled_from(ALL), st.sampled_from("ypbYPB"), st.sampled_from(["", " ", "-"]))
def test_a_colour_may_stand_in_front(formula, letter, gap):
    read = read_banding(letter + gap + formula)
    assert read.formula == formula
    assert read.colour == {"y": "yellow", "p": "pink", "b": "brown"}[letter.lower()]


@given(st.sampled_from([f for f in ALL if re.fullmatch("[0-5]{5}", f)]))
def test_what_a_spreadsheet_makes_of_a_formula_reads_back(formula):
    number = int(formula)
    for eaten in (str(number), f"{number}.0"):
        read = read_banding(eaten)
        assert read.formula == formula
        assert read.mended == ("" if eaten == formula else f"{eaten} read as {formula}")


@given(st.integers(min_value=0, max_value=99999))
def test_a_number_is_read_only_as_itself_with_zeros_in_front(number):
    try:
        formula = read_banding(str(number)).formula
    except UnreadableBanding:
        padded = f"{number:05d}"
        assert any(mark not in ("0", str(place)) for place, mark in enumerate(padded, start=1))
    else:
        assert formula == f"{number:05d}"


@given(st.text() | st.text(alphabet="012345:()[] YPByb.,-='\""))
def test_any_text_reads_or_is_refused(text):
    try:
        read = read_banding(text)
    except UnreadableBanding:
        return
    assert read.formula == "" or read.formula in ALL
    assert read.band_class in (*BAND_CLASSES, "")


@pytest.mark.parametrize(
    ("text", "formula", "band_class", "colour", "mended"),
    [
        ("12345", "12345", "many-banded", "", ""),
        ("00000", "00000", "unbanded", "", ""),
        ("00300", "00300", "mid-banded", "", ""),
        ("00040", "00040", "other one-banded", "", ""),
        ("00345", "00345", "many-banded", "", ""),
        ("1(23)45", "1(23)45", "many-banded", "", ""),
        ("(123)(45)", "(123)(45)", "many-banded", "", ""),
        ("003:5", "003:5", "many-banded", "", ""),
        ("00:00", "00:00", "mid-banded", "", ""),
        ("345", "00345", "many-banded", "", "345 read as 00345"),
        ("345.0", "00345", "many-banded", "", "345.0 read as 00345"),
        ("0", "00000", "unbanded", "", "0 read as 00000"),
        ("300", "00300", "mid-banded", "", "300 read as 00300"),
        ("2300", "02300", "many-banded", "", "2300 read as 02300"),
        ("45", "00045", "many-banded", "", "45 read as 00045"),
        ("5", "00005", "other one-banded", "", "5 read as 00005"),
        ("(45)", "000(45)", "many-banded", "", "(45) read as 000(45)"),
        ("3(45)", "003(45)", "many-banded", "", "3(45) read as 003(45)"),
        ("Y(12)3(45)", "(12)3(45)", "many-banded", "yellow", ""),
        ("P00300", "00300", "mid-banded", "pink", ""),
        ("brown 00000", "00000", "unbanded", "brown", ""),
        ("b345", "00345", "many-banded", "brown", "345 read as 00345"),
        ("1[23]45", "1(23)45", "many-banded", "", ""),
        ("'00300", "00300", "mid-banded", "", ""),
        ('="00345"', "00345", "many-banded", "", ""),
        (" 0 0 3 0 0 ", "00300", "mid-banded", "", ""),
        ("unbanded", "", "unbanded", "", ""),
        ("Plain", "", "unbanded", "", ""),
        ("no bands", "", "unbanded", "", ""),
        ("Midbanded", "", "mid-banded", "", ""),
        ("single central band", "", "mid-banded", "", ""),
        ("MANY_BANDED", "", "many-banded", "", ""),
        ("5 bands", "", "many-banded", "", ""),
        ("two or more", "", "many-banded", "", ""),
        ("other one-banded", "", "other one-banded", "", ""),
        ("yellow mid-banded", "", "mid-banded", "yellow", ""),
        ("", "", "", "", ""),
        ("not scored", "", "", "", ""),
    ],
)
def test_what_scorers_write(text, formula, band_class, colour, mended):
    assert read_banding(text) == Banding(formula, band_class, colour, mended)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("1(2)345", "brackets round one band alone"),
        ("54321", "has 5 in place 1, where only 1, 0 or : can stand"),
        ("12334", "has 3 in place 4, where only 4, 0 or : can stand"),
        ("1234", "4 of five places.* can't be told which"),
        ("30", "2 of five places.* band 3 would stand in place 4"),
        ("3", "1 of five places.* band 3 would stand in place 5"),
        ("0345", "still a zero in front"),
        ("000", "still a zero in front"),
        (":345", "which band the trace is of"),
        ("::", "which band the trace is of"),
        ("3 45", "gaps between"),
        ("123456", "bands are numbered 1 to 5"),
        ("123455", "has 6 places"),
        ("1(2(34)5)", "a bracket within a bracket"),
        ("(123)45)", "closes a bracket that was not opened"),
        ("(12345", "opens a bracket that is not closed"),
        ("()12345", "nothing in them"),
        ("()", "brackets and no bands"),
        ("1(23]45", "not a banding score"),
        ("1(03)45", "band 2 absent within brackets"),
        ("(103)45", "band 2 absent within brackets"),
        ("(00000)", "band 1 absent within brackets"),
        ("OO3OO", "letter O"),
        ("-345", "negative number"),
        ("345.5", "not a banding score"),
        ("one band", "doesn't say which band"),
        ("banded", "doesn't say how many"),
        ("none", "may mean no bands or not scored"),
        ("Y", "is a colour"),
        ("stripy", "not a banding score"),
    ],
)
def test_what_is_refused_and_why(text, reason):
    with pytest.raises(UnreadableBanding, match=reason):
        read_banding(text)


@pytest.mark.parametrize("formula", ["", "345", "unbanded", "12354", "1(2)345"])
def test_predicates_take_whole_formulas_only(formula):
    for function in (band_class, bands_present, effectively_unbanded, has_fusion):
        with pytest.raises(UnreadableBanding, match=r"place|bracket"):
            function(formula)
