"""Banding: read what a scorer wrote, as a five-place formula or as one of the three classes.

A formula has a place for each band, 1 at the suture to 5 at the base: the band's digit where it is present, ``0`` where
it is absent, ``:`` where there is a trace of it, and brackets round bands that have run together (common practice, no
single source). Decisions that a reader of records should know:

- A trace is a band: ``00:00`` is mid-banded, and a trace may stand in a fused group.
- A formula shorter than five places has lost zeros in front, as spreadsheets do to numbers. It is read only when its
  places, counted from the right, fit: ``345`` is ``00345``; ``30`` and ``1234`` fit nowhere, so they are refused.
- A short formula that still has a zero in front lost something else (``0345`` may be ``02345``), so it is refused.
- A class word never makes a formula: "unbanded" leaves the formula empty, ``00000`` doesn't.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

UNBANDED = "unbanded"
MID_BANDED = "mid-banded"
MANY_BANDED = "many-banded"
OTHER_ONE_BANDED = "other one-banded"

#: Every band class; the first three are the classes that volunteers score.
BAND_CLASSES = (UNBANDED, MID_BANDED, MANY_BANDED, OTHER_ONE_BANDED)

_PLACES = 5
_COLOURS = {
    "y": "yellow", "p": "pink", "b": "brown", "yellow": "yellow", "pink": "pink", "brown": "brown",
}  # fmt: skip
_COLOUR_IN_FRONT = re.compile(r"(yellow|pink|brown)[\s/,-]+(?=\S)|([ypb])[\s-]*(?=[0-9(\[:])", re.IGNORECASE)
_QUOTED = re.compile(r"""=?"([^"]*)"|'(.*)""", re.DOTALL)
_WHOLE_NUMBER = re.compile(r"([0-9]+)[.,]0+")
_UNSCORED = frozenset({"", "?", "unscored", "not scored", "n/a", "unknown"})
_ACCEPTED = "a formula such as 00300 or 1(23)45, or unbanded, mid-banded, many-banded, other one-banded"

_COUNTS = {"two": "2", "three": "3", "four": "4", "five": "5"}
_SEVERAL = [form for word, digit in _COUNTS.items() for n in (word, digit) for form in (f"{n} bands", f"{n} banded")]
_WORDS: dict[str, str] = {
    **dict.fromkeys(
        ("unbanded", "un banded", "plain", "no bands", "no band", "bandless", "without bands", "0 bands", "zero bands"),
        UNBANDED,
    ),
    **dict.fromkeys(
        (
            "mid banded", "midbanded", "mid band", "midband", "mid", "middle band", "middle banded", "central band",
            "single middle band", "single mid band", "single central band", "one middle band", "one mid band",
            "one central band", "1 middle band", "1 mid band", "1 central band", "band 3 only", "only band 3",
            "band 3 alone",
        ),
        MID_BANDED,
    ),
    **dict.fromkeys(
        (
            "many banded", "manybanded", "many bands", "many", "multi banded", "multibanded", "multiple bands",
            "several", "several bands", "two or more", "two or more bands", "2 or more", "2 or more bands", "2+",
            "2+ bands", "more than one band", *_SEVERAL,
        ),
        MANY_BANDED,
    ),
    **dict.fromkeys(
        (
            "other one banded", "one banded other", "other single band", "one band, not 3", "one band not 3",
            "one other band", "one band, not the middle one", "one band not the middle one",
        ),
        OTHER_ONE_BANDED,
    ),
}  # fmt: skip
_TOO_VAGUE = {
    **dict.fromkeys(
        ("one band", "1 band", "single band", "one banded", "1 banded", "single banded"),
        "doesn't say which band; write mid-banded if it is band 3, else other one-banded or the formula",
    ),
    "banded": "doesn't say how many bands; write mid-banded (band 3 alone) or many-banded (two or more)",
    "none": "may mean no bands or not scored; write unbanded, or leave the cell empty",
}


class UnreadableBanding(ValueError):  # noqa: N818 - named for what the scorer will read
    """What stands for the banding can't be read, or could be read in more than one way."""


