"""What a user can mend, said in one sentence each: where, what was found, what is accepted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

#: A part of a message that is longer is shortened in its middle.
_LONGEST_PART = 400


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a study or its data.

    Parameters
    ----------
    file : str
        The file as the user wrote it; empty when no file is concerned.
    where : str
        The place in it: ``"[surfaces] cell_m"``, ``"row 17, column count"``, ``"band 2"``.
    found : str
        What stands there and why it can't be used, without a full stop.
    accepted : str
        What would be accepted, or what to do, without a full stop.
    """

    file: str
    where: str
    found: str
    accepted: str

    def __str__(self) -> str:
        file, where, found, accepted = map(_printable, (self.file, self.where, self.found, self.accepted))
        place = ", ".join(part for part in (file, where) if part)
        sentence = f"{place}: {found}" if place else found
        whole = f"{sentence}; {accepted}" if accepted else sentence
        return whole if whole.endswith("?") else f"{whole}."


def _printable(part: str) -> str:
    """Return a part of a message on one line: what stood in a file may be long, or drive the terminal."""
    if len(part) > _LONGEST_PART:
        half = _LONGEST_PART // 2 - 2
        part = f"{part[:half]} … {part[-half:]}"
    if part.isprintable():
        return part
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii") for sign in part)


class MorphclineError(Exception):
    """Base of every error this package raises on purpose."""


class StudyError(MorphclineError):
    """The study file or its data stop the run, and the user can mend it.

    Carries every problem that was found, not just the first.

    Parameters
    ----------
    problems : iterable of Problem
        At least one.
    """

    def __init__(self, problems: Problem | Iterable[Problem]):
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[StudyError], tuple[tuple[Problem, ...]]]:
        # Without this a worker process can't hand the error back: pickling would call __init__ with the message.
        return type(self), (self.problems,)


class StudyFileError(StudyError):
    """The study file can't be read, or holds keys or values that aren't accepted."""


class SourceError(StudyError):
    """A file that the study names (records, raster, line, polygon) is absent, unreadable or unfit."""


class WorkerError(MorphclineError):
    """A worker process or a Dask scheduler went away; the work done so far is kept."""
