"""What a simulation proves: rates over many invented surveys, counted, kept, and judged against what was promised.

A case makes one survey from a generator, analyses it and says what happened: whether an interval held the truth,
whether a test rejected, how far an estimate lay off. Rates and means over surveys are kept as ``rates/<topic>.csv`` and
summarised in ``README.md``; ``summary.py`` makes both.
"""

from __future__ import annotations

import csv
import math
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

#: Surveys a case of the committed summary rests on, at least.
SURVEYS = 500

#: What intervals of 95 % must cover, and how often tests at 5 % may reject under their null.
COVERAGE = (0.92, 0.98)
SIZE = (0.03, 0.07)

#: Share of a quick run's surveys in which a method may give no answer: a test of ends, say, where no cline was chosen.
MOST_UNKNOWN = 1 / 3

RATES = Path(__file__).parent / "rates"
FIELDS = (
    "topic",
    "case",
    "what",
    "kind",
    "surveys",
    "known",
    "value",
    "low",
    "high",
    "wanted_low",
    "wanted_high",
    "note",
)


@dataclass(frozen=True)
class Wanted:
    """One thing that a case tells of each survey, and what it should come to.

    Parameters
    ----------
    kind : str
        ``"coverage"``, ``"size"`` or ``"power"``: the survey's value is True or False, and its rate is judged.
        ``"mean"``: a number, whose mean is judged (a bias, a ratio).
    low, high : float
        What the rate or mean must lie between. For coverage and size those of the promise unless given.
    note : str
        For a reader of the summary: why a method can't hold the promise, and where it says so.
    """

    kind: str
    low: float = -math.inf
    high: float = math.inf
    note: str = ""

    def limits(self) -> tuple[float, float]:
        standard = {"coverage": COVERAGE, "size": SIZE}.get(self.kind, (self.low, self.high))
        return (
            self.low if math.isfinite(self.low) else standard[0],
            self.high if math.isfinite(self.high) else standard[1],
        )


@dataclass(frozen=True)
class Case:
    """A kind of survey and what is asked of it.

    Parameters
    ----------
    name : str
        Says how the surveys are made: sites, shells, rho, truth.
    one : callable
        Generator to what happened in one survey, by the names in ``wanted``; NaN where the method gave no answer
        (counted apart: "known" in the table). A function of a module, so that it can travel to a worker.
    wanted : mapping
    quick : int
        Surveys in the test, which is to take some ten seconds.
    """

    name: str
    one: Callable[[np.random.Generator], Mapping[str, float]]
    wanted: Mapping[str, Wanted]
    quick: int = 100


@dataclass(frozen=True)
class Rate:
    """A rate or mean over surveys, with its own 95 % interval."""

    what: str
    surveys: int
    known: int
    value: float
    low: float
    high: float


def survey_rng(case: Case, number: int) -> np.random.Generator:
    """Return the generator of one survey, the same whatever else runs."""
    return np.random.default_rng([20260501, zlib.crc32(case.name.encode()), number])


def _one(case: Case, number: int) -> dict[str, float]:
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        return {key: float(value) for key, value in case.one(survey_rng(case, number)).items()}


def simulate(case: Case, surveys: int, *, processes: int = 1) -> list[Rate]:
    """Return the rates of a case over so many surveys."""
    from joblib import Parallel, delayed

    results = Parallel(n_jobs=processes)(delayed(_one)(case, number) for number in range(surveys))
    rates = []
    for what, wanted in case.wanted.items():
        values = np.array([result[what] for result in results])
        known = values[np.isfinite(values)]
        interval = _mean_interval if wanted.kind == "mean" else _wilson
        rates.append(Rate(what, surveys, len(known), float(known.mean()), *interval(known)))
    return rates


def _wilson(values: np.ndarray) -> tuple[float, float]:
    n, p, z2 = len(values), float(values.mean()), 1.959963984540054**2
    half = math.sqrt(z2 * (p * (1 - p) + z2 / (4 * n)) / n)
    return (p + z2 / (2 * n) - half) / (1 + z2 / n), (p + z2 / (2 * n) + half) / (1 + z2 / n)


def _mean_interval(values: np.ndarray) -> tuple[float, float]:
    half = 1.959963984540054 * float(values.std(ddof=1)) / math.sqrt(len(values))
    return float(values.mean()) - half, float(values.mean()) + half


def check(case: Case) -> None:
    """Assert that a quick run of a case doesn't contradict what is wanted: its interval meets the limits."""
    for rate in simulate(case, case.quick):
        low, high = case.wanted[rate.what].limits()
        # Three standard errors rather than two: a sound method must not fail one run in twenty.
        middle = (rate.low + rate.high) / 2
        half = 1.5 * (rate.high - rate.low) / 2
        unknown = rate.surveys - rate.known
        assert unknown <= MOST_UNKNOWN * rate.surveys, f"{case.name}: {rate.what} unknown in {unknown}"
        assert middle + half >= low, f"{case.name}: {rate.what} {rate.value:.3f}, wanted {low} or more"
        assert middle - half <= high, f"{case.name}: {rate.what} {rate.value:.3f}, wanted {high} or less"


def keep(topic: str, cases: Sequence[Case], surveys: int, *, processes: int) -> None:
    """Simulate every case of a topic and write its rates."""
    RATES.mkdir(exist_ok=True)
    rows = []
    for case in cases:
        for rate in simulate(case, surveys, processes=processes):
            wanted = case.wanted[rate.what]
            low, high = wanted.limits()
            rows.append(
                {
                    "topic": topic, "case": case.name, "what": rate.what, "kind": wanted.kind,
                    "surveys": rate.surveys, "known": rate.known,
                    **{name: f"{getattr(rate, name):.4g}" for name in ("value", "low", "high")},
                    "wanted_low": _limit(low), "wanted_high": _limit(high),
                    "note": wanted.note,
                }
            )  # fmt: skip
            print(f"  {case.name}: {rate.what} {rate.value:.3f} ({rate.low:.3f} to {rate.high:.3f})", flush=True)
    with (RATES / f"{topic}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, FIELDS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _limit(value: float) -> str:
    return "" if math.isinf(value) else f"{value:g}"


def kept(topic: str) -> list[dict[str, str]]:
    """Return the rates kept of a topic."""
    with (RATES / f"{topic}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def holds(row: Mapping[str, str]) -> bool:
    """Return whether a kept rate lies between what is wanted of it."""
    value = float(row["value"])
    low = float(row["wanted_low"]) if row["wanted_low"] else -math.inf
    high = float(row["wanted_high"]) if row["wanted_high"] else math.inf
    return low <= value <= high
