"""Dates as people write them, kept exactly as precise as they were given.

A year, a month, a day, or an interval of any of them becomes ISO 8601 text. Nothing is filled in: "May 2021" stays
``2021-05``. Years of two digits are refused, for which century is meant can't be told.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from morphcline.language import Said

Order = Literal["day-first", "month-first", "year-first"]

#: Before it there is no record of these species under a name that can be trusted: Linnaeus named them in 1758.
EARLIEST_YEAR = 1758

_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
           "december")  # fmt: skip
_MONTH = {name[:length]: k for k, name in enumerate(_MONTHS, start=1) for length in range(3, len(name) + 1)}
_NAME = r"(?P<name>[a-z]{3,9})\.?"
_TIME = re.compile(r"[t ]\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?\s*(z|[+-]\d{2}:?\d{2})?$")
_ISO = re.compile(r"(\d{4})(?:[-/.](\d{1,2})(?:[-/.](\d{1,2}))?)?")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_NUMERIC = re.compile(r"(\d{1,2})\s*[-/. ]\s*(\d{1,2})\s*[-/. ]\s*(\d{4})")
_MONTH_YEAR = re.compile(r"(\d{1,2})[-/.](\d{4})")
_SHORT_YEAR = re.compile(r"\d{1,2}\s*[-/. ]\s*(\d{1,2}|[a-z]{3,9})\s*[-/., ]\s*'?\d{2}|(?:[a-z]{3,9})[-/. ]+'?\d{2}")
_DAY_NAME_YEAR = re.compile(rf"(?P<day>\d{{1,2}})(?:st|nd|rd|th)?(?: of)?[-/. ]*{_NAME}[-/., ]*(?P<year>\d{{4}})")
_NAME_DAY_YEAR = re.compile(rf"{_NAME}[-/. ]*(?P<day>\d{{1,2}})(?:st|nd|rd|th)?[-/., ]+(?P<year>\d{{4}})")
_NAME_YEAR = re.compile(rf"{_NAME}[-/., ]*(?P<year>\d{{4}})")
_DAYS_WITHIN = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?\s*(?:-|to|and|&)\s*(\d{1,2}(?:st|nd|rd|th)?[-/. ]+\S.*)")
_JOINED = re.compile(r"\s+(?:-|to|until|till)\s+|\s*\.\.+\s*")
_ISO_RANGE = re.compile(r"(\d{4}(?:-\d{2}){0,2})/(\d{4}(?:-\d{2}){0,2})|(\d{4})-(\d{4})")
_ISO_DAYS = re.compile(r"(\d{4}-\d{2}-)(\d{2})/(\d{2})")
_DAY_NUMBER = re.compile(r"(\d{5})(?:[.,]\d+)?")
_ACCEPTED = "expected a date such as 2021-05-03, 3 May 2021, 2021-05 or 2021"


class UnreadableDate(ValueError):  # noqa: N818 - named as its siblings for colours and formulas
    """A text that isn't a date, or one that could be two; the message says what was found and what is accepted."""


@dataclass(frozen=True)
class When:
    """A date, or an interval, as precise as it was written.

    Parameters
    ----------
    text : str
        ISO 8601: ``YYYY``, ``YYYY-MM``, ``YYYY-MM-DD``, or two of them joined by ``/``.
    first, last : date
        The first and the last day it can mean.
    """

    text: str
    first: dt.date
    last: dt.date

    @property
    def year(self) -> int:
        """The year in which it begins."""
        return self.first.year


@dataclass(frozen=True)
class FoundOrder:
    """The order of day and month in a file's numeric dates.

    Parameters
    ----------
    order : {"day-first", "month-first"}
    warning : str
        What a person should know about how it was found; often empty.
    """

    order: Order
    warning: str = ""


def today(environment: Mapping[str, str] = os.environ) -> dt.date:
    """Return today's date, or that of ``SOURCE_DATE_EPOCH`` (seconds since 1970, UTC) where the variable is set."""
    epoch = environment.get("SOURCE_DATE_EPOCH", "").strip()
    if epoch.isdigit():
        return dt.datetime.fromtimestamp(int(epoch), tz=dt.UTC).date()
    return dt.datetime.now(tz=dt.UTC).date()


def detect_order(texts: Iterable[str]) -> FoundOrder:
    """Find whether a file's dates such as 03/04/2024 put the day or the month first.

    A first number above 12 can only be a day, a second one only follows a month. Where a file holds both kinds the
    commoner wins and the others can't be read; where it holds neither, the day is taken to come first.

    Parameters
    ----------
    texts : iterable of str
        The different texts of the date column.
    """
    day_first = month_first = either = 0
    for text in texts:
        for part in _parts(_plain(text)):
            if found := _NUMERIC.fullmatch(part):
                first, second = int(found[1]), int(found[2])
                day_first += first > 12 >= second
                month_first += second > 12 >= first
                either += first <= 12 and second <= 12 and first != second
    order: Order = "month-first" if month_first > day_first else "day-first"
    if day_first and month_first:
        return FoundOrder(
            order,
            Said(
                "some dates put the day first and some the month; they were read {order}, and those that don't fit "
                'were rejected: set dates = "day-first" or "month-first" and mend the others',
                order=order,
            ),
        )
    if either and not (day_first or month_first):
        return FoundOrder(
            order,
            Said(
                "no date shows whether the day or the month comes first; they were read day-first: "
                'set dates = "day-first" or "month-first"'
            ),
        )
    return FoundOrder(order)


