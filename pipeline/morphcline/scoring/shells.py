"""The other words on a record sheet: ground colour, lip, age and condition of a shell."""

from __future__ import annotations

from collections.abc import Mapping

#: Ground colours, in the trade's order.
COLOURS = ("yellow", "pink", "brown")

_UNSCORED = ("", "?", "-", "n/a", "unscored", "not scored", "unknown", "not known")
_SHADES = ("", "pale ", "light ", "bright ", "dark ")

_COLOUR_WORDS: dict[str, str] = {
    **{f"{shade}{colour}": colour for shade in _SHADES for colour in COLOURS},
    "y": "yellow",
    "p": "pink",
    "b": "brown",
    **dict.fromkeys((*_UNSCORED, "faded", "too faded", "bleached", "worn"), ""),
}
_LIP_WORDS: dict[str, str] = {
    **dict.fromkeys(("dark", "brown", "dark brown", "black", "d"), "dark"),
    **dict.fromkeys(("white", "w"), "white"),
    **dict.fromkeys(("absent", "none", "no lip", "no", "incomplete", "unfinished", "not formed"), "absent"),
    **dict.fromkeys(_UNSCORED, ""),
}
_AGE_WORDS: dict[str, str] = {
    **dict.fromkeys(("adult", "adults", "ad", "a", "mature", "full grown"), "adult"),
    **dict.fromkeys(
        ("juvenile", "juveniles", "juv", "j", "young", "immature", "subadult", "sub adult", "half grown"), "juvenile"
    ),
    **dict.fromkeys(_UNSCORED, ""),
}
_CONDITION_WORDS: dict[str, str] = {
    **dict.fromkeys(("live", "alive", "living", "l"), "live"),
    **dict.fromkeys(("fresh", "fresh shell", "fresh empty", "fresh dead", "empty fresh", "f"), "fresh"),
    **dict.fromkeys(("worn", "bleached", "broken", "old", "old shell", "weathered", "faded"), "worn"),
    **dict.fromkeys(_UNSCORED, ""),
}


class UnreadableScore(ValueError):  # noqa: N818 - named for what the scorer will read
    """A word that isn't one of those accepted for the field; the sentence lists them."""


class UnreadableColour(UnreadableScore):
    """The ground colour isn't yellow, pink or brown."""


class UnreadableLip(UnreadableScore):
    """The lip is neither dark nor white nor absent."""


class UnreadableAge(UnreadableScore):
    """The age is neither adult nor juvenile."""


class UnreadableCondition(UnreadableScore):
    """The condition is neither live nor fresh nor worn."""


def read_colour(text: str) -> str:
    """Return ``"yellow"``, ``"pink"``, ``"brown"``, or ``""`` for a shell that wasn't scored or is too faded to call.

    Raises
    ------
    UnreadableColour
        For any other word. A colour in doubt ("yellow?") is one: leave it empty instead.

    Examples
    --------
    >>> read_colour("Pale yellow"), read_colour("P"), read_colour("faded")
    ('yellow', 'pink', '')
    """
    return _read(text, _COLOUR_WORDS, UnreadableColour, "yellow (Y), pink (P), brown (B), or empty for unscored")


def read_lip(text: str) -> str:
    """Return ``"dark"``, ``"white"``, ``"absent"`` (a shell that hasn't formed its lip), or ``""`` when not noted.

    Raises
    ------
    UnreadableLip
        For any other word.
    """
    return _read(text, _LIP_WORDS, UnreadableLip, "dark (brown, black), white, absent, or empty")


def read_age(text: str) -> str:
    """Return ``"adult"``, ``"juvenile"``, or ``""`` when not noted.

    Raises
    ------
    UnreadableAge
        For any other word.
    """
    return _read(text, _AGE_WORDS, UnreadableAge, "adult, juvenile (young, immature), or empty")


def read_condition(text: str) -> str:
    """Return ``"live"``, ``"fresh"``, ``"worn"`` (bleached and broken too), or ``""`` when not noted.

    Raises
    ------
    UnreadableCondition
        For any other word, and for "dead" or "empty", which don't say whether the shell was fresh.
    """
    return _read(text, _CONDITION_WORDS, UnreadableCondition, "live, fresh, worn (bleached, broken, old), or empty")


def _read(text: str, words: Mapping[str, str], error: type[UnreadableScore], accepted: str) -> str:
    plain = " ".join(text.casefold().replace("_", " ").replace("-", " ").split()).rstrip(".")
    if not plain:  # a lone dash is an empty cell
        return ""
    if plain not in words:
        raise error(f'"{text.strip()}" is not known here; expected {accepted}')
    return words[plain]
