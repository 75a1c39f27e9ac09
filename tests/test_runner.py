"""What is due, and why; what a run keeps, refuses and records. Three small stages stand in for the real ones."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from morphcline import runner
from morphcline.errors import Problem, SourceError, StudyError
from morphcline.files.atomic import write_text
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import Study, load_study

TEXT = """
[study]
name = "orsel"
crs = "EPSG:2154"
[records]
path = "records.csv"
[surfaces]
cell_m = 500
"""
CHAIN = ("intake", "frequencies", "surfaces")


class Chain:
    """Three stages: count the rows, note the count, and draw it with the cell size."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.stages = {
            "intake": self._stage("intake", (), ("records/accepted.csv",), self._intake, ("records",)),
            "frequencies": self._stage(
                "frequencies", ("records/accepted.csv",), ("tables/frequencies.csv",), self._frequencies, ("scoring",)
            ),
            "surfaces": self._stage(
                "surfaces", ("tables/frequencies.csv",), ("surfaces/a.txt",), self._surfaces, ("surfaces",)
            ),
        }

    def _stage(
        self,
        name: str,
        reads: tuple[str, ...],
        writes: tuple[str, ...],
        work: Callable[[Context], Account],
        settings: tuple[str, ...],
    ) -> Stage:
        def run(context: Context) -> Account:
            self.calls.append(name)
            return work(context)

        def sources(study: Study) -> tuple[Path, ...]:
            return tuple(source.path for source in study.records) if name == "intake" else ()

        return Stage(
            name=name,
            summary=f"does {name}",
            settings=settings,
            reads=reads,
            writes=lambda study: writes,
            run=run,
            sources=sources,
            columns={writes[0]: {"n": "a number"}},
        )

    def _intake(self, context: Context) -> Account:
        path = context.study.records[0].path
        if not path.exists():
            raise SourceError(Problem(path.name, "", "there is no such file", "mend [records] path"))
        words = path.read_text().split()
        write_text(context.path("records/accepted.csv"), " ".join(sorted(words)))
        return {"rows": len(words), "accepted": len(words), "rejected": 0, "warnings": ["look out"]}

    def _frequencies(self, context: Context) -> Account:
        text = context.path("records/accepted.csv").read_text()
        write_text(context.path("tables/frequencies.csv"), text.upper())
        return {}

    def _surfaces(self, context: Context) -> Account:
        write_text(context.path("surfaces/a.txt"), str(context.study.surfaces.cell_m))
        write_text(context.path("surfaces/b.txt"), "more")
        return {"files": ["surfaces/b.txt"]}


@pytest.fixture
def chain(monkeypatch: pytest.MonkeyPatch) -> Chain:
    stand_in = Chain()
    monkeypatch.setattr(runner, "load_stage", lambda name: stand_in.stages[name])
    return stand_in


@pytest.fixture
def file(tmp_path: Path) -> Path:
    (tmp_path / "records.csv").write_text("a b")
    path = tmp_path / "study.toml"
    path.write_text(TEXT)
    return path


def go(file: Path, **options: object) -> runner.RunResult:
    return runner.run(load_study(file), stages=CHAIN, **options)  # type: ignore[arg-type]


def reasons(file: Path) -> dict[str, str]:
    study = load_study(file)
    return {due.stage: due.reason for due in runner.plan(study, runner.output_folder(study), CHAIN)}


def test_a_second_run_does_nothing(chain: Chain, file: Path) -> None:
    assert go(file).ran == CHAIN
    again = go(file)
    assert again.ran == ()
    assert again.skipped == CHAIN
    assert chain.calls == list(CHAIN)
    assert set(reasons(file).values()) == {""}


def test_a_setting_reruns_its_stage_alone(chain: Chain, file: Path) -> None:
    go(file)
    file.write_text(TEXT.replace("500", "250"))
    assert reasons(file) == {"intake": "", "frequencies": "", "surfaces": "[surfaces] cell_m 500.0 -> 250.0"}
    assert go(file).ran == ("surfaces",)


