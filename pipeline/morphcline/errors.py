"""What a user can mend, said in one sentence each: where, what was found, what is accepted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


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
        place = ", ".join(part for part in (self.file, self.where) if part)
        sentence = f"{place}: {self.found}" if place else self.found
        whole = f"{sentence}; {self.accepted}" if self.accepted else sentence
        return whole if whole.endswith("?") else f"{whole}."


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
