"""The benchmarks run: every script at its smallest size. Nothing is timed against a limit here."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
SCRIPTS = sorted(
    path.name
    for path in HERE.glob("*.py")
    if path.name not in {"all.py", "measuring.py"} and not path.name.startswith("test_")
)


def measuring():
    specification = importlib.util.spec_from_file_location("measuring", HERE / "measuring.py")
    module = importlib.util.module_from_spec(specification)
    sys.modules["measuring"] = module
    specification.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_runs_at_its_smallest_size(script):
    done = subprocess.run([sys.executable, HERE / script, "--quick"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "morphcline, s" in done.stdout


def test_the_growth_exponent_is_that_of_a_power():
    helpers = measuring()
    assert helpers.growth_exponent([1, 10, 100], [2, 2 * 10**1.5, 2 * 10**3]) == pytest.approx(1.5)
    assert helpers.growth_exponent([10], [1]) is None


def test_callables_take_turns_and_the_median_is_kept():
    helpers = measuring()
    called = []
    timings, results = helpers.interleaved(
        {"a": 3, "b": 2}, {"a": lambda: called.append("a") or 1, "b": lambda: called.append("b") or 2}
    )
    assert called == ["a", "b", "a", "b", "a"]
    assert results == {"a": 1, "b": 2}
    assert (timings["a"].calls, timings["b"].calls) == (3, 2)
    assert timings["a"].low_s <= timings["a"].median_s <= timings["a"].high_s


def test_a_section_tells_the_ratio_of_medians():
    helpers = measuring()
    ours, peer = helpers.Timing(2.0, 1.0, 3.0, 3), helpers.Timing(30.0, 20.0, 40.0, 3)
    row = helpers.Row(1000, ours, {"peer": peer}, floor_s=0.5, reach=10, note="a part")
    case = helpers.Case("work", "sites", [row], floor="as said.")
    from dataclasses import asdict

    lines = helpers.section(
        {"title": "Path", "date": "2000-01-01", "machine": helpers.machine(), "cases": [asdict(case)]},
        {"work": "none."},
    )
    line = next(line for line in lines if line.startswith("| 1,000"))
    assert [cell.strip() for cell in line.strip("|").split("|")] == [
        "1,000 (1)", "2.00 (1.00–3.00, 3)", "30.0 (20.0–40.0, 3)", "**15.0**", "10", "0.500", "4.00", "",
    ]  # fmt: skip
    assert "(1) a part" in lines
    assert "Limits, by a profile made by hand: none." in lines
    assert not any("processor time" in line for line in lines), "it isn't known here"


def test_the_ratio_in_processor_time_is_told_where_it_is_known():
    helpers = measuring()
    ours, peer = helpers.Timing(2.0, 2.0, 2.0, 3, processor_s=4.0), helpers.Timing(30.0, 30.0, 30.0, 1, processor_s=6.0)
    case = helpers.Case("work", "sites", [helpers.Row(1000, ours, {"peer": peer.times(12)})])
    assert helpers._in_processor_time(case.rows, "peer").endswith("18.0 at 1,000.")


def test_the_table_is_that_of_the_results_kept():
    """Whoever measures anew writes the table too."""
    done = subprocess.run(
        [sys.executable, "-c", "import all as table; print(table.written(), end='')"],
        capture_output=True, text=True, check=True, cwd=HERE,
    )  # fmt: skip
    assert done.stdout == (HERE / "README.md").read_text(encoding="utf-8")
