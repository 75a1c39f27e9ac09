"""Feed every reader with inputs that nobody should write, and count what comes of it.

``python tests/robustness/fuzz.py --inputs 200000 --seed 1`` prints, for each reader, how many inputs were read and how
many refused in a sentence, the longest time that one took, and every failure: an error that isn't meant for people, a
broken law, a row without a fate, more time than allowed. The same seed and number give the same inputs.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from readers import READERS, Reader

#: More failures of one reader than this aren't kept.
_KEPT = 5


class TookTooLongError(Exception):
    """An input took longer than its reader may."""


@dataclass
class Count:
    """What came of the inputs of one reader."""

    reader: str
    inputs: int = 0
    read: int = 0
    refused: int = 0
    failed: int = 0
    slowest_s: float = 0.0
    failures: list[str] = field(default_factory=list)


def fuzz(inputs: int, seed: int, *, readers: tuple[Reader, ...] = READERS, keep: Path | None = None) -> list[Count]:
    """Feed the readers, each with its share of the inputs.

    Parameters
    ----------
    inputs : int
        In all.
    seed : int
    readers : tuple of Reader
    keep : Path, optional
        Where inputs that fail are kept, as Python literals.

    Returns
    -------
    list of Count
    """
    whole = sum(reader.weight for reader in readers)
    counts = []
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for reader in readers:
            share = max(1, round(inputs * reader.weight / whole))
            counts.append(_feed(reader, share, seed, Path(folder), keep))
    return counts


def _feed(reader: Reader, inputs: int, seed: int, folder: Path, keep: Path | None) -> Count:
    count = Count(reader.name)
    for number in range(inputs):
        made = reader.make(random.Random(f"{seed} {reader.name} {number}"))
        started = time.process_time()
        try:
            with _no_longer_than(reader.seconds):
                read = reader.feed(made, folder)
        except Exception as error:
            count.failed += 1
            if len(count.failures) < _KEPT:
                count.failures.append(_describe(error, made, number))
                _keep(made, keep, f"{reader.name}-{number}")
        else:
            count.read += read
            count.refused += not read
        count.inputs += 1
        count.slowest_s = max(count.slowest_s, time.process_time() - started)
    return count


@contextmanager
def _no_longer_than(seconds: float) -> Iterator[None]:
    """Stop what takes more of a processor's time; where the system can't (Windows), the time is judged afterwards."""
    timed = hasattr(signal, "setitimer")
    started = time.process_time()
    if timed:
        signal.signal(signal.SIGPROF, _stop)
        signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        if timed:
            signal.setitimer(signal.ITIMER_PROF, 0)
    if time.process_time() - started > seconds:
        raise TookTooLongError(f"more than {seconds} s")


def _stop(*_: object) -> None:
    raise TookTooLongError("stopped while it ran")


def _describe(error: Exception, made: Any, number: int) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{Path(last.filename).name}:{last.lineno}"
    return f"input {number}: {type(error).__name__} at {place}: {str(error)[:300]}\n      {made!r:.300}"


def _keep(made: Any, keep: Path | None, name: str) -> None:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        (keep / f"{name.replace(' ', '-')}.txt").write_text(repr(made), encoding="utf-8", errors="backslashreplace")


def peak_mb() -> float:
    """Return the largest memory that this process has held, in MB; 0 where the system doesn't tell."""
    try:
        import resource
    except ImportError:
        return 0.0
    largest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return largest / (1e6 if sys.platform == "darwin" else 1e3)


def report(counts: list[Count], seed: int, seconds: float) -> str:
    """Return what a person reads of a run."""
    lines = [f"{'reader':<28}{'inputs':>9}{'read':>9}{'refused':>9}{'failed':>8}{'slowest':>10}"]
    for count in counts:
        lines.append(
            f"{count.reader:<28}{count.inputs:>9,}{count.read:>9,}{count.refused:>9,}{count.failed:>8,}"
            f"{count.slowest_s:>8.2f} s"
        )
        lines += [f"  ! {failure}" for failure in count.failures]
    total, failed = sum(count.inputs for count in counts), sum(count.failed for count in counts)
    lines.append(
        f"{total:,} inputs, seed {seed}: {failed} failed; {seconds:,.0f} s; at most {peak_mb():,.0f} MB of memory"
    )
    return "\n".join(lines)


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reader", help="only readers whose name holds this")
    parser.add_argument("--keep", type=Path, help="a folder for inputs that fail")
    asked = parser.parse_args()
    readers = tuple(reader for reader in READERS if not asked.reader or asked.reader in reader.name)
    if not readers:
        parser.error("there is no such reader; there are: " + ", ".join(reader.name for reader in READERS))
    started = time.perf_counter()
    counts = fuzz(asked.inputs, asked.seed, readers=readers, keep=asked.keep)
    print(report(counts, asked.seed, time.perf_counter() - started))
    return int(any(count.failed for count in counts))


if __name__ == "__main__":
    sys.exit(main())