@dataclass(frozen=True)
class Banding:
    """What a scorer said about the bands of a shell.

    Parameters
    ----------
    formula : str
        Canonical five-place formula, empty when only a class was scored.
    band_class : str
        One of `BAND_CLASSES`, empty when the banding wasn't scored.
    colour : str
        The ground colour, where the text carried one in front (``P00300``); else empty.
    mended : str
        What was mended (``"345 read as 00345"``); else empty.
    """

    formula: str = ""
    band_class: str = ""
    colour: str = ""
    mended: str = ""


def read_banding(text: str) -> Banding:
    """Return what a scorer wrote for the banding, as a formula or as a class.

    Parameters
    ----------
    text : str
        A formula, with or without its colour in front, or a class in words. Empty, ``?`` and "not scored" mean not
        scored.

    Returns
    -------
    Banding

    Raises
    ------
    UnreadableBanding
        With a sentence that says what is wrong. Nothing is guessed.

    Examples
    --------
    >>> read_banding("Y(12)3(45)")
    Banding(formula='(12)3(45)', band_class='many-banded', colour='yellow', mended='')
    >>> read_banding("345").mended
    '345 read as 00345'
    >>> read_banding("Mid banded").band_class
    'mid-banded'
    """
    given = _unquoted(text.strip())
    if given.casefold() in _UNSCORED:
        return Banding()
    colour, rest = "", given
    if front := _COLOUR_IN_FRONT.match(given):
        colour, rest = _COLOURS[(front[1] or front[2]).lower()], given[front.end() :]
    words = _in_plain_words(rest)
    if words in _WORDS:
        return Banding(band_class=_WORDS[words], colour=colour)
    if words in _TOO_VAGUE:
        raise UnreadableBanding(f'"{rest}" {_TOO_VAGUE[words]}')
    if words in _COLOURS:
        raise UnreadableBanding(f'"{given}" is a colour and says nothing of the bands; expected {_ACCEPTED}')
    formula, mended = _read_formula(rest)
    return Banding(formula, band_class(formula), colour, mended)


def bands_present(formula: str) -> tuple[bool, bool, bool, bool, bool]:
    """Return, for bands 1 to 5, whether the band is present; a trace is.

    Parameters
    ----------
    formula : str
        A five-place formula.

    Raises
    ------
    UnreadableBanding
        When it isn't a valid one.

    Examples
    --------
    >>> bands_present("003:5")
    (False, False, True, True, True)
    """
    first, second, third, fourth, fifth = (mark != "0" for mark in _checked_places(formula))
    return first, second, third, fourth, fifth


def has_fusion(formula: str) -> bool:
    """Return whether any bands are fused.

    Examples
    --------
    >>> has_fusion("1(23)45"), has_fusion("12345")
    (True, False)
    """
    _checked_places(formula)
    return "(" in formula


def band_class(formula: str) -> str:
    """Return the class a formula implies: one of `BAND_CLASSES`.

    Examples
    --------
    >>> [band_class(formula) for formula in ("00000", "00300", "00345", "00040")]
    ['unbanded', 'mid-banded', 'many-banded', 'other one-banded']
    """
    present = bands_present(formula)
    if not any(present):
        return UNBANDED
    if sum(present) > 1:
        return MANY_BANDED
    return MID_BANDED if present[2] else OTHER_ONE_BANDED


def effectively_unbanded(formula: str) -> bool:
    """Return whether bands 1 and 2 are both absent, so that the shell looks plain from above.

    Notes
    -----
    Defined by Cain & Sheppard (1950, Heredity 4; 1954, Genetics 39). A trace of band 1 or 2 counts as present.

    Examples
    --------
    >>> effectively_unbanded("00345"), effectively_unbanded("02345")
    (True, False)
    """
    present = bands_present(formula)
    return not (present[0] or present[1])


def marks(formula: str) -> str:
    """Return the five marks of a formula without its brackets, each ``0``, the band's own digit, or ``:``.

    Examples
    --------
    >>> marks("1(23)4:")
    '1234:'
    """
    return _checked_places(formula)


def _unquoted(text: str) -> str:
    """Take off what keeps a spreadsheet from reading a number: a leading apostrophe, or ="..."."""
    quoted = _QUOTED.fullmatch(text)
    return (quoted[1] or quoted[2] or "").strip() if quoted else text


def _in_plain_words(text: str) -> str:
    return " ".join(text.casefold().replace("-", " ").replace("_", " ").rstrip(".").split())


