"""What all benchmarks share: interleaved timing, facts of the machine, floors, and the results kept for the table.

A script measures one path. It builds :class:`Case` objects, each with a :class:`Row` for every size, and hands them to
:func:`run_script`, which keeps them in ``results/<path>.json``; ``all.py`` writes the table from those files.

A peer is always timed in the same run as our own code, its calls between ours, so that whatever else the machine does
hits both alike. Times are medians; ratios are ratios of medians.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import gc
import importlib.metadata
import json
import math
import multiprocessing
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
RESULTS = HERE / "results"

#: Libraries whose versions are told wherever they are installed.
LIBRARIES = (
    "numpy", "scipy", "numba", "esda", "libpysal", "scikit-learn", "statsmodels", "pandas", "rasterio", "exactextract",
    "rasterstats", "KDEpy",
)  # fmt: skip


@dataclass(frozen=True)
class Timing:
    """Seconds of several calls; ``processor_s`` is the median of what all cores spent on one, if it is known."""

    median_s: float
    low_s: float
    high_s: float
    calls: int
    processor_s: float | None = None

    def times(self, factor: float) -> Timing:
        """Return the seconds of so many times the work, for a peer that is timed on a part of it."""
        spent = None if self.processor_s is None else self.processor_s * factor
        return Timing(self.median_s * factor, self.low_s * factor, self.high_s * factor, self.calls, spent)


@dataclass(frozen=True)
class Row:
    """One size of a case.

    Attributes
    ----------
    size : int
        In the case's unit.
    ours : Timing
    peers : dict of Timing
        Seconds for the same work.
    floor_s : float, optional
        What the machine can't go below, see the case's ``floor``.
    peak_mb : float, optional
        Memory that our own call took at most, above what was there before it.
    reach : float, optional
        Ratio to the first peer that was aimed at for this size.
    note : str
        For example that a peer was timed on a part of the work.
    """

    size: int
    ours: Timing
    peers: dict[str, Timing]
    floor_s: float | None = None
    peak_mb: float | None = None
    reach: float | None = None
    note: str = ""

    def ratio(self, peer: str) -> float:
        """Return how many times as long the peer takes."""
        return self.peers[peer].median_s / self.ours.median_s


@dataclass(frozen=True)
class Case:
    """One piece of work at several sizes, as measured.

    Attributes
    ----------
    name : str
    unit : str
        Of the sizes: "sites", "cells" …
    rows : list of Row
    floor : str
        How the floor is worked out, in a sentence.
    first_call_s : float, optional
        Of a new process, compiling included.
    """

    name: str
    unit: str
    rows: list[Row]
    floor: str = ""
    first_call_s: float | None = None


def interleaved(
    repeats: int | Mapping[str, int], cases: Mapping[str, Callable[[], Any]]
) -> tuple[dict[str, Timing], dict[str, Any]]:
    """Time several callables in turn: the first call of each, then the second of each, and so on.

    Parameters
    ----------
    repeats : int or mapping of int
        Calls of each; with a mapping, a costly one can have fewer.
    cases : mapping of callables
        Compile and warm up beforehand what should not be timed.

    Returns
    -------
    timings : dict of Timing
    results : dict
        What each returned last.
    """
    wanted = {name: repeats if isinstance(repeats, int) else repeats[name] for name in cases}
    seconds: dict[str, list[float]] = {name: [] for name in cases}
    spent: dict[str, list[float]] = {name: [] for name in cases}
    results: dict[str, Any] = {}
    for turn in range(max(wanted.values())):
        for name, call in cases.items():
            if turn >= wanted[name]:
                continue
            results.pop(name, None)
            gc.collect()
            start, start_of_processors = time.perf_counter(), time.process_time()
            results[name] = call()
            seconds[name].append(time.perf_counter() - start)
            spent[name].append(time.process_time() - start_of_processors)
    timings = {
        name: Timing(statistics.median(taken), min(taken), max(taken), len(taken), statistics.median(spent[name]))
        for name, taken in seconds.items()
    }
    return timings, results


def cores() -> int:
    """Return the processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def memory_bandwidth(megabytes: int = 512, repeats: int = 7) -> float:
    """Return bytes a second that all cores together read and write when they copy arrays far larger than any cache."""
    threads = cores()
    length = megabytes * 1_000_000 // 16 // threads
    pairs = [(np.ones(length), np.zeros(length)) for _ in range(threads)]
    taken = []
    with ThreadPoolExecutor(threads) as pool:
        for _ in range(repeats):
            start = time.perf_counter()
            list(pool.map(lambda pair: np.copyto(pair[1], pair[0]), pairs))
            taken.append(time.perf_counter() - start)
    return 16 * length * threads / statistics.median(taken)


