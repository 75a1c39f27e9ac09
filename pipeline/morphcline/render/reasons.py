"""Why a number is missing, said in the language in force: tables hold such reasons in English."""

from __future__ import annotations

import re
from functools import lru_cache

from morphcline.language import Said, again, marked

#: Reasons as the tables' columns ``…_because`` hold them, each a clause after "because"; numbers stand in braces.
REASONS = (
    marked("{found} samples can show it; a surface needs {needed}"),
    marked("all its samples lie at one place"),
    marked(
        "a kernel-weighted proportion has no slope of its own, and its differences are too flat at the edge of the "
        "region and wherever sites lie more densely to one side; set degree = 1"
    ),
    marked("nowhere do the shells in reach hold a plane at all three bandwidths"),
    marked("{found} sites with shells judged; at least {needed} are needed"),
    marked("no shell has it"),
    marked("every shell has it"),
    marked("all sites lie at one place"),
    marked("all sites lie on one straight line, so no bearing can be found: give the axis"),
    marked("all sites lie at the same distance along the axis"),
    marked("no fit converged"),
    marked("no value at {missing} of {sites} sites"),
    marked("{found} sites can be compared, at least {needed} are needed"),
    marked("the same value at every site"),
    marked("fewer than {needed} sites"),
    marked("all its sites lie at one place"),
    marked("all shells are alike"),
    marked("fewer than two sites"),
    marked("fewer than two habitats with two sites"),
    marked("all sites lie equally far apart"),
)


def reason(text: str) -> str:
    """Return a reason in the language in force; one that isn't known stays as the table has it.

    Parameters
    ----------
    text : str
        A cell of a column ``…_because``.

    Examples
    --------
    >>> reason("3 samples can show it; a surface needs 5")
    '3 samples can show it; a surface needs 5'
    """
    return again(said_reason(text)) if text else ""


def said_reason(text: str) -> Said:
    """Return a reason as a sentence that can be said again."""
    for message, pattern in _patterns():
        found = pattern.fullmatch(text)
        if found:
            return Said(message, **found.groupdict())
    return Said(text)


@lru_cache(maxsize=1)
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    return tuple(
        (message, re.compile(re.sub(r"\\{(\w+)\\}", r"(?P<\1>[\\d,.]+)", re.escape(message)))) for message in REASONS
    )
