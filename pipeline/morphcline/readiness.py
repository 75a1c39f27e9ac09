"""Whether a run's results are there to be read by what runs no stage: the plan, the export."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from morphcline import runner
from morphcline.errors import Problem, StudyError
from morphcline.provenance import read_run
from morphcline.study import Study


def refuse_unready(
    study: Study, folder: Path, needed: Sequence[str], *, before: Sequence[str], what: str, elsewhere: bool
) -> list[str]:
    """Raise which stage has yet to run; return sentences about those that are out of date.

    Parameters
    ----------
    study : Study
    folder : Path
        The run's output folder.
    needed : sequence of str
        Stages whose outputs are read, in the order in which they run.
    before : sequence of str
        Stages before them that may be out of date too.
    what : str
        What rests on their results: ``"the plan"``.
    elsewhere : bool
        Whether the folder is not the usual one.

    Raises
    ------
    StudyError
    """
    records = read_run(folder)
    command = f"morphcline run {study.file.name} --to {needed[-1]}" + elsewhere * " with the same --out"
    if records.get("study") not in (None, study.study.name):
        runner.plan(study, folder)  # raises whose folder it is
    outputs = {stage: records.get("stages", {}).get(stage, {}).get("outputs", {}) for stage in needed}
    lacking = []
    not_run = [stage for stage in needed if not outputs[stage]]
    if not_run:
        named = f"{'stage' if len(not_run) == 1 else 'stages'} {_listed(not_run)}"
        lacking.append(Problem(folder.name, named, "not run here yet", f"run {command}"))
    for stage in needed:
        absent = [name for name in outputs[stage] if not (folder / name).is_file()]
        if absent:
            lacking.append(Problem(folder.name, f"stage {stage}", f"its {absent[0]} is missing", f"run {command}"))
    if lacking:
        raise StudyError(lacking)
    old = [due for due in runner.plan(study, folder, (*before, *needed)) if due.reason]
    if not old:
        return []
    reasons = "; ".join(dict.fromkeys(due.reason for due in old))
    verb = "is" if len(old) == 1 else "are"
    named = _listed([due.stage for due in old])
    return [f"{named} {verb} out of date ({reasons}): {what} rests on old results; run {command}."]


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
