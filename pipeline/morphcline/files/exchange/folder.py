"""The folder of an export: nothing in it is replaced but what an earlier export wrote and nobody has changed since."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from morphcline.errors import Problem, StudyError
from morphcline.files.exchange.crate import CRATE_FILE, files_of, identifier_of
from morphcline.files.exchange.data_package import sha256_of

_ADVICE = "move it away, or name another folder with --to"


def refuse_foreign(folder: Path, names: Sequence[str], *, study: str) -> list[str]:
    """Raise what stands in the way; return files of an earlier export that the new one doesn't have.

    Parameters
    ----------
    folder : Path
    names : sequence of str
        Files that are to be written, with slashes, the crate's own among them.
    study : str
        Identifier of the study.

    Raises
    ------
    StudyError
    """
    if folder.exists() and not folder.is_dir():
        raise StudyError(Problem(str(folder), "", "this is a file", "name a folder with --to"))
    before: dict[str, str] = {}
    about = folder / CRATE_FILE
    if about.is_file():
        text = about.read_text(encoding="utf-8", errors="replace")
        before = files_of(text)
        if before and identifier_of(text) != study:
            found = f"this folder holds the export of another study, {identifier_of(text)!r}"
            raise StudyError(Problem(folder.name, CRATE_FILE, found, "name another folder with --to"))
        if before:
            before[CRATE_FILE] = sha256_of(about)
    problems = []
    for name in sorted({*names, *before}):
        path = folder / name
        if not path.exists():
            continue
        if name not in before:
            problems.append(Problem(folder.name, name, "the file is there and is none of an earlier export", _ADVICE))
        elif not path.is_file() or sha256_of(path) != before[name]:
            problems.append(Problem(folder.name, name, "the file has been changed since it was exported", _ADVICE))
    if problems:
        raise StudyError(problems)
    return sorted(set(before) - set(names))


@contextmanager
def filled_at_once(folder: Path, stale: Sequence[str]) -> Iterator[Path]:
    """Give an empty folder; move what it holds into ``folder`` when the block ends well, and remove the stale files.

    An export that stops half way leaves the folder as it was.

    Parameters
    ----------
    folder : Path
    stale : sequence of str
        Files in it that go.

    Yields
    ------
    Path
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    # Beside it, so that moving is renaming.
    temporary = Path(tempfile.mkdtemp(prefix=f".{folder.name}.part-", dir=folder.parent))
    try:
        yield temporary
        for name in stale:
            (folder / name).unlink(missing_ok=True)
        for path in sorted(temporary.rglob("*")):
            if path.is_file():
                there = folder / path.relative_to(temporary)
                there.parent.mkdir(parents=True, exist_ok=True)
                path.replace(there)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