def read_date(text: str, order: Order = "day-first") -> When:
    """Return what a recorder wrote for the date.

    Parameters
    ----------
    text : str
        ISO dates (a time of day is left out), numeric dates with the year last, dates with an English month, a month
        and year, a year alone, and intervals of these.
    order : {"day-first", "month-first", "year-first"}
        Of numeric dates with the year last; with "year-first" those are refused.

    Raises
    ------
    UnreadableDate

    Examples
    --------
    >>> read_date("3rd of May 2021").text, read_date("05/2021").text, read_date("12-14 May 2021").text
    ('2021-05-03', '2021-05', '2021-05-12/2021-05-14')
    >>> read_date("03/04/2024", "month-first").text
    '2024-03-04'
    """
    parts = _parts(_plain(text))
    if len(parts) == 1:
        return _single(parts[0], text, order)
    if len(parts) == 2:
        first, last = (_single(part, text, order) for part in parts)
        if last.last < first.first:
            raise UnreadableDate(f'the interval "{text}" ends before it begins')
        if first.text == last.text:
            return first
        return When(f"{first.text}/{last.text}", first.first, last.last)
    raise UnreadableDate(f'"{text}" is not a date; {_ACCEPTED}')


def read_day_number(text: str, day_zero: dt.date) -> When | None:
    """Return the day that a workbook's plain number stands for; None for texts that aren't such a number.

    Parameters
    ----------
    text : str
        Five digits, so from 1927 on; a fraction is the time of day.
    day_zero : date
        The day numbered 0: 1899-12-30 or 1904-01-01.

    Examples
    --------
    >>> read_day_number("46143", dt.date(1899, 12, 30)).text
    '2026-05-01'
    """
    found = _DAY_NUMBER.fullmatch(text.strip())
    if found is None:
        return None
    day = day_zero + dt.timedelta(days=int(found[1]))
    return When(day.isoformat(), day, day)


def _plain(text: str) -> str:
    plain = " ".join(text.casefold().replace("–", "-").replace("—", "-").split())
    return _TIME.sub("", plain)


def _parts(plain: str) -> list[str]:
    """Part an interval into its ends, written out in full."""
    if found := _ISO_RANGE.fullmatch(plain):
        return [part for part in found.groups() if part]
    if found := _ISO_DAYS.fullmatch(plain):
        return [found[1] + found[2], found[1] + found[3]]
    joined = [_TIME.sub("", part.strip()) for part in _JOINED.split(plain)]
    if len(joined) > 1 and not joined[0].isdigit():  # "3 to 5 May 2021" is parted below
        return joined
    if (found := _DAYS_WITHIN.fullmatch(plain)) and not (_NUMERIC.fullmatch(plain) or _SHORT_YEAR.fullmatch(plain)):
        return [_with_day(found[2], found[1]), found[2]]
    return joined


def _with_day(rest: str, day: str) -> str:
    return re.sub(r"^\d{1,2}", day, rest)


def _single(plain: str, text: str, order: Order) -> When:
    if found := _ISO.fullmatch(plain) or _COMPACT.fullmatch(plain):
        year, month, day = (int(part) if part else None for part in found.groups())
        return _when(text, year, month, day)
    if found := _NUMERIC.fullmatch(plain):
        return _numeric(found, text, order)
    if found := _MONTH_YEAR.fullmatch(plain):
        return _when(text, int(found[2]), int(found[1]), None)
    for pattern in (_DAY_NAME_YEAR, _NAME_DAY_YEAR, _NAME_YEAR):
        found = pattern.fullmatch(plain)
        if found and found["name"] in _MONTH:
            day = int(found["day"]) if "day" in found.groupdict() else None
            return _when(text, int(found["year"]), _MONTH[found["name"]], day)
    if _SHORT_YEAR.fullmatch(plain):
        raise UnreadableDate(f'the date "{text}" has a year of two digits; write the year in full')
    if _DAY_NUMBER.fullmatch(plain):
        raise UnreadableDate(
            f'"{text}" is a spreadsheet\'s number for a day, not a date; '
            "format the column as a date in the spreadsheet and save the file again"
        )
    raise UnreadableDate(f'"{text}" is not a date; {_ACCEPTED}')


def _numeric(found: re.Match[str], text: str, order: Order) -> When:
    first, second, year = (int(part) for part in found.groups())
    if order == "year-first":
        raise UnreadableDate(f'the date "{text}" doesn\'t begin with its year, as dates = "year-first" promises')
    day, month = (first, second) if order == "day-first" else (second, first)
    if month > 12 >= day:
        raise UnreadableDate(f'the date "{text}" can\'t be read {order}, as the dates of this file are')
    return _when(text, year, month, day)


def _when(text: str, year: int | None, month: int | None, day: int | None) -> When:
    if year is None or year < EARLIEST_YEAR:
        raise UnreadableDate(f'the date "{text}" lies before {EARLIEST_YEAR}; {_ACCEPTED}')
    try:
        first = dt.date(year, 1 if month is None else month, 1 if day is None else day)
    except ValueError as error:
        raise UnreadableDate(f'there is no such day as "{text}"; {_ACCEPTED}') from error
    if day is not None:
        return When(first.isoformat(), first, first)
    if month is not None:
        following = dt.date(year + month // 12, month % 12 + 1, 1) if year < dt.MAXYEAR else dt.date.max
        return When(f"{year:04d}-{month:02d}", first, following - dt.timedelta(days=1))
    return When(f"{year:04d}", first, dt.date(year, 12, 31))
