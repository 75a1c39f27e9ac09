"""Notes to contributors, from a run to the index of a mailing."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from morphcline import noting, runner
from morphcline.cli import cli
from morphcline.errors import StudyError
from morphcline.files.tables import read_table
from morphcline.study import load_study
from test_privacy import NOTES, RECORDERS, make, rows

TO_SURFACES = runner.select(last="surfaces")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> noting.NotesResult:
    path = make(tmp_path_factory.mktemp("notes"), '[report]\ncontact = "shells@valley.example"\n')
    runner.run(path, stages=TO_SURFACES)
    return noting.make_notes(load_study(path))


def note(written: noting.NotesResult, name: str, ending: str = "txt") -> str:
    return (written.folder / f"{name}.{ending}").read_text(encoding="utf-8")


def test_everybody_gets_a_note_and_the_index_lists_them(written: noting.NotesResult):
    index = pd.read_csv(written.folder / "index.csv", keep_default_na=False).set_index("name")
    assert list(index.index) == ["Barnaby Oxlip", "Wilhelmina Quickthorn", "Zenobia Fennwick"]
    assert index["e_mail"].tolist() == ["barnaby.oxlip@example.org", "", ""]
    accepted = read_table(written.folder.parent / "records/accepted.csv")
    shells = accepted.groupby(accepted["recorder"].str.split(" <").str[0])["count"].sum()
    assert index["shells"].to_dict() == shells.to_dict()
    assert index["rejected"].to_dict() == {"Barnaby Oxlip": 0, "Wilhelmina Quickthorn": 0, "Zenobia Fennwick": 1}
    for name in (*index["page"], *index["text"]):
        assert (written.folder / name).stat().st_size > 500


def test_a_note_says_what_was_found_how_it_compares_and_what_comes_next(written: noting.NotesResult):
    text = note(written, "zenobia-fennwick")
    for words in (
        "For Zenobia Fennwick", "Thank you for", "You (", "Whole survey (", "What was unusual", "Rows to look at",
        "1 row could not be used", "Coordinates exchanged: row", "What happens next", "a square of 1 km",
        "Your name is not published", "shells@valley.example", "Wash your hands", "95% intervals",
    ):  # fmt: skip
        assert words in re.sub(r"\s+", " ", text), words
    assert not re.search(r"\b(nan|None)\b", text)
    page = note(written, "zenobia-fennwick", "html")
    assert page.count("<svg") == 2
    assert 'role="img" aria-label="Colour. You (' in page
    assert "<script" not in page


def test_a_note_holds_nobody_elses_private_data(written: noting.NotesResult):
    exact = read_table(written.folder.parent / "records/accepted.csv")
    for one in RECORDERS:
        name = one.split(" <")[0]
        stem = name.lower().replace(" ", "-")
        for text in (note(written, stem), note(written, stem, "html")):
            for other in RECORDERS:
                assert (other.split(" <")[0].split()[1] in text) == (other == one)
            assert not any(words in text for words in NOTES)
            others = exact[exact["recorder"] != one]
            for longitude, latitude in others[["longitude", "latitude"]].drop_duplicates().itertuples(index=False):
                assert f"{longitude:.4f}" not in text
                assert f"{latitude:.4f}" not in text


def test_one_recorder_or_one_row_is_enough(tmp_path: Path):
    path = make(tmp_path)
    runner.run(path, stages=TO_SURFACES)
    study = load_study(path)
    one = noting.make_notes(study, recorders=["zenobia  FENNWICK", "Zenobia Fennwick"])
    assert one.index["name"].tolist() == ["Zenobia Fennwick"]
    assert {file.name for file in one.folder.iterdir()} == {"zenobia-fennwick.html", "zenobia-fennwick.txt"}
    sample = noting.make_notes(study, record="records.csv:2")
    assert sample.index[["name", "sites"]].to_numpy().tolist() == [["Wilhelmina Quickthorn", 1]]
    # Distances to others come in whole squares of 1 km.
    told = re.findall(r"about\s+([\d.,]+\s\w+)", note(sample, "wilhelmina-quickthorn"))
    assert told
    assert all(re.fullmatch(r"\d+\skm", one) for one in told)
    with pytest.raises(StudyError, match=r"--recorder: no row of the survey is by 'Nobody'; there are Barnaby"):
        noting.make_notes(study, recorders=["Nobody"])
    # Neither a row that isn't there, nor one of whatever file, nor of a file whose name only ends so.
    for missing in ("records.csv:9999", ":2", "cords.csv:2"):
        with pytest.raises(StudyError, match=f"--record: no row '{missing}'"):
            noting.make_notes(study, record=missing)


def test_before_a_run_it_says_what_to_do_first(tmp_path: Path):
    path = make(tmp_path)
    with pytest.raises(StudyError, match=r"the stage intake has not run there; first: morphcline run study.toml"):
        noting.make_notes(load_study(path))


def test_people_who_have_no_rows_any_more_keep_no_note(tmp_path: Path):
    path = make(tmp_path)
    runner.run(path, stages=TO_SURFACES)
    first = noting.make_notes(load_study(path))
    assert (first.folder / "zenobia-fennwick.txt").exists()
    make(tmp_path, text=rows().replace("Zenobia Fennwick", ""))
    runner.run(path, stages=TO_SURFACES)
    again = noting.make_notes(load_study(path))
    assert not (again.folder / "zenobia-fennwick.txt").exists()
    assert again.nameless > 0
    result = CliRunner().invoke(cli, ["notes", str(path)])
    assert result.exit_code == 0
    assert "2 notes are in" in result.output
    assert "name no recorder" in result.output


def test_a_note_speaks_the_studys_language(tmp_path: Path):
    path = make(tmp_path, 'language = "fr"\n')
    runner.run(path, stages=TO_SURFACES)
    text = noting.make_notes(load_study(path)).folder.joinpath("zenobia-fennwick.txt").read_text(encoding="utf-8")
    for words in ("Ce que vous avez trouvé", "Pour Zenobia Fennwick", "Toute la campagne", "sans bandes"):
        assert words in text
    english = r"\b(the|of|and|your|shells?|among|from|with|found|unbanded|yellow|rows?)\b"
    assert not re.findall(english, re.sub(r"records\.csv|Quiet valley", "", text))
