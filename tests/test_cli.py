"""The command as a person types it: words, exit codes, and which stream says what."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from morphcline import __version__, cli, runner
from morphcline.errors import Problem, StudyError


def morphcline(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "morphcline", *map(str, words)],
        capture_output=True, text=True, check=False, cwd=cwd, timeout=120,
    )  # fmt: skip


def exit_code(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["morphcline", *words])
    with pytest.raises(SystemExit) as caught:
        cli.main()
    assert isinstance(caught.value.code, int)
    return caught.value.code


def test_version_and_help() -> None:
    assert morphcline("--version").stdout.split()[-1] == __version__
    told = morphcline("run", "--help").stdout
    for option in ("--from", "--to", "--only", "--force", "--dry-run", "--out", "--workers", "--scheduler"):
        assert option in told


def test_a_plan_without_a_run_ends_with_1_and_names_the_stages(tmp_path: Path) -> None:
    assert morphcline("new", tmp_path / "survey").returncode == 0
    done = morphcline("plan", "study.toml", cwd=tmp_path / "survey")
    assert done.returncode == 1
    assert (
        "error: my-survey, stages landscape, frequencies, surfaces and clines: not run here yet; run morphcline"
        in done.stderr
    )
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "survey/outputs").exists()


def test_a_plan_is_printed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import pandas as pd

    from morphcline import planner

    place = {"rank": 1, "lat": 46.4, "lon": 0.2, "reduction": 0.045, "nearest_site_m": 3300.0, "most_for": "yellow"}
    places = pd.DataFrame([{**place, "rank": rank} for rank in range(1, 13)])
    result = planner.PlanResult(tmp_path / "plan", places, pd.DataFrame({"sites": [3]}), ("mind the gap.",))
    monkeypatch.setattr(planner, "make_plan", lambda study, *, out=None: result)
    (tmp_path / "study.toml").write_text('[study]\nname = "a"\ncrs = "EPSG:2154"\n[records]\npath = "r.csv"\n')
    assert exit_code(monkeypatch, "plan", str(tmp_path / "study.toml")) == 0
    said = capsys.readouterr()
    assert "   1   46.4000     0.2000   4.5%        3.3 km  yellow" in said.out
    assert "and 2 more" in said.out
    assert "mind the gap." in said.err
    assert exit_code(monkeypatch, "plan", str(tmp_path / "study.toml"), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["places"]) == 12
    assert told["warnings"] == ["mind the gap."]


def test_an_export_without_a_run_ends_with_1_and_names_the_stages(tmp_path: Path) -> None:
    assert morphcline("new", tmp_path / "survey").returncode == 0
    done = morphcline("export", "study.toml", "--to", "there", cwd=tmp_path / "survey")
    assert done.returncode == 1
    assert "stages landscape and frequencies: not run here yet; run morphcline run study.toml" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "survey/there").exists()
    without = morphcline("export", "study.toml", cwd=tmp_path / "survey")
    assert without.returncode == 2
    assert "--to" in without.stderr


def test_an_export_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from morphcline import exporter

    surveys = (
        exporter.ExportedSurvey("", "a-dwca.zip", 20, 1200, 5000, 3400, 3300),
        exporter.ExportedSurvey("1984", "a-1984-dwca.zip", 4, 10, 30, 90, 90),
    )
    result = exporter.ExportResult(tmp_path / "there", surveys, ("sites.csv",), ("mind the gap.",))
    monkeypatch.setattr(exporter, "export", lambda study, to, *, out=None: result)
    (tmp_path / "study.toml").write_text('[study]\nname = "a"\ncrs = "EPSG:2154"\n[records]\npath = "r.csv"\n')
    words = ("export", str(tmp_path / "study.toml"), "--to", str(tmp_path / "there"))
    assert exit_code(monkeypatch, *words) == 0
    said = capsys.readouterr()
    assert "survey: 3,400 shells in 1,200 occurrences, 20 sites and visits; 3,300 of them are counted" in said.out
    assert "earlier survey 1984: 90 shells in 10 occurrences" in said.out
    assert "a-1984-dwca.zip" in said.out
    assert "mind the gap." in said.err
    assert exit_code(monkeypatch, *words, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["surveys"][1]["shells_counted"] == 90
    assert told["tables"] == ["sites.csv"]


@pytest.mark.parametrize(
    "words",
    [
        ["walk"],
        ["run"],
        ["run", "s.toml", "--only", "nothing"],
        ["run", "s.toml", "--workers", "-1"],
        ["run", "s.toml", "--only", "maps", "--to", "report"],
        ["run", "s.toml", "--from", "maps", "--to", "intake"],
    ],
)
def test_a_wrong_command_line_ends_with_2(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert exit_code(monkeypatch, *words) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_an_absent_study_file_ends_with_1_and_one_sentence(tmp_path: Path) -> None:
    done = morphcline("run", "none.toml", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stdout == ""
    assert "none.toml: there is no such file" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Traceback" in morphcline("run", "none.toml", "--debug", cwd=tmp_path).stderr


def test_new_then_dry_run(tmp_path: Path) -> None:
    made = morphcline("new", "mine", cwd=tmp_path)
    assert made.returncode == 0
    assert "wrote" in made.stdout
    planned = morphcline("run", "mine/study.toml", "-n", cwd=tmp_path)
    assert planned.returncode == 0
    assert planned.stdout.splitlines()[0].startswith("intake")
    assert "it has not run before" in planned.stdout
    assert not (tmp_path / "mine" / "outputs").exists()
    again = morphcline("new", "mine", cwd=tmp_path)
    assert again.returncode == 1
    assert "is there already" in again.stderr


@pytest.mark.parametrize(
    ("raised", "code", "words"),
    [
        (KeyboardInterrupt(), 130, "interrupted; what was finished is kept"),
        (StudyError([Problem("a.csv", "row 2", "found x", "y"), Problem("b", "", "z", "")]), 1, "a.csv, row 2"),
        (PermissionError(13, "Permission denied", "out/x.csv"), 1, "out/x.csv: Permission denied"),
        (MemoryError(), 1, "not enough memory"),
    ],
)
def test_errors_become_lines_and_codes(
    raised: BaseException,
    code: int,
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fail(*args: object, **options: object) -> None:
        raise raised

    morphcline("new", tmp_path / "mine")
    monkeypatch.setattr(runner, "run", fail)
    assert exit_code(monkeypatch, "run", str(tmp_path / "mine" / "study.toml")) == code
    said = capsys.readouterr()
    assert words in said.err
    assert "Traceback" not in said.err


def test_control_characters_do_not_reach_the_terminal() -> None:
    assert cli._clean("Orsel \x1b[31mred\x07") == r"Orsel \x1b[31mred\x07"
