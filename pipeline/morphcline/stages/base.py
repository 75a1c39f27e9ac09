"""What a stage declares and what it is given; each stage module holds one :class:`Stage` named ``STAGE``."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from morphcline.study import Study
from morphcline.workers import Workers

#: What a stage reports of itself: plain values that go into ``run.json``; the key ``warnings`` holds sentences.
Account = dict[str, Any]


@dataclass(frozen=True)
class Context:
    """What a running stage may use.

    Parameters
    ----------
    study : Study
    folder : path
        The study's output folder; every name in ``reads`` and ``writes`` counts from it.
    workers : Workers
    accounts : mapping
        What the stages before reported of themselves; empty unless the stage declares ``reads_accounts``.
    tick : callable
        Called with (done, total, what) to show progress.
    """

    study: Study
    folder: Path
    workers: Workers
    accounts: Mapping[str, Account] = field(default_factory=dict)
    tick: Callable[[int, int, str], None] = field(default=lambda done, total, what: None)

    def path(self, name: str) -> Path:
        """Return the path of an output named as in ``reads`` and ``writes``."""
        return self.folder / name

    def rng(self, *keys: str | int) -> np.random.Generator:
        """Return a generator that depends on the study's seed and the keys alone, never on the order of calls."""
        words = [zlib.crc32(str(key).encode()) for key in keys]
        return np.random.default_rng([self.study.study.seed, *words])


@dataclass(frozen=True)
class Stage:
    """A function of declared inputs to declared outputs.

    Parameters
    ----------
    name, summary : str
    settings : tuple of str
        Names of the study file's sections (or of single keys: ``"publish.blur_m"``) that change the result;
        of ``study`` all but the title always counts.
    reads : tuple of str, or callable
        Outputs of earlier stages, from the output folder; a callable where they depend on the study.
    writes : callable
        Study to the names this stage writes.
    run : callable
        Context to an account.
    sources : callable
        Study to the user's files that are read.
    reads_accounts : bool
        Whether the earlier stages' accounts are read too.
    columns : mapping
        For each table written, column name to what it holds (with its unit); the README of columns is made from it.
    """

    name: str
    summary: str
    settings: tuple[str, ...]
    reads: tuple[str, ...] | Callable[[Study], tuple[str, ...]]
    writes: Callable[[Study], tuple[str, ...]]
    run: Callable[[Context], Account]
    sources: Callable[[Study], tuple[Path, ...]] = lambda study: ()
    reads_accounts: bool = False
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def inputs(self, study: Study) -> tuple[str, ...]:
        """Return the outputs of earlier stages that this one reads for a study."""
        return self.reads(study) if callable(self.reads) else self.reads
