"""Stage order, what is due and why, and the record of what was done. No science here."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morphcline.errors import MorphclineError, Problem, StudyError, StudyFileError
from morphcline.files.atomic import write_text
from morphcline.language import ENGLISH, kept, read_catalogue, speaking
from morphcline.provenance import (
    RUN_FILE,
    changed_settings,
    code_digest,
    digest_of,
    read_run,
    versions,
    write_run,
)
from morphcline.stages import NAMES as STAGES
from morphcline.study import Study, load_study, settings_in_force, source_key
from morphcline.workers import Workers

if TYPE_CHECKING:
    from morphcline.stages.base import Stage

_DRAWING = {"maps", "report"}
#: Settings on which every stage depends.
_ALWAYS = ("study.name", "study.crs", "study.seed", "study.area")
COLUMNS_FILE = "tables/README.md"


@dataclass(frozen=True)
class Due:
    """A stage and why it would run; an empty reason means it is up to date."""

    stage: str
    reason: str


@dataclass(frozen=True)
class RunResult:
    """What a run did.

    Attributes
    ----------
    folder : Path
        Where the results lie.
    ran, skipped : tuple of str
        Names of stages.
    accounts : dict
        What each stage of the study reports of itself, whether it ran now or earlier.
    outdated : tuple of Due
        Stages before the last one asked for that are due and were left out.
    """

    folder: Path
    ran: tuple[str, ...]
    skipped: tuple[str, ...]
    accounts: dict[str, dict[str, Any]] = field(default_factory=dict)
    outdated: tuple[Due, ...] = ()

    @property
    def warnings(self) -> list[str]:
        """Sentences a user should read: of the stages that ran now, and of those before them that should have."""
        told = [sentence for name in self.ran for sentence in self.accounts[name].get("warnings", [])]
        told += [
            f"{due.stage} is out of date ({due.reason}) and was not asked for: what rests on it is old too."
            for due in self.outdated
        ]
        return told


class Listener:
    """What a run tells while it goes on; this one keeps silent."""

    def started(self, stage: str, summary: str, reason: str) -> None:
        """Say that a stage starts, and why."""

    def progress(self, done: int, total: int, what: str) -> None:
        """Say how far the running stage is."""

    def finished(self, stage: str, seconds: float, account: dict[str, Any]) -> None:
        """Say that a stage is done."""

    def skipped(self, stage: str) -> None:
        """Say that a stage was up to date."""

    def stopped(self) -> None:
        """Clear away what is shown, after the last stage or an error."""


def load_stage(name: str) -> Stage:
    """Import a stage, with all that its work needs."""
    stage: Stage = import_module(f"morphcline.stages.{name}").STAGE
    return stage


def select(*, first: str | None = None, last: str | None = None, only: str | None = None) -> tuple[str, ...]:
    """Return the names of the stages from ``first`` to ``last``, or one alone."""
    if only is not None:
        return (only,)
    start = STAGES.index(first) if first else 0
    end = STAGES.index(last) if last else len(STAGES) - 1
    return STAGES[start : end + 1]


def output_folder(study: Study, out: Path | None = None) -> Path:
    """Return where results go: ``out``, or ``outputs/<name>`` beside the folder that holds the study file.

    A study file in a folder named ``config`` counts as lying in the folder above.
    """
    if out is not None:
        return out.absolute()
    home = study.file.parent
    return (home.parent if home.name == "config" else home) / "outputs" / study.study.name


def plan(study: Study, folder: Path, stages: Iterable[str] = STAGES, *, force: bool = False) -> list[Due]:
    """Say which stages would run, and why.

    A stage is due when anything it declares has another content than when it last ran. A stage that reads what a
    due stage writes may turn out not to be due, when that comes out the same.
    """
    _refuse_foreign_folder(folder, study)
    records = read_run(folder).get("stages", {})
    remade: dict[str, str] = {}
    dues = []
    for name in stages:
        done = records.get(name)
        reason = "asked for with --force" if force else _why_due(study, folder, name, records)
        if not reason and done:
            made_by = {remade[read] for read in done["reads"] if read in remade}
            if made_by:
                reason = f"what it reads is remade by {', '.join(sorted(made_by))}"
        if reason:
            remade |= dict.fromkeys(done["outputs"] if done else (), name)
        dues.append(Due(name, reason))
    return dues


def run(
    study: Study | str | Path,
    *,
    out: Path | None = None,
    stages: Iterable[str] = STAGES,
    force: bool = False,
    workers: Workers | None = None,
    listener: Listener | None = None,
) -> RunResult:
    """Run the stages that are due.

    Parameters
    ----------
    study : Study or path
        A study, or the path of its file.
    out : Path, optional
        Output folder; see :func:`output_folder`.
    stages : iterable of str
        Which of :data:`STAGES`, in that order.
    force : bool
        Run them even where nothing has changed.
    workers : Workers, optional
    listener : Listener, optional
        Is told how the run goes on.

    Returns
    -------
    RunResult

    Raises
    ------
    StudyError
        When the study or its data stop the run. Outputs written before stay as they were.
    """
    study = study if isinstance(study, Study) else load_study(study)
    folder = output_folder(study, out)
    _refuse_foreign_folder(folder, study)
    check_scoring(study)
    check_language(study)
    check_extras(study)
    _check_plates(study)
    workers, listener = workers or Workers(), listener or Listener()
    record = read_run(folder)
    done: dict[str, Any] = record.get("stages", {})
    ran, skipped = [], []
    asked = tuple(stages)
    try:
        for name in asked:
            reason = "asked for with --force" if force else _why_due(study, folder, name, done)
            if not reason:
                skipped.append(name)
                listener.skipped(name)
                continue
            before = done.get(name, {}).get("outputs", {})
            done[name] = _run_stage(study, folder, name, reason, done, workers, listener)
            _remove_stale(folder, before, done[name]["outputs"])
            ran.append(name)
            _keep(folder, study, done)
    finally:
        listener.stopped()
    accounts = {name: item["account"] for name, item in done.items()}
    return RunResult(folder, tuple(ran), tuple(skipped), accounts, _outdated(study, folder, asked, done))


def _outdated(study: Study, folder: Path, asked: Sequence[str], records: Mapping[str, Any]) -> tuple[Due, ...]:
    before = STAGES[: STAGES.index(asked[-1])] if asked else ()
    dues = [
        Due(name, _why_due(study, folder, name, records)) for name in before if name not in asked and name in records
    ]
    return tuple(due for due in dues if due.reason)


def _why_due(study: Study, folder: Path, name: str, records: Mapping[str, Any]) -> str:
    done = records.get(name)
    if not done:
        return "it has not run before"
    if done["code"] != code_digest(with_render=name in _DRAWING):
        return "morphcline itself has changed"
    changes = changed_settings(done["settings"], settings_in_force(study, tuple(done["sections"])))
    if changes:
        return "; ".join(changes[:3]) + (f" and {len(changes) - 3} more" if len(changes) > 3 else "")
    for key, digest in done["sources"].items():
        if digest_of(study.file.parent / key) != digest:
            return f"{key} has changed"
    for key, digest in done["reads"].items():
        if digest_of(folder / key) != digest:
            return f"{key} has changed"
    for key, digest in done["outputs"].items():
        found = digest_of(folder / key)
        if found != digest:
            return f"{key} is {'missing' if found is None else 'not as it was written'}"
    if done["accounts"] and done["accounts"] != _digest_of_accounts(_accounts_before(name, records)):
        return "what an earlier stage reports of itself has changed"
    return ""


def _accounts_before(name: str, records: Mapping[str, Any]) -> dict[str, Any]:
    return {earlier: records[earlier]["account"] for earlier in STAGES[: STAGES.index(name)] if earlier in records}


def _digest_of_accounts(accounts: Mapping[str, Any]) -> str:
    text = json.dumps(kept(accounts), sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def _run_stage(
    study: Study,
    folder: Path,
    name: str,
    reason: str,
    records: Mapping[str, Any],
    workers: Workers,
    listener: Listener,
) -> dict[str, Any]:
    from morphcline.stages.base import Context

    stage = load_stage(name)
    listener.started(name, stage.summary, reason)
    absent = [read for read in stage.inputs(study) if not (folder / read).is_file()]
    if absent:
        raise StudyError(
            Problem(
                "",
                f"stage {name}",
                f"it reads {absent[0]}, which is not in {folder.name}",
                f"run the stages before it first: leave out --from and --only, or use --to {name}",
            )
        )
    sections = tuple(dict.fromkeys((*_ALWAYS, *stage.settings)))
    sources = {source_key(study, path): digest_of(path) for path in stage.sources(study)}
    reads = {read: digest_of(folder / read) for read in stage.inputs(study)}
    accounts = _accounts_before(name, records) if stage.reads_accounts else {}
    start = time.perf_counter()
    # Tables are the same in every language; what people read is in the study's.
    with speaking(study.language if name in _DRAWING else ENGLISH):
        account = stage.run(Context(study, folder, workers, accounts, listener.progress))
    seconds = round(time.perf_counter() - start, 3)
    changed = [key for key, digest in sources.items() if digest_of(study.file.parent / key) != digest]
    if changed:
        raise StudyError(Problem(changed[0], "", "the file changed while it was read", "run again"))
    outputs = tuple(dict.fromkeys((*stage.writes(study), *account.pop("files", ()))))
    missing = [output for output in outputs if not (folder / output).is_file()]
    if missing:
        raise MorphclineError(f"stage {name} did not write {missing[0]}")
    listener.finished(name, seconds, account)
    return {
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "seconds": seconds,
        "because": reason,
        "code": code_digest(with_render=name in _DRAWING),
        "sections": sections,
        "settings": settings_in_force(study, sections),
        "sources": sources,
        "reads": reads,
        "accounts": _digest_of_accounts(accounts) if stage.reads_accounts else "",
        "outputs": {output: digest_of(folder / output) for output in outputs},
        "columns": {table: dict(columns) for table, columns in stage.columns.items()},
        "account": account,
    }


def _remove_stale(folder: Path, before: Mapping[str, str], now: Mapping[str, str]) -> None:
    """Remove what the stage wrote earlier and no longer writes, unless somebody has changed it since."""
    for name in before.keys() - now.keys():
        if digest_of(folder / name) == before[name]:
            (folder / name).unlink()


def check_scoring(study: Study) -> None:
    """Raise what is wrong with the species and traits that the study names; it takes a scorer's knowledge to see it."""
    from morphcline.scoring.species import check_studied
    from morphcline.scoring.traits import wanted_traits

    check_studied(study.scoring.species, file=study.file.name)
    known = [trait.name for trait in wanted_traits(study.scoring, file=study.file.name)]
    for where, traits in (
        ("[clines] traits", study.clines.traits),
        ("[clines] compared", study.clines.asked_to_compare),
        ("[plan] traits", study.plan.traits),
    ):
        unknown = [name for name in traits or () if name not in known]
        if unknown:
            accepted = "known traits: " + ", ".join(known)
            raise StudyFileError(Problem(study.file.name, where, f"found {unknown[0]!r}", accepted))


