"""Small parts that sentences and cells are put together from: limits that may be open, clauses side by side."""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce

from morphcline.language import _


def limits(low: str, high: str) -> str:
    """Return the limits of a number, each ready to be shown and empty where there is none.

    Examples
    --------
    >>> limits("0.1", "0.4"), limits("0.1", ""), limits("", "0.4"), limits("", "")
    ('0.1 to 0.4', 'at least 0.1', 'at most 0.4', 'limits not found')
    """
    if low and high:
        return _("{low} to {high}").format(low=low, high=high)
    if low:
        return _("at least {low}").format(low=low)
    return _("at most {high}").format(high=high) if high else _("limits not found")


def clauses(texts: Iterable[str]) -> str:
    """Join clauses with semicolons, as the language in force sets them.

    Examples
    --------
    >>> clauses(["one", "two", "three"])
    'one; two; three'
    """
    listed = list(texts)
    return reduce(lambda before, after: _("{before}; {after}").format(before=before, after=after), listed or [""])
