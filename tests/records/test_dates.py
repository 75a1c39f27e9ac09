"""Dates: kept as precise as written, never guessed."""

from __future__ import annotations

import contextlib
import datetime as dt

import pytest
from dateutil import parser as dateutil_parser
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.dates import UnreadableDate, detect_order, read_date, today


@pytest.mark.parametrize(
    ("text", "iso"),
    [
        ("2021", "2021"),
        ("2021-05", "2021-05"),
        ("2021-05-03", "2021-05-03"),
        ("2021/5/3", "2021-05-03"),
        ("20210503", "2021-05-03"),
        ("2021-05-03T17:20:00+02:00", "2021-05-03"),
        ("3/5/2021", "2021-05-03"),
        ("03.05.2021", "2021-05-03"),
        ("3 May 2021", "2021-05-03"),
        ("3rd of May, 2021", "2021-05-03"),
        ("May 3, 2021", "2021-05-03"),
        ("03-Sept-2021", "2021-09-03"),
        ("May 2021", "2021-05"),
        ("05/2021", "2021-05"),
        ("2019-2020", "2019/2020"),
        ("2021-05-12/14", "2021-05-12/2021-05-14"),
        ("12–14 May 2021", "2021-05-12/2021-05-14"),
        ("1 May 2021 to 3 June 2021", "2021-05-01/2021-06-03"),
        ("2021-05-12/2021-06", "2021-05-12/2021-06"),
        ("3/5/2021 - 5/5/2021", "2021-05-03/2021-05-05"),
        ("29/02/2020", "2020-02-29"),
    ],
)
def test_every_usual_way_of_writing_a_date_is_read(text: str, iso: str) -> None:
    assert read_date(text).text == iso


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("03/04/21", "write the year in full"),
        ("3 May 21", "write the year in full"),
        ("May '21", "write the year in full"),
        ("31/06/2025", "no such day"),
        ("29/02/2021", "no such day"),
        ("2021-13-01", "no such day"),
        ("44320", "spreadsheet's number"),
        ("summer", "is not a date"),
        ("1950s", "is not a date"),
        ("0201-05-03", "before 1758"),
        ("2022 to 2021", "ends before it begins"),
    ],
)
def test_what_is_no_date_is_refused_with_the_reason(text: str, why: str) -> None:
    with pytest.raises(UnreadableDate, match=why):
        read_date(text)


def test_day_and_month_follow_the_order_given() -> None:
    assert read_date("03/04/2024", "day-first").text == "2024-04-03"
    assert read_date("03/04/2024", "month-first").text == "2024-03-04"
    with pytest.raises(UnreadableDate, match="day-first"):
        read_date("04/13/2024", "day-first")
    with pytest.raises(UnreadableDate, match="year-first"):
        read_date("03/04/2024", "year-first")


def test_one_decisive_date_settles_a_files_order() -> None:
    assert detect_order(["03/04/2024", "13/04/2024"]).order == "day-first"
    found = detect_order(["03/04/2024", "04/13/2024"])
    assert (found.order, found.warning) == ("month-first", "")


def test_a_file_without_decisive_dates_is_read_day_first_and_says_so() -> None:
    found = detect_order(["03/04/2024"])
    assert found.order == "day-first"
    assert "whether the day or the month comes first" in found.warning
    assert not detect_order(["2024-04-03", "4 May 2024", "03/03/2024"]).warning


def test_a_file_with_both_orders_says_so() -> None:
    found = detect_order(["13/04/2024", "25/04/2024", "04/13/2024"])
    assert found.order == "day-first"
    assert "some dates put the day first" in found.warning


def test_an_interval_knows_its_first_and_last_day() -> None:
    when = read_date("2020-02/2021")
    assert (when.first, when.last, when.year) == (dt.date(2020, 2, 1), dt.date(2021, 12, 31), 2020)
    assert read_date("2020-02").last == dt.date(2020, 2, 29)


@given(st.dates(min_value=dt.date(1758, 1, 1)))
def test_iso_dates_agree_with_dateutil(day: dt.date) -> None:
    when = read_date(day.isoformat())
    assert when.first == when.last == dateutil_parser.isoparse(day.isoformat()).date()


@given(st.dates(min_value=dt.date(1758, 1, 1)))
def test_numeric_dates_agree_with_strptime(day: dt.date) -> None:
    for order, pattern in (("day-first", "%d/%m/%Y"), ("month-first", "%m/%d/%Y")):
        text = day.strftime(pattern)
        if day.year >= 1000:
            assert read_date(text, order).first == dt.datetime.strptime(text, pattern).date()  # type: ignore[arg-type]


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(UnreadableDate):  # any other exception fails the test
        when = read_date(text)
        assert when.first <= when.last


def test_today_can_be_fixed_from_outside() -> None:
    assert today({"SOURCE_DATE_EPOCH": "1609459200"}) == dt.date(2021, 1, 1)
    clock = today({})
    assert abs((clock - dt.datetime.now(tz=dt.UTC).date()).days) <= 1
