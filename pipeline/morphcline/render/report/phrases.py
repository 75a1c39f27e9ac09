"""Small parts that sentences and cells are put together from: limits that may be open, clauses, differences."""

from __future__ import annotations

from morphcline.language import _
from morphcline.render.numbers import clauses, points

__all__ = ["clauses", "in_points", "limits"]


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


def in_points(difference: float, low: float, high: float) -> dict[str, str]:
    """Return a difference in percentage points and its limits, to be put into a message.

    Examples
    --------
    >>> in_points(-0.13, -0.17, -0.088)
    {'points': '−13', 'low': '−17', 'high': '−8.8'}
    """
    return {"points": points(difference), "low": points(low), "high": points(high)}
