"""Write a file whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


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
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.stem}.part-{os.getpid()}{path.suffix}")
    try:
        yield temporary
        temporary.replace(path)
    finally:
        with suppress(FileNotFoundError):
            temporary.unlink()


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with LF line ends, whole."""
    with whole_file(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))
