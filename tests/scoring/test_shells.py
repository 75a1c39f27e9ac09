"""Colour, lip, age and condition words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.scoring.shells import (
    UnreadableAge,
    UnreadableColour,
    UnreadableCondition,
    UnreadableLip,
    UnreadableScore,
    read_age,
    read_colour,
    read_condition,
    read_lip,
)


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (read_colour, "Yellow", "yellow"),
        (read_colour, "P", "pink"),
        (read_colour, "dark brown", "brown"),
        (read_colour, "faded", ""),
        (read_colour, "", ""),
        (read_lip, "Black", "dark"),
        (read_lip, "white", "white"),
        (read_lip, "no lip", "absent"),
        (read_lip, " ", ""),
        (read_age, "Adults", "adult"),
        (read_age, "juv.", "juvenile"),
        (read_age, "sub-adult", "juvenile"),
        (read_age, "?", ""),
        (read_condition, "alive", "live"),
        (read_condition, "fresh empty", "fresh"),
        (read_condition, "Bleached", "worn"),
        (read_condition, "-", ""),
    ],
)
def test_what_recorders_write(read, text, value):
    assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "error"),
    [
        (read_colour, "yellow?", UnreadableColour),
        (read_colour, "white", UnreadableColour),
        (read_lip, "pale", UnreadableLip),
        (read_age, "old", UnreadableAge),
        (read_condition, "dead", UnreadableCondition),
    ],
)
def test_unknown_words_are_refused_with_those_accepted(read, text, error):
    with pytest.raises(error, match=rf'"{text.replace("?", ".")}" is not known here; expected .*, .* or empty'):
        read(text)


@given(st.text(), st.sampled_from([read_colour, read_lip, read_age, read_condition]))
def test_any_text_reads_or_is_refused(text, read):
    try:
        value = read(text)
    except UnreadableScore:
        return
    assert value == "" or read(value) == value
