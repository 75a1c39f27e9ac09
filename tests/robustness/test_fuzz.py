"""Readers under inputs that nobody should write; and the fuzzer itself, which must be able to fail."""

from __future__ import annotations

import random
import re
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

import coverage_guided
from fuzz import fuzz, peak_mb, report
from readers import READERS, Reader, feed_banding, feed_date, feed_number, feed_problem, feed_reference, feed_word

from morphcline.records.numbers import UnreadableNumber, read_count, read_degrees, read_metres, read_number
from morphcline.scoring.formulas import UnreadableBanding, read_banding

NOWHERE = Path()


def _failures(inputs: int, seed: int) -> list[str]:
    counts = fuzz(inputs, seed)
    assert sum(count.inputs for count in counts) >= inputs
    assert all(count.inputs == count.read + count.refused + count.failed for count in counts)
    many = [count for count in counts if count.inputs >= 100 and count.reader != "messages"]
    assert all(count.read and count.refused for count in many), report(counts, seed, 0)
    return [f"{count.reader}: {failure}" for count in counts for failure in count.failures]


def test_some_thousand_inputs_end_in_results_or_sentences() -> None:
    assert _failures(2000, seed=int(time.time()) // 86_400) == []  # others every day; a failure prints its input


@pytest.mark.slow
def test_twenty_thousand_inputs_end_in_results_or_sentences_within_bounded_memory() -> None:
    assert _failures(20_000, seed=11) == []
    assert peak_mb() < 2000


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="atheris has wheels for Linux alone")
def test_inputs_led_by_coverage_end_in_results_or_sentences(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("atheris", reason='the extra "fuzz" is not installed')
    monkeypatch.setattr(sys, "argv", ["coverage_guided.py", "--inputs", "10000", "--seed", "5"])
    status = coverage_guided.main()
    printed = capsys.readouterr().out
    assert status == 0, printed
    assert re.search(r"[\d,]{5,} inputs, seed 5: 0 readers failed", printed)


def test_the_same_seed_gives_the_same_inputs() -> None:
    for reader in READERS:
        one, two = (reader.make(random.Random(f"5 {reader.name} 3")) for _ in range(2))
        assert one == two


def _breaks(_input: str, _folder: Path) -> bool:
    raise ZeroDivisionError("not meant for people")


def _hangs(_input: str, _folder: Path) -> bool:
    while True:
        pass


@pytest.mark.parametrize(("feed", "told"), [(_breaks, "ZeroDivisionError"), (_hangs, "TookTooLongError")])
def test_a_reader_that_breaks_or_hangs_is_counted(feed: object, told: str, tmp_path: Path) -> None:
    if feed is _hangs and sys.platform == "win32":
        pytest.skip("nothing interrupts a loop there")
    reader = Reader("broken", 1, lambda rng: str(rng.random()), feed, 0.2)  # type: ignore[arg-type]
    (count,) = fuzz(2, 1, readers=(reader,), keep=tmp_path)
    assert (count.inputs, count.failed, count.read) == (2, 2, 0)
    assert told in count.failures[0]
    assert len(list(tmp_path.iterdir())) == 2


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_by_every_reader_of_cells(text: str) -> None:
    for feed in (feed_banding, feed_reference, feed_date, feed_number, feed_word, feed_problem):
        feed(text, NOWHERE)


@given(st.from_regex(r"\A[YPB]?[0-5(:\[][0-5():\[\]]{0,8}\Z"))
def test_what_looks_like_a_formula_keeps_its_bands_or_is_refused(text: str) -> None:
    feed_banding(text, NOWHERE)
    try:
        found = read_banding(text)
    except UnreadableBanding:
        return
    present = {sign for sign in found.formula if sign in "12345"}
    assert present <= {sign for sign in text if sign in "12345"}  # no band that wasn't written
    assert len([sign for sign in found.formula if sign not in "()"]) == 5


@given(st.from_regex(r"\A[NSEW]? ?[+-]?\d{1,3}([.,]\d{0,6})?°?( ?\d{1,2}'?( ?\d{1,2}\"?)?)?[NSEW]?\Z"))
def test_what_looks_like_an_angle_is_read_or_refused(text: str) -> None:
    feed_number(text, NOWHERE)


# What the fuzzer found, kept.


@pytest.mark.parametrize("reader", [read_number, read_metres, lambda text: read_degrees(text, "latitude")])
@pytest.mark.parametrize("text", ["1e999", "1e312", "37217211101e308", "9" * 400, "9" * 5000 + "N"])
def test_a_number_without_end_is_refused(reader: object, text: str) -> None:
    with pytest.raises(
        UnreadableNumber, match=r"can be meant|more than any number|no distance|can't be read|is larger"
    ):
        reader(text)  # type: ignore[operator]


def test_thousands_of_figures_are_refused_at_once() -> None:
    started = time.process_time()
    for text in ("0" * 20_000, "9" * 20_000 + " x", "1 " * 9000):
        for reader in (read_count, read_number, read_metres, lambda cell: read_degrees(cell, "longitude")):
            with pytest.raises(UnreadableNumber, match=r"characters|more than anyone|not a whole number"):
                reader(text)  # type: ignore[operator]
    assert time.process_time() - started < 1.0