def _read_formula(text: str) -> tuple[str, str]:
    whole = _WHOLE_NUMBER.fullmatch(text)
    spaced = whole[1] if whole else text
    compact = "".join(spaced.split())
    if not set(compact) & set("()"):  # square brackets stand for round ones, but not mixed with them
        compact = compact.replace("[", "(").replace("]", ")")
    _refuse_strange_signs(text, compact)
    places = [sign for sign in compact if sign not in "()"]
    missing = _PLACES - len(places)
    if missing < 0:
        raise UnreadableBanding(f'"{text}" has {len(places)} places; a formula has five, one for each band')
    if missing > 0:
        _refuse_unless_zeros_were_lost(text, spaced, places)
    formula = "0" * missing + compact
    _check(formula, text)
    return formula, f"{text} read as {formula}" if missing or whole else ""


def _refuse_strange_signs(text: str, compact: str) -> None:
    if re.fullmatch(r"-[0-9]+", compact):
        raise UnreadableBanding(
            f'"{text}" is a negative number, which is what a spreadsheet makes of a formula in brackets alone; '
            "write all five places as text"
        )
    strange = sorted({sign for sign in compact if sign not in "012345:()"})
    if not strange:
        return
    if {"o", "O"} & set(strange) and re.fullmatch(r"[0-5oO:()]+", compact):
        raise UnreadableBanding(f'"{text}" has the letter O in it; write the figure 0 for a band that is absent')
    if set(strange) <= set("6789"):
        raise UnreadableBanding(f'"{text}" has a band {strange[0]} in it; bands are numbered 1 to 5')
    raise UnreadableBanding(f'"{text}" is not a banding score; expected {_ACCEPTED}')


def _refuse_unless_zeros_were_lost(text: str, spaced: str, places: list[str]) -> None:
    number = len(places)
    if not number:
        raise UnreadableBanding(f'"{text}" has brackets and no bands; expected {_ACCEPTED}')
    short = f'"{text}" has {number} of five places'
    if len(spaced.split()) > 1:
        raise UnreadableBanding(f"{short} and gaps between them; write all five places")
    if places[0] == "0" and number > 1:
        raise UnreadableBanding(
            f"{short} but still a zero in front, so it can't be told what is missing; write all five"
        )
    if places[0] == ":" or (":" in places and set(places) <= {":", "0"}):
        raise UnreadableBanding(f"{short}, and it can't be told which band the trace is of; write all five places")
    for place, mark in enumerate(places, start=_PLACES - number + 1):
        if mark not in (":", "0", str(place)):
            raise UnreadableBanding(
                f"{short}: with zeros in front band {mark} would stand in place {place}, so it can't be told which "
                "places are missing; write all five"
            )


def _checked_places(formula: str) -> str:
    places = "".join(sign for sign in formula if sign not in "()")
    if len(places) != _PLACES:
        raise UnreadableBanding(f'"{formula}" is not a five-place formula')
    _check(formula, formula)
    return places


def _check(formula: str, text: str) -> None:
    """Refuse a formula of five places whose digits or brackets are wrong."""
    place = 0
    group: list[str] | None = None
    for sign in formula:
        if sign == "(":
            if group is not None:
                raise UnreadableBanding(f'"{text}" has a bracket within a bracket; a band belongs to one fused group')
            group = []
        elif sign == ")":
            if group is None:
                raise UnreadableBanding(f'"{text}" closes a bracket that was not opened')
            _check_group(group, place, text)
            group = None
        else:
            place += 1
            if sign not in ("0", ":", str(place)):
                raise UnreadableBanding(
                    f'"{text}" has {sign} in place {place}, where only {place}, 0 or : can stand; bands run from 1 to 5'
                )
            if group is not None:
                group.append(sign)
    if group is not None:
        raise UnreadableBanding(f'"{text}" opens a bracket that is not closed')


def _check_group(group: list[str], last_place: int, text: str) -> None:
    if not group:
        raise UnreadableBanding(f'"{text}" has brackets with nothing in them')
    if "0" in group:
        absent = last_place - len(group) + 1 + group.index("0")
        raise UnreadableBanding(
            f'"{text}" has band {absent} absent within brackets; brackets join neighbouring bands that are present'
        )
    if len(group) == 1:
        raise UnreadableBanding(f'"{text}" has brackets round one band alone; brackets join two bands or more')
