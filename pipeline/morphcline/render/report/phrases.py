"""Small parts that sentences and cells are put together from: limits that may be open, clauses side by side."""

from __future__ import annotations

from morphcline.language import _
from morphcline.render.numbers import clauses

__all__ = ["clauses", "limits"]


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