def test_a_new_comment_in_the_study_file_changes_nothing(chain: Chain, file: Path) -> None:
    go(file)
    file.write_text("# a remark\n" + TEXT)
    assert go(file).ran == ()


def test_changed_records_run_on_as_far_as_they_make_a_difference(chain: Chain, file: Path) -> None:
    go(file)
    (file.parent / "records.csv").write_text("b a")
    assert reasons(file) == {
        "intake": "records.csv has changed",
        "frequencies": "what it reads is remade by intake",
        "surfaces": "what it reads is remade by frequencies",
    }
    assert go(file).ran == ("intake",)


def test_a_touched_file_with_the_same_content_changes_nothing(chain: Chain, file: Path) -> None:
    go(file)
    (file.parent / "records.csv").touch()
    (file.parent / "records.csv").write_text("a b")
    assert go(file).ran == ()


@pytest.mark.parametrize("name", ["surfaces/a.txt", "surfaces/b.txt"])
def test_an_output_that_is_missing_or_changed_is_made_again(chain: Chain, file: Path, name: str) -> None:
    folder = go(file).folder
    (folder / name).unlink()
    assert reasons(file)["surfaces"] == f"{name} is missing"
    assert go(file).ran == ("surfaces",)
    (folder / name).write_text("someone's note")
    assert reasons(file)["surfaces"] == f"{name} is not as it was written"
    assert go(file).ran == ("surfaces",)


def test_force_and_only(chain: Chain, file: Path) -> None:
    go(file)
    result = runner.run(load_study(file), stages=runner.select(only="surfaces"), force=True)
    assert result.ran == ("surfaces",)


def test_only_without_what_it_reads_is_one_sentence(chain: Chain, file: Path) -> None:
    with pytest.raises(StudyError, match=r"stage surfaces: it reads tables/frequencies\.csv, which is not in orsel"):
        runner.run(load_study(file), stages=("surfaces",))


