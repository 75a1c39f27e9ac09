"""Messages are looked up in a catalogue, numbers bear the language's marks, and a sentence can be said again."""

from __future__ import annotations

import json
import pickle

import pytest

from morphcline.errors import StudyFileError
from morphcline.language import (
    ENGLISH,
    Language,
    Said,
    _,
    again,
    kept,
    many,
    restored,
    said_list,
    said_many,
    speaking,
    spoken,
    with_marks,
)

CATALOGUE = """
msgid ""
msgstr ""
"Content-Type: text/plain; charset=utf-8\\n"
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<12 || n%100>14) ? 1 : 2);\\n"

msgid "not known"
msgstr "nieznane"

msgid "{n} site"
msgid_plural "{n} sites"
msgstr[0] "{n} stanowisko"
msgstr[1] "{n} stanowiska"
msgstr[2] "{n} stanowisk"
"""


@pytest.fixture
def polish(tmp_path):
    (tmp_path / "pl.po").write_text(CATALOGUE, encoding="utf-8")
    return Language("pl", tmp_path / "pl.po")


def test_english_is_spoken_unless_another_language_is_asked_for():
    assert spoken() == ENGLISH
    assert _("not known") == "not known"
    assert many("{n} site", "{n} sites", 1) == "{n} site"


def test_a_catalogue_of_the_users_own_is_spoken_within_its_block_only(polish):
    with speaking(polish):
        assert _("not known") == "nieznane"
        # The plural rule of Polish has three forms (Unicode CLDR, plural rules, pl).
        assert [many("{n} site", "{n} sites", n) for n in (1, 3, 5, 22)] == [
            "{n} stanowisko", "{n} stanowiska", "{n} stanowisk", "{n} stanowiska",
        ]  # fmt: skip
        assert _("a message that nobody translated") == "a message that nobody translated"
    assert _("not known") == "not known"


def test_numbers_between_whole_ones_take_the_form_of_the_language():
    # Unicode CLDR, plural rules: en 1.5 is "other"; fr 1,5 and 0 are "one", 2 is "other".
    assert [many("{n} shell", "{n} shells", n) for n in (0.5, 1, 1.5, 2)] == [
        "{n} shells", "{n} shell", "{n} shells", "{n} shells",
    ]  # fmt: skip
    with speaking(Language("fr")):
        assert [many("{n} shell", "{n} shells", n) for n in (0.5, 1, 1.5, 2)] == [
            "{n} coquille", "{n} coquille", "{n} coquille", "{n} coquilles",
        ]  # fmt: skip


def test_numbers_bear_the_marks_of_the_language():
    with speaking(Language("fr")):
        # Unicode CLDR, number symbols of fr: decimal comma, narrow no-break space between thousands.
        assert with_marks(f"{12345.6:,.1f}") == "12\u202f345,6"
    assert with_marks("12,345.6") == "12,345.6"


def test_a_sentence_is_kept_restored_and_said_again(polish):
    sentence = Said("{where}: {what}", where="a.csv", what=Said("not known"))
    assert sentence == "a.csv: not known"
    back = restored(json.loads(json.dumps(kept({"warnings": [sentence], "n": 3}))))
    assert back == {"warnings": ["a.csv: not known"], "n": 3}
    travelled = pickle.loads(pickle.dumps(back["warnings"][0]))
    with speaking(polish):
        assert again(travelled) == "a.csv: nieznane"
        assert again("plain words, not in the catalogue") == "plain words, not in the catalogue"


def test_a_language_without_a_catalogue_is_told_with_those_there_are():
    with speaking(Language("sv")), pytest.raises(StudyFileError, match=r"no catalogue 'sv'.*en, fr"):
        _("not known")


def test_a_file_that_is_no_catalogue_is_told(tmp_path):
    (tmp_path / "mine.po").write_text('msgid "half', encoding="utf-8")
    with (
        speaking(Language("de", tmp_path / "mine.po")),
        pytest.raises(StudyFileError, match=r"mine\.po.*not a gettext"),
    ):
        _("not known")


def test_a_kept_sentence_takes_the_form_and_the_marks_of_its_numbers(polish):
    sentence = said_many("{n} site of {of}, {away} km", "{n} sites of {of}, {away} km", 1204, n=1204, of=2500, away=3.5)
    assert sentence == "1,204 sites of 2,500, 3.5 km"
    (back,) = restored(json.loads(json.dumps(kept([sentence]))))
    assert (back, pickle.loads(pickle.dumps(back)).values) == (sentence, {"n": 1204, "of": 2500, "away": 3.5})
    with speaking(Language("fr")):
        # Not in the catalogue of French, so the words stay; marks by Unicode CLDR.
        assert again(back) == "1\u202f204 sites of 2\u202f500, 3,5 km"
        assert again(said_many("{n} site", "{n} sites", 0, n=0)) == "0 site"
    with speaking(polish):
        assert again(said_many("{n} site", "{n} sites", 22, n=22)) == "22 stanowiska"
    assert said_many("{n} site", "{n} sites", 1, n=1) == "1 site"
    assert said_list(["yellow", "pink"]) == "yellow, pink"
    assert said_list([]) == ""
