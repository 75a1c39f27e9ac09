"""Run the simulations and write the summary: ``python tests/simulation/summary.py [--topic NAME] [--surveys 500]``.

Without ``--topic`` every topic is run. ``--write-only`` makes the summary anew from the rates kept.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from simulation import proof  # noqa: E402  the tests are no package that is installed

TITLES = {"coverage": "coverage of 95 % intervals", "size": "size at 5 %", "power": "power", "mean": "mean"}


def topics() -> list[str]:
    """Return the topics: every module ``test_<topic>.py`` that holds ``CASES``."""
    return sorted(
        path.stem.removeprefix("test_")
        for path in HERE.glob("test_*.py")
        if "\nCASES" in path.read_text(encoding="utf-8")
    )


def written() -> str:
    """Return the summary of the rates kept."""
    lines = [
        "# What the methods hold, by simulation",
        "",
        "Surveys with a known truth are invented, analysed, and counted: how often a 95 % interval holds the truth, "
        "how often a test at 5 % rejects where nothing is there, how often it sees what is. The promise is coverage of "
        "92 to 98 % and a size of 3 to 7 %; where a row falls outside, its note says why and what the program says. "
        "In brackets: the 95 % interval of the simulated rate itself. `known` counts the surveys in which the method "
        "gave an answer.",
        "",
        "Made by `python tests/simulation/summary.py` (one topic: `--topic NAME`), which draws the same surveys each "
        "time.",
    ]
    for topic in topics():
        if not (proof.RATES / f"{topic}.csv").is_file():
            continue
        lines += ["", f"## {topic.replace('_', ' ').capitalize()}", ""]
        lines += ["| surveys | what | kind | rate or mean | wanted | holds | n | known | note |", "|" + "---|" * 9]
        notes: dict[str, int] = {}
        for row in proof.kept(topic):
            wanted = f"{row['wanted_low'] or '…'} to {row['wanted_high'] or '…'}"
            if wanted == "… to …":
                wanted = "told"
            rate = f"{row['value']} ({row['low']} to {row['high']})"
            cells = [
                row["case"], row["what"], TITLES[row["kind"]], rate, wanted,
                "yes" if proof.holds(row) else "**no**", row["surveys"], row["known"],
                str(notes.setdefault(row["note"], len(notes) + 1)) if row["note"] else "",
            ]  # fmt: skip
            lines.append("| " + " | ".join(cells) + " |")
        lines += [""] * bool(notes) + [f"{number}. {note[0].upper()}{note[1:]}." for note, number in notes.items()]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run what is asked for and write the summary."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--topic", action="append", choices=topics())
    parser.add_argument("--surveys", type=int, default=proof.SURVEYS)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--write-only", action="store_true")
    asked = parser.parse_args()
    for topic in [] if asked.write_only else asked.topic or topics():
        began = time.monotonic()
        print(topic, flush=True)
        cases = importlib.import_module(f"simulation.test_{topic}").CASES
        proof.keep(topic, cases, asked.surveys, processes=asked.processes)
        print(f"  {time.monotonic() - began:.0f} s", flush=True)
    (HERE / "README.md").write_text(written(), encoding="utf-8")


if __name__ == "__main__":
    main()