def growth_exponent(sizes: Sequence[float], seconds: Sequence[float]) -> float | None:
    """Return b of ``seconds = a * size ** b`` by least squares on logarithms; None for fewer than two sizes."""
    if len(sizes) < 2:
        return None
    return float(np.polyfit(np.log(np.asarray(sizes, float)), np.log(np.asarray(seconds, float)), 1)[0])


def peak_mb(call: Callable[[], Any]) -> float | None:
    """Return the megabytes that a call takes at most, above what is there before it; None where that isn't known.

    The call is made in a fork of this process, whose highest resident size the system keeps (Linux only).
    """
    if not Path("/proc/self/clear_refs").exists():
        return None
    context = multiprocessing.get_context("fork")
    receive, send = context.Pipe(duplex=False)

    def child() -> None:
        gc.collect()
        # What was freed before and not yet given back would be used again without being counted.
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL("libc.so.6").malloc_trim(0)
        Path("/proc/self/clear_refs").write_text("5")
        before = _resident("VmRSS")
        kept = call()
        send.send((_resident("VmHWM") - before) / 1e6)
        del kept

    process = context.Process(target=child)
    process.start()
    send.close()
    try:
        return round(float(receive.recv()), 1)
    except EOFError:
        return None
    finally:
        process.join()


def first_call_s(code: str) -> float:
    """Return the seconds that a line of code takes in a new process with nothing compiled on disk.

    The code sets things up before a line ``# timed``; what follows is timed.
    """
    before, after = code.split("# timed\n")
    script = f"import time\n{before}\nstart = time.perf_counter()\n{after}\nprint(time.perf_counter() - start)"
    with tempfile.TemporaryDirectory() as empty:
        done = subprocess.run(
            [sys.executable, "-c", script], env={**os.environ, "NUMBA_CACHE_DIR": empty}, cwd=HERE,
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    return float(done.stdout.split()[-1])


def _resident(which: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(which + ":"):
            return int(line.split()[1]) * 1024
    raise OSError(f"{which} is not told")


def machine() -> dict[str, Any]:
    """Return what the times depend on: processor, cores, memory, system, what else runs, and versions."""
    versions = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            versions[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    load = round(os.getloadavg()[1], 1) if hasattr(os, "getloadavg") else None
    return {"processor": _processor(), "cores": cores(), "memory_gb": _memory_gb(), "system": platform.system(),
            "load": load, "versions": versions}  # fmt: skip


def _processor() -> str:
    listed = Path("/proc/cpuinfo")
    if listed.exists():
        for line in listed.read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def _memory_gb() -> int | None:
    try:
        return round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9)
    except (AttributeError, ValueError, OSError):
        return None


@dataclass(frozen=True)
class Survey:
    """An invented survey.

    Attributes
    ----------
    easting, northing : arrays of shape (n,)
        Metres, half of the sites spread evenly and half in clusters.
    count : array of int, shape (n, traits)
        Shells of each of several morphs, which shift along clines and scatter from site to site.
    total : array of int, shape (n,)
        Shells judged, 5 to 80 a site.
    """

    easting: np.ndarray
    northing: np.ndarray
    count: np.ndarray
    total: np.ndarray
    extent_m: float = field(default=100_000.0)

    @property
    def frequency(self) -> np.ndarray:
        """Return the share of each morph at each site."""
        return self.count / self.total[:, np.newaxis]


def invented_survey(sites: int, *, traits: int = 12, extent_m: float = 100_000.0, seed: int = 1) -> Survey:
    """Return an invented survey, the same for the same arguments."""
    rng = np.random.default_rng(seed)
    spread = sites // 2
    middles = rng.uniform(0, extent_m, (max(3, sites // 40), 2))
    scatter = rng.normal(0, 2 * extent_m / math.sqrt(sites), (sites - spread, 2))
    clustered = middles[rng.integers(len(middles), size=sites - spread)] + scatter
    places = np.vstack([rng.uniform(0, extent_m, (spread, 2)), clustered % extent_m])
    places = places[rng.permutation(sites)]
    centre, width = rng.uniform(0.2, 0.8, traits), rng.uniform(0.3, 1.5, traits) * rng.choice([-1, 1], traits)
    logit = 4 * (places[:, :1] / extent_m - centre) / width + rng.normal(0, 0.7, (sites, traits))
    share = np.exp(logit - logit.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    total = rng.integers(5, 81, sites)
    return Survey(places[:, 0].copy(), places[:, 1].copy(), rng.multinomial(total, share), total, extent_m)


def run_script(path: str, title: str, measure: Callable[[bool], list[Case]], limits: Mapping[str, str]) -> None:
    """Run a script: measure, print, and keep the results unless ``--quick`` is given.

    Parameters
    ----------
    path : str
        Name of the results' file.
    title : str
        Heading of the path in the table.
    measure : callable
        Takes whether to be quick (the smallest size alone, few calls) and returns the cases.
    limits : mapping of str
        As :func:`section` takes it.
    """
    parser = argparse.ArgumentParser(description=title)
    parser.add_argument("--quick", action="store_true", help="the smallest size alone; nothing is kept")
    quick = parser.parse_args().quick
    cases = measure(quick)
    kept = {
        "path": path,
        "title": title,
        "date": date.today().isoformat(),
        "machine": machine(),
        "cases": [asdict(case) for case in cases],
    }
    print("\n".join(section(kept, limits)))
    if not quick:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / f"{path}.json").write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


def section(kept: Mapping[str, Any], limits: Mapping[str, str]) -> list[str]:
    """Return the lines of a path's section of the table.

    Parameters
    ----------
    kept : mapping
        What a script measured.
    limits : mapping of str
        By the name of a case what takes the time and stands between the case and its floor: found by whoever profiled
        it, so that it stands in the script and not among the results.
    """
    facts = kept["machine"]
    versions = ", ".join(f"{name} {version}" for name, version in facts["versions"].items())
    lines = [f"## {kept['title']}", ""]
    lines += [f"{kept['date']}; {facts['processor']}, {facts['cores']} cores, {facts['memory_gb']} GB; {versions}.", ""]
    if facts.get("load"):
        busy = f"Processes that wanted a core on average when it ended, our own included: {facts['load']:g}."
        lines += [f"{busy} Where they are more than the cores, work on several cores gains less than it could.", ""]
    for case in kept["cases"]:
        lines += _table(case, limits.get(case["name"], ""))
    return lines


def _table(case: Mapping[str, Any], limits: str) -> list[str]:
    rows = [
        Row(**{**row, "ours": Timing(**row["ours"]), "peers": {name: Timing(**t) for name, t in row["peers"].items()}})
        for row in case["rows"]
    ]
    peers = list(dict.fromkeys(name for row in rows for name in row.peers))
    heads = [case["unit"], "morphcline, s"]
    for name in peers:
        heads += [f"{name}, s", "ratio"]
    heads += ["aimed at", "floor, s", "times the floor", "memory, MB"]
    lines = [f"### {case['name']}", "", "| " + " | ".join(heads) + " |", "|" + "---:|" * len(heads)]
    notes: dict[str, int] = {}
    for row in rows:
        mark = f" ({notes.setdefault(row.note, len(notes) + 1)})" if row.note else ""
        cells = [f"{row.size:,}{mark}", _seconds(row.ours)]
        for name in peers:
            cells += [_seconds(row.peers[name]), f"**{_plain(row.ratio(name))}**"] if name in row.peers else ["", ""]
        cells.append(f"{row.reach:g}" if row.reach else "")
        cells += [_plain(row.floor_s), _plain(row.ours.median_s / row.floor_s)] if row.floor_s else ["", ""]
        cells.append(f"{row.peak_mb:,.0f}" if row.peak_mb is not None else "")
        lines.append("| " + " | ".join(cells) + " |")
    lines.append("")
    lines += [f"({number}) {note}" for note, number in notes.items()]
    said = []
    grows = [("our time", rows, [row.ours for row in rows])]
    for name in peers:
        having = [row for row in rows if name in row.peers]
        grows.append((f"that of {name}", having, [row.peers[name] for row in having]))
    told = [
        f"{what} with size to the power of {exponent:.2f}"
        for what, having, timings in grows
        if (exponent := growth_exponent([row.size for row in having], [timing.median_s for timing in timings]))
        is not None
    ]
    if told:
        said.append("Growth: " + ", ".join(told) + ".")
    said += [sentence for name in peers if (sentence := _in_processor_time(rows, name))]
    if case["first_call_s"] is not None:
        said.append(f"The first call of a new process, compiling included: {case['first_call_s']:.1f} s.")
    if case["floor"]:
        said.append(f"Floor: {case['floor']}")
    if limits:
        said.append(f"Limits, by a profile made by hand: {limits}")
    for sentence in said:
        lines += ["", sentence] if lines[-1] else [sentence]
    return [*lines, ""]


def _in_processor_time(rows: Sequence[Row], peer: str) -> str:
    """Return a sentence on the ratios that don't depend on how many cores were free; "" where they aren't known."""
    ratios = [
        f"{_plain(theirs / row.ours.processor_s)} at {row.size:,}"
        for row in rows
        if peer in row.peers and row.ours.processor_s and (theirs := row.peers[peer].processor_s)
    ]
    return f"Ratio to {peer} in processor time, all cores' added up: {', '.join(ratios)}." if ratios else ""


def _seconds(timing: Timing) -> str:
    spread = f" ({_plain(timing.low_s)}–{_plain(timing.high_s)}, {timing.calls})" if timing.calls > 1 else " (1)"
    return _plain(timing.median_s) + spread


def _plain(number: float) -> str:
    """Return three significant digits without an exponent."""
    if number == 0 or not math.isfinite(number):
        return str(number)
    digits = max(0, 2 - math.floor(math.log10(abs(number))))
    return f"{number:,.{digits}f}"
