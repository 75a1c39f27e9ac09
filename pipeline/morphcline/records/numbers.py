"""Numbers as people write them: decimal commas, whole counts, degrees with minutes and compass letters."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

#: More shells than anyone counts in one row; beyond it a date or a formula slipped into the column.
LARGEST_COUNT = 1_000_000

_NUMBER = re.compile(r"[+-]?(\d+|\d{1,3}([ ']\d{3})+)([.,](\d*))?|[+-]?[.,](\d+)")
_SCIENTIFIC = re.compile(r"([+-]?\d+(?:[.,]\d+)?)[eE]([+-]?\d{1,3})")
_WHOLE = re.compile(r"([+-]?\d+)([.,]0{0,2})?")
_ANGLE = re.compile(
    r"(?P<front>[NSEW])?\s*(?P<sign>[+-])?\s*(?P<deg>\d+(?:[.,]\d*)?)\s*(?:°|º|\s|:)?\s*"
    r"(?:(?P<min>\d+(?:[.,]\d*)?)\s*(?:['′’]|\s|:)?\s*)?"
    r"(?:(?P<sec>\d+(?:[.,]\d*)?)\s*(?:\"|″|”|''|′′)?\s*)?"
    r"(?P<back>[NSEW])?",
    re.IGNORECASE,
)
_METRES = re.compile(r"(?P<number>.*?)\s*(?P<unit>km|kilomet(?:re|er)s?|m|met(?:re|er)s?)?\.?", re.IGNORECASE)
#: No number that anyone writes is longer.
_LONGEST = 60
_LARGEST_POWER = 300
_MINUS_SIGNS = str.maketrans({"−": "-", "–": "-", "‒": "-", "﹣": "-"})  # as word processors write them


class UnreadableNumber(ValueError):  # noqa: N818 - named as its siblings for colours and formulas
    """A text that isn't a number of the kind asked for; the message says what was found and what is accepted."""


@dataclass(frozen=True)
class Written:
    r"""A number and the size of one unit of its last place.

    Parameters
    ----------
    value : float
    unit : float
        0.001 for ``"6.123"``; for ``"51°26'46\"`` a second, in degrees.
    """

    value: float
    unit: float


def read_number(text: str) -> Written:
    """Return a number written with a decimal point or comma; blanks or apostrophes may part thousands.

    Raises
    ------
    UnreadableNumber

    Examples
    --------
    >>> read_number("451 200,5")
    Written(value=451200.5, unit=0.1)
    """
    plain = _plain(text)
    if found := _SCIENTIFIC.fullmatch(plain):
        return _written(text, plain.replace(",", "."), int(found[2]) - _places(found[1]))
    found = _NUMBER.fullmatch(plain)
    if found is None:
        raise UnreadableNumber(f'"{text}" is not a number; expected one such as 6.1234 or 6,1234')
    digits = re.sub(r"[ ']", "", plain).replace(",", ".")
    return _written(text, digits, -len(found[4] or found[5] or ""))


def _plain(text: str) -> str:
    """Return a text ready to be matched; one so long that matching it would take long is refused."""
    plain = text.strip()
    if len(plain) > _LONGEST:
        raise UnreadableNumber(f'"{plain[:20]}…" has {len(plain):,} characters, more than any number that is meant')
    return plain.translate(_MINUS_SIGNS)


def _written(text: str, digits: str, power: int) -> Written:
    """Return a number whose last place is a power of ten, refusing what is larger than a computer holds."""
    value = float(digits)
    if not math.isfinite(value) or power > _LARGEST_POWER:
        raise UnreadableNumber(f'"{text}" is larger than any number that can be meant')
    return Written(value, 10.0**power)


def read_metres(text: str) -> float:
    """Return a distance in metres, written with m or km behind it, or without a unit.

    Raises
    ------
    UnreadableNumber

    Examples
    --------
    >>> read_metres("25"), read_metres("1,5 km"), read_metres("30 m")
    (25.0, 1500.0, 30.0)
    """
    found = _METRES.fullmatch(_plain(text))
    try:
        value = read_number(found["number"] if found else text).value
    except UnreadableNumber as error:
        raise UnreadableNumber(f'"{text}" is no distance; expected metres, such as 25, 25 m or 1.5 km') from error
    metres = value * 1000.0 if found and (found["unit"] or "").casefold().startswith("k") else value
    if not math.isfinite(metres):
        raise UnreadableNumber(f'"{text}" is longer than any distance')
    return metres


def read_count(text: str) -> int:
    """Return a whole number of shells, possibly negative: the caller says what to do about that.

    Raises
    ------
    UnreadableNumber
        For fractions, words, "1,000" (a thousand or one?), and more than :data:`LARGEST_COUNT`.

    Examples
    --------
    >>> read_count("12"), read_count("12.0"), read_count("-3")
    (12, 12, -3)
    """
    plain = _plain(text)
    found = _WHOLE.fullmatch(plain)
    if found is None:
        raise UnreadableNumber(f'the count "{text}" is not a whole number; expected one such as 12')
    count = int(found[1]) if len(found[1]) < 12 else LARGEST_COUNT + 1
    if abs(count) > LARGEST_COUNT:
        raise UnreadableNumber(f'the count "{text}" is more than anyone counts; expected at most {LARGEST_COUNT}')
    return count


def read_degrees(text: str, axis: str) -> Written:
    r"""Return a longitude or latitude in degrees; south and west are negative.

    Parameters
    ----------
    text : str
        ``"-2.5877"``, ``"2,5877 W"``, ``"51°26'46.3\"N"``, ``"N 51 26.772"``.
    axis : {"longitude", "latitude"}

    Raises
    ------
    UnreadableNumber
        Also when the compass letter belongs to the other axis, with a sign and a letter, or with 60 minutes or more.

    Examples
    --------
    >>> read_degrees("2°30'W", "longitude").value
    -2.5
    """
    plain = _plain(text)
    try:
        return read_number(plain)
    except UnreadableNumber:
        found = _ANGLE.fullmatch(plain)
    if found is None or (found["front"] and found["back"]):
        raise UnreadableNumber(f'the {axis} "{text}" can\'t be read; expected degrees such as 6.1234 or 6°07\'24"E')
    letter = (found["front"] or found["back"] or "").upper()
    if letter and letter not in ("EW" if axis == "longitude" else "NS"):
        other = "latitude" if axis == "longitude" else "longitude"
        raise UnreadableNumber(f'the {axis} "{text}" carries the letter {letter}, which belongs to a {other}')
    if letter and found["sign"]:
        raise UnreadableNumber(f'the {axis} "{text}" carries both a sign and a letter; expected one of them')
    return _degrees_of(found, text, axis, negative=found["sign"] == "-" or letter in ("S", "W"))


def _degrees_of(found: re.Match[str], text: str, axis: str, *, negative: bool) -> Written:
    parts = [part.replace(",", ".") for part in (found["deg"], found["min"], found["sec"]) if part]
    whole, last = parts[:-1], parts[-1]
    if any("." in part for part in whole) or any(float(part) >= 60 for part in parts[1:]):
        raise UnreadableNumber(
            f'the {axis} "{text}" can\'t be read; minutes and seconds run from 0 to 59, decimals stand in the last part'
        )
    value = sum(float(part) / 60**power for power, part in enumerate(parts))
    if not math.isfinite(value):
        raise UnreadableNumber(f'the {axis} "{text}" is larger than any number that can be meant')
    unit = 10.0 ** -_places(last) / 60.0 ** len(whole)
    return Written(-value if negative else value, unit)


def _places(digits: str) -> int:
    return len(digits.replace(",", ".").partition(".")[2])