def test_a_failing_run_leaves_the_last_good_outputs(chain: Chain, file: Path) -> None:
    folder = go(file).folder
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    (file.parent / "records.csv").unlink()
    with pytest.raises(SourceError, match="there is no such file"):
        go(file)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_a_file_that_changes_while_it_is_read_stops_the_run(
    chain: Chain, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = chain._intake

    def slow_intake(context: Context) -> Account:
        account = original(context)
        context.study.records[0].path.write_text("changed meanwhile")
        return account

    chain.stages["intake"] = chain._stage("intake", (), ("records/accepted.csv",), slow_intake, ("records",))
    with pytest.raises(StudyError, match="the file changed while it was read"):
        go(file)


def test_the_record_of_a_run_says_what_it_rested_on(chain: Chain, file: Path) -> None:
    folder = go(file).folder
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert record["rows"] == {"rows": 2, "accepted": 2, "rejected": 0}
    assert record["seed"] == 1
    assert record["settings"]["surfaces"]["cell_m"] == 500
    assert record["settings"]["scoring"]["min_shells"] == 20  # a default in force
    assert record["stages"]["intake"]["sources"]["records.csv"]
    assert "numpy" in record["versions"]
    assert str(file.parent) not in json.dumps(record)
    assert "| n | a number |" in (folder / "tables" / "README.md").read_text(encoding="utf-8")


def test_results_lie_beside_config_or_beside_the_file(tmp_path: Path) -> None:
    (tmp_path / "config").mkdir()
    for place in (tmp_path, tmp_path / "config"):
        (place / "study.toml").write_text(TEXT)
        assert runner.output_folder(load_study(place / "study.toml")) == tmp_path / "outputs" / "orsel"


def test_another_studys_folder_and_a_folder_in_use_are_refused(chain: Chain, file: Path, tmp_path: Path) -> None:
    folder = go(file).folder
    file.write_text(TEXT.replace('"orsel"', '"other"'))
    with pytest.raises(StudyError, match="this folder holds the study 'orsel'"):
        go(file, out=folder)
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter.txt").write_text("mine")
    with pytest.raises(StudyError, match=r"the folder is in use: it holds 'chapter\.txt'"):
        go(file, out=tmp_path / "thesis")


def test_the_listener_hears_it_all(chain: Chain, file: Path) -> None:
    heard: list[str] = []

    class Ears(runner.Listener):
        def started(self, stage: str, summary: str, reason: str) -> None:
            heard.append(f"{stage} started: {reason}")

        def skipped(self, stage: str) -> None:
            heard.append(f"{stage} skipped")

        def stopped(self) -> None:
            heard.append("stopped")

    go(file, listener=Ears())
    go(file, listener=Ears())
    assert heard[0] == "intake started: it has not run before"
    assert heard[3:] == ["stopped", "intake skipped", "frequencies skipped", "surfaces skipped", "stopped"]


def test_warnings_are_of_the_stages_that_ran(chain: Chain, file: Path) -> None:
    assert go(file).warnings == ["look out"]
    assert go(file).warnings == []


def test_a_single_key_of_a_section_can_be_declared(chain: Chain, file: Path) -> None:
    stage = chain.stages["surfaces"]
    chain.stages["surfaces"] = dataclasses.replace(stage, settings=("surfaces", "publish.blur_m"))
    go(file)
    file.write_text(TEXT + "[publish]\nwidth_mm = 90\n")
    assert reasons(file)["surfaces"] == ""
    file.write_text(TEXT + "[publish]\nblur_m = 500\n")
    assert reasons(file)["surfaces"] == "[publish] blur_m 1000.0 -> 500.0"


@pytest.mark.parametrize("content", ['{"study": "orsel", "stages": {"intake": {}}}', "[1]", "{", '{"stages": 3}'])
def test_a_record_in_another_shape_counts_as_not_having_run(chain: Chain, file: Path, content: str) -> None:
    folder = go(file).folder
    (folder / "run.json").write_text(content)
    assert set(reasons(file).values()) == {"it has not run before"}
    assert go(file).ran == CHAIN


def test_what_a_stage_no_longer_writes_is_removed(chain: Chain, file: Path) -> None:
    folder = go(file).folder
    assert (folder / "surfaces" / "b.txt").exists()

    def fewer(context: Context) -> Account:
        write_text(context.path("surfaces/a.txt"), "a")
        return {}

    chain.stages["surfaces"] = dataclasses.replace(chain.stages["surfaces"], run=fewer)
    runner.run(load_study(file), stages=("surfaces",), force=True)
    assert not (folder / "surfaces" / "b.txt").exists()
    assert (folder / "surfaces" / "a.txt").exists()


def test_a_dry_run_refuses_what_a_run_refuses(chain: Chain, file: Path, tmp_path: Path) -> None:
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter.txt").write_text("mine")
    with pytest.raises(StudyError, match="the folder is in use"):
        runner.plan(load_study(file), tmp_path / "thesis", CHAIN)


def test_a_new_title_runs_nothing_but_what_shows_it(chain: Chain, file: Path) -> None:
    go(file)
    file.write_text(TEXT.replace('name = "orsel"', 'name = "orsel"\ntitle = "Orsel"'))
    assert set(reasons(file).values()) == {""}
    file.write_text(TEXT.replace('name = "orsel"', 'name = "orsel"\nseed = 5'))
    assert set(reasons(file).values()) == {"[study] seed 1 -> 5"}


def test_a_stage_run_alone_on_old_inputs_is_warned_of(chain: Chain, file: Path) -> None:
    go(file)
    (file.parent / "records.csv").write_text("a b c")
    result = runner.run(load_study(file), stages=("surfaces",), force=True)
    assert result.warnings == [
        "intake is out of date (records.csv has changed) and was not asked for: what rests on it is old too."
    ]
