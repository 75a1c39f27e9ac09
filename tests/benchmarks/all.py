"""Run the benchmarks and write the table: ``python tests/benchmarks/all.py [--only NAME …]``.

``--write-only`` makes the table anew from the results kept; ``--quick`` runs the smallest sizes and keeps nothing.
"""

from __future__ import annotations

import argparse
import importlib
import json
import subprocess
import sys
from pathlib import Path

from measuring import HERE, RESULTS, section

TABLE = HERE / "README.md"
_NOT_PATHS = {"all.py", "measuring.py"}


def scripts() -> list[Path]:
    """Return the scripts, one a path, by name."""
    return sorted(
        path for path in HERE.glob("*.py") if path.name not in _NOT_PATHS and not path.name.startswith("test_")
    )


def written() -> str:
    """Return the table of the results kept."""
    lines = [
        "# How fast, how large",
        "",
        "What the program's heavy paths take, beside general libraries that do the same work. Made by "
        "`python tests/benchmarks/all.py` (some paths: `--only NAME`), which runs every script of this folder and "
        "writes this page; `--write-only` makes it anew from `results/`.",
        "",
        "A peer's calls stand between ours in the same run. A time is the median of the calls, in brackets the "
        "quickest, the slowest and how many; a ratio is the peer's median over ours. Seconds depend on the machine "
        "and on what else it does: read the ratios. Compiling is outside every time, the peers' too, unless a row "
        "says otherwise. "
        "The floor is what the machine can't go below for the work as it is described; memory is what our call took "
        "at most above what was there before. What is said of limits was found by profiling, when the code was "
        "written: no run measures it. None of this is a test: nothing fails when it is slow.",
        "",
    ]
    for path in sorted(RESULTS.glob("*.json")):
        lines += section(json.loads(path.read_text(encoding="utf-8")), importlib.import_module(path.stem).LIMITS)
    return "\n".join(lines).rstrip() + "\n"


def main() -> int:
    """Run what is asked for; return how many scripts failed."""
    parser = argparse.ArgumentParser(description="Run the benchmarks and write the table.")
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME", help="these paths alone")
    parser.add_argument("--quick", action="store_true", help="the smallest sizes; nothing is kept or written")
    parser.add_argument("--write-only", action="store_true", help="write the table from the results kept")
    asked = parser.parse_args()
    known = {path.stem: path for path in scripts()}
    unknown = sorted(set(asked.only) - set(known))
    if unknown:
        parser.error(f"no such path: {', '.join(unknown)}; there are {', '.join(known)}")
    failed = 0
    if not asked.write_only:
        for name in asked.only or known:
            print(f"== {name}", flush=True)
            command = [sys.executable, str(known[name]), *(["--quick"] if asked.quick else [])]
            failed += subprocess.run(command, check=False).returncode != 0
    if not asked.quick:
        TABLE.write_text(written(), encoding="utf-8")
    return failed


if __name__ == "__main__":
    sys.exit(main())
