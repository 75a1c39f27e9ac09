"""Write a file whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from morphcline.errors import Problem, StudyError


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; move it into place when the block ends well, else remove it.

    Parameters
    ----------
    path : Path
        Its folder is made if need be. The temporary name keeps the ending, by which GDAL and matplotlib
        choose a format.

    Yields
    ------
    Path

    Raises
    ------
    StudyError
        When the file is there and another program won't let go of it; the old content stays.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.stem}.part-{os.getpid()}{path.suffix}")
    try:
        yield temporary
        try:
            temporary.replace(path)
        except PermissionError:
            # Windows won't replace a file that a spreadsheet or a viewer holds open.
            problem = Problem(path.name, "", "it can't be replaced", "close the program that has it open and run again")
            raise StudyError(problem) from None
    finally:
        with suppress(FileNotFoundError):
            temporary.unlink()


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with LF line ends, whole."""
    with whole_file(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))