def check_language(study: Study) -> None:
    """Raise what is wrong with the catalogue of the study's language."""
    if study.language != ENGLISH:
        read_catalogue(study.language)


def check_extras(study: Study) -> None:
    """Raise what the study asks for and isn't installed."""
    from morphcline.files import pdf

    if study.report.pdf:
        pdf.require(file=study.file.name)


def _check_plates(study: Study) -> None:
    if study.publish.plate:
        from morphcline.stages._plates import check_plates

        check_plates(study)


def _keep(folder: Path, study: Study, done: dict[str, Any]) -> None:
    ordered = {name: done[name] for name in STAGES if name in done}
    rows = ordered.get("intake", {}).get("account", {})
    record = {
        "study": study.study.name,
        "title": study.study.title,
        "seed": study.study.seed,
        "versions": versions(),
        "rows": {key: rows[key] for key in ("rows", "accepted", "rejected") if key in rows},
        "settings": settings_in_force(study),
        "stages": ordered,
    }
    write_run(folder, record)
    write_text(folder / COLUMNS_FILE, _columns_page(ordered))


def _columns_page(done: dict[str, Any]) -> str:
    lines = [
        "# Columns of the tables",
        "",
        "UTF-8, comma-separated; an empty cell is missing, never zero. Units stand in the column's name.",
    ]
    for item in done.values():
        for table, columns in item["columns"].items():
            lines += ["", f"## {table}", "", "| column | holds |", "|---|---|"]
            lines += [f"| {name} | {text} |" for name, text in columns.items()]
    return "\n".join(lines) + "\n"


def _refuse_foreign_folder(folder: Path, study: Study) -> None:
    """Stop before another study's results, or files that are none of ours, are mixed with new ones."""
    if folder.exists() and not folder.is_dir():
        raise StudyError(Problem(str(folder), "", "this is a file", "name a folder with --out"))
    record = read_run(folder)
    if record.get("study") not in (None, study.study.name):
        raise StudyError(
            Problem(
                folder.name,
                "run.json",
                f"this folder holds the study {record.get('study')!r}",
                "choose another folder with --out",
            )
        )
    if not record.get("study") and folder.is_dir() and any(not item.name.startswith(".") for item in folder.iterdir()):
        layers = {"sites.gpkg", "clines.gpkg", "steepness.gpkg", "stac", "styles", "reports", "report.pdf", "private"}
        ours = {"records", "tables", "surfaces", "figures", "plan", "map.html", "report.html", RUN_FILE} | layers
        foreign = sorted({item.name for item in folder.iterdir() if not item.name.startswith(".")} - ours)
        if foreign:
            raise StudyError(
                Problem(
                    folder.name,
                    "",
                    f"the folder is in use: it holds {foreign[0]!r}",
                    "choose an empty or new folder with --out",
                )
            )
