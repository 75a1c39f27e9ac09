"""The committed summary: made of the rates kept, of enough surveys, and honest about what doesn't hold."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

from simulation import proof, summary


def test_the_summary_is_that_of_the_rates_kept() -> None:
    assert (Path(summary.__file__).parent / "README.md").read_text(encoding="utf-8") == summary.written()


@pytest.mark.parametrize("topic", summary.topics())
def test_each_rate_rests_on_enough_surveys_and_holds_or_says_why(topic: str) -> None:
    rows = proof.kept(topic)
    cases = importlib.import_module(f"simulation.test_{topic}").CASES
    assert {(row["case"], row["what"]) for row in rows} == {(case.name, what) for case in cases for what in case.wanted}
    for row in rows:
        assert int(row["surveys"]) >= proof.SURVEYS
        assert proof.holds(row) or row["note"], f"{row['case']}: {row['what']} {row['value']}"
