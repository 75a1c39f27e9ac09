"""The study file: typed, complete, and every problem told at once."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from morphcline.errors import StudyError, StudyFileError
from morphcline.study import Neighbours, Within, load_study
from morphcline.study.template import STUDY_TEXT, write_new_study

SMALL = """
[study]
name = "orsel"
crs = "EPSG:2154"
[records]
path = "records.csv"
"""


def study_file(folder: Path, text: str) -> Path:
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> str:
    with pytest.raises(StudyFileError, match=r"study\.toml") as caught:
        load_study(study_file(folder, text))
    return str(caught.value)


def test_a_small_study_gets_every_default(tmp_path: Path) -> None:
    study = load_study(study_file(tmp_path, SMALL))
    assert study.records[0].path == tmp_path / "records.csv"
    assert study.surfaces.cell_m == 500
    assert study.surfaces.degree == 1
    assert study.scoring.min_shells == 20
    assert study.autocorrelation.permutations == 999
    assert study.publish.blur_m == 1000
    assert study.habitat is None


def test_several_paths_and_tables_and_earlier_surveys(tmp_path: Path) -> None:
    text = """
    [study]
    name = "orsel"
    crs = "EPSG:2154"
    [[records]]
    path = ["a.csv", "b.csv"]
    [[records]]
    path = "c.xlsx"
    layout = "shells"
    sites = { path = "c.xlsx", sheet = "sites" }
    [[records.earlier]]
    name = "1984"
    path = ["old-1.csv", "old-2.csv"]
    """
    study = load_study(study_file(tmp_path, text))
    assert [source.path.name for source in study.records] == ["a.csv", "b.csv", "c.xlsx"]
    assert study.records[2].sites is not None
    assert study.records[2].sites.path == tmp_path / "c.xlsx"
    (earlier,) = study.earlier
    assert (earlier.name, len(earlier.sources)) == ("1984", 2)


def test_paths_count_from_the_file(tmp_path: Path) -> None:
    text = SMALL.replace("records.csv", "../data/records.csv") + '[clines]\naxis = "line.gpkg"\n'
    (tmp_path / "config").mkdir()
    study = load_study(study_file(tmp_path / "config", text))
    assert study.records[0].path == tmp_path / "data" / "records.csv"
    assert study.clines.axis == tmp_path / "config" / "line.gpkg"
    assert study.shown(study.records[0].path) == "data/records.csv"


def test_choices_of_several_kinds(tmp_path: Path) -> None:
    text = (
        SMALL
        + """
    [surfaces]
    bandwidth = { neighbours = 30 }
    [autocorrelation]
    neighbours = { within_m = 5000 }
    distance_classes = [0, 1000, 5000]
    [clines]
    axis = 45
    """
    )
    study = load_study(study_file(tmp_path, text))
    assert study.surfaces.bandwidth == Neighbours(neighbours=30)
    assert study.autocorrelation.neighbours == Within(within_m=5000)
    assert study.autocorrelation.distance_classes == (0, 1000, 5000)
    assert study.clines.axis == 45


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    text = SMALL + "[surfaces]\ncel_m = 5\ndegree = 2\n[scoring]\nmin_shells = 0\n[surface]\n"
    told = problems(tmp_path, text)
    assert "[surfaces] cel_m: the key 'cel_m' is unknown; did you mean 'cell_m'" in told
    assert "[surfaces] degree: found 2" in told
    assert "[scoring] min_shells: found 0; greater than or equal to 1 is accepted." in told
    assert "did you mean 'surfaces'" in told
    assert "records.csv: there is no such file" in told
    assert len(told.splitlines()) == 5


def test_values_are_refused_in_plain_words(tmp_path: Path) -> None:
    text = (
        SMALL.replace('"orsel"', '"Orsel valley"').replace('"records.csv"', '"records.csv"\ncolumns = { specie = "x" }')
        + """
    [surfaces]
    bandwidth = "big"
    cell_m = "x"
    [scoring]
    min_shells = 2.5
    [[scoring.trait]]
    name = "a"
    [publish]
    names = 3
    [habitat]
    path = "study.toml"
    classes = { a = "woodland" }
    """
    )
    told = problems(tmp_path, text)
    for words in (
        "[study] name: found 'Orsel valley'; a slug of a-z, 0-9, - and _ is accepted.",
        "the field 'specie' is unknown; did you mean 'species'?",
        "[surfaces] bandwidth: found 'big'; 'cross-validated' or a number or a table is accepted.",
        "[surfaces] cell_m: found 'x'; a number is accepted.",
        "[scoring] min_shells: found 2.5; a whole number is accepted.",
        'this key is missing; add it, for example counted = { colour = ["pink"] }.',
        "[publish] names: found 3; true or false or 'pseudonyms' is accepted.",
        "[habitat] classes: found the key 'a'; a raster code, a whole number, is accepted.",
    ):
        assert words in told
    assert "pattern" not in told


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("[study]", "[studi]"), "did you mean 'study'"),
        (('crs = "EPSG:2154"', ""), r"[study] crs: this key is missing"),
        (('"orsel"', '"Orsel valley"'), "[study] name: found 'Orsel valley'"),
        (('path = "records.csv"', 'path = "r.csv"\nlayout = "wide"'), "[records.wide] go together"),
        (('path = "records.csv"', 'path = "r.csv"\ncolumns = { lon = "x" }'), "lon"),
        (('path = "records.csv"', 'path = "r.csv"\nposition = { writen_as = "x" }'), "did you mean 'written_as'"),
        (('path = "records.csv"', ""), "path: this key is missing"),
        (("[records]", "[surfaces]\nbandwidth = -5\n[records]"), "[surfaces] bandwidth: found -5"),
        (("[records]", "[surfaces]\nbandwidth = 0\n[records]"), "[surfaces] bandwidth: found 0"),
        (("[records]", "[surfaces]\ncell_m = inf\n[records]"), "[surfaces] cell_m: found inf"),
        (("[records]", "[clines]\naxis = 400\n[records]"), "[clines] axis: found 400"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    assert message in problems(tmp_path, SMALL.replace(*change))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"[study\nname", "this is not TOML"),
        ("[study]\nname = 'caf\xe9'".encode("latin-1"), "this is not UTF-8 text"),
        (b"[study]\nseed = " + b"9" * 5000, "this is not TOML: Exceeds the limit"),
        (b"a = " + b"[" * 20_000, "its brackets are nested too deeply|this is not TOML"),
        (b'[study]\nname = "a\\u0000"', r"\[study\] name: found 'a.x00'; a text without the character NUL"),
        (b'"a\\u0000" = 1', "found the key 'a.x00'; a key without it"),
    ],
)
def test_unreadable_files_get_one_sentence(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "study.toml").write_bytes(content)
    with pytest.raises(StudyFileError, match=message):
        load_study(tmp_path / "study.toml")


def test_an_absent_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(StudyFileError, match="there is no such file"):
        load_study(tmp_path / "none.toml")
    with pytest.raises(StudyFileError, match="this is a folder"):
        load_study(tmp_path)


def test_the_new_study_file_loads(tmp_path: Path) -> None:
    study_path, sheet = write_new_study(tmp_path / "mine")
    study = load_study(study_path)
    assert study.records[0].path == sheet
    assert "species" in sheet.read_text(encoding="utf-8")


def test_nothing_is_overwritten_by_new(tmp_path: Path) -> None:
    write_new_study(tmp_path)
    with pytest.raises(StudyError, match="this file is there already"):
        write_new_study(tmp_path)


#: Keys that name what only some studies have: no default.
TRANSECTS = ("transects", "transect_name")


def test_the_defaults_shown_in_the_new_study_file_are_those_in_force(tmp_path: Path) -> None:
    bare = load_study(study_file(tmp_path, SMALL))
    shown = 0
    section = ""
    for line in STUDY_TEXT.splitlines():
        if line.startswith(("[", "# [")):
            section = line.removeprefix("# ").split("]")[0].strip("[")
        elif line.startswith("# ") and " = " in line and section in type(bare).model_fields:
            parsed = tomllib.loads(line.removeprefix("# "))
            ((key, value),) = parsed.items()
            holder = getattr(bare, section)
            if holder is None or key in {
                "path",
                "area",
                "barriers",
                "mask",
                "dispersal_m",
                "reachability",
                "near",
                *TRANSECTS,
            }:
                continue
            default = getattr(holder, key, None)
            if isinstance(default, tuple):
                default = list(default)
            if section in {"records"}:
                continue
            assert default == value, f"[{section}] {key}"
            shown += 1
    assert shown >= 18


def test_every_line_of_the_new_study_file_is_accepted_when_uncommented(tmp_path: Path) -> None:
    lines = []
    for line in STUDY_TEXT.splitlines():
        text = line.removeprefix("# ")
        lines.append(text if line.startswith(("# [", "[")) or (line.startswith("# ") and " = " in line) else line)
    text = "\n".join(line for line in lines if not line.startswith("A line such"))
    study = load_study(study_file(tmp_path, text))
    assert study.habitat is not None
    assert study.habitat.classes == {1: "woodland"}
    assert study.earlier[0].name == "1984"


def test_a_dispersal_is_a_number_or_a_range_above_zero(tmp_path: Path) -> None:
    for text, expected in (("20", (20.0, 20.0)), ("[10, 30]", (10.0, 30.0))):
        study = load_study(study_file(tmp_path, f"{SMALL}[clines]\ndispersal_m = {text}\n"))
        assert study.clines.dispersal_range_m == expected
    assert load_study(study_file(tmp_path, SMALL)).clines.dispersal_range_m is None
    for text, told in (
        ("0", "found 0; greater than 0"),
        ("-3", "found -3; greater than 0"),
        ("[-1, 5]", "greater than 0"),
        ("[30, 10]", r"the lower limit comes first: [low, high]"),
        ("inf", "found inf; a finite number"),
    ):
        assert told in problems(tmp_path, f"{SMALL}[clines]\ndispersal_m = {text}\n")
