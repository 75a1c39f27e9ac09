"""How sure a finding is, in words on one scale that the report defines: by width of intervals, p and weight."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from morphcline.language import _, marked
from morphcline.render import labels

WELL = marked("well supported")
SUPPORTED = marked("supported")
UNCERTAIN = marked("uncertain")

#: Widest interval of a frequency, p and weight of evidence that each word takes.
_WIDEST = {WELL: 0.10, SUPPORTED: 0.20}
_LARGEST_P = {WELL: 0.001, SUPPORTED: 0.05}
_LEAST_WEIGHT = {WELL: 0.95, SUPPORTED: 0.75}


@dataclass(frozen=True)
class Finding:
    """A sentence for the head of the report and how sure it is."""

    text: str
    certainty: str


def of_interval(low: float, high: float) -> str:
    """Return the word for a frequency with an interval.

    Examples
    --------
    >>> of_interval(0.39, 0.46), of_interval(0.2, 0.38), of_interval(0.2, 0.6)
    ('well supported', 'supported', 'uncertain')
    """
    return next((word for word, widest in _WIDEST.items() if high - low <= widest + 1e-9), UNCERTAIN)


def of_frequencies(text: str, rows: Sequence[Mapping[str, Any]]) -> Finding:
    """Return a finding on several frequencies, as sure as the one with the widest interval.

    Parameters
    ----------
    text : str
    rows : sequence of mappings
        With ``low`` and ``high``.
    """
    widest = max(rows, key=lambda row: float(row["high"] - row["low"]))
    return Finding(text, of_interval(widest["low"], widest["high"]))


def of_difference(p: float, effect: float, low: float, high: float) -> str:
    """Return the word for a difference: by p, and well supported only where its interval is no wider than the effect.

    Examples
    --------
    >>> of_difference(0.0001, 0.13, 0.09, 0.17), of_difference(0.0001, 0.13, 0.02, 0.24), of_difference(0.2, 1, 0, 2)
    ('well supported', 'supported', 'uncertain')
    """
    word = next((word for word, largest in _LARGEST_P.items() if p <= largest), UNCERTAIN)
    return SUPPORTED if word == WELL and high - low > abs(effect) + 1e-9 else word


def of_cline(p: float, weight: float, low: float, high: float) -> str:
    """Return the word for a cline: by the weight of its model, the test against none, and limits on both sides.

    Examples
    --------
    >>> of_cline(0.002, 1.0, 4e3, 1e4), of_cline(0.002, 0.8, 4e3, 1e4), of_cline(0.002, 1.0, 4e3, math.nan)
    ('well supported', 'supported', 'supported')
    """
    if math.isnan(p) or p > _LARGEST_P[SUPPORTED]:
        return UNCERTAIN
    word = next((word for word, least in _LEAST_WEIGHT.items() if weight >= least), UNCERTAIN)
    return SUPPORTED if word == WELL and (math.isnan(low) or math.isnan(high)) else word


def scale() -> str:
    """Return the sentences that define the words."""
    return _(
        "How sure, in words. Well supported: a frequency whose interval is at most {narrow} points wide; a difference "
        "with p of {small} or less whose interval is no wider than the difference itself; a cline whose model has "
        "{much} or more of the weight of evidence, with limits on both sides of its width. Supported: an interval of "
        "at most {wide} points, p of {level} or less, a weight of {some} or more. Uncertain: anything else."
    ).format(
        narrow=labels.decimals(100 * _WIDEST[WELL], 0),
        wide=labels.decimals(100 * _WIDEST[SUPPORTED], 0),
        small=labels.decimals(_LARGEST_P[WELL], 3),
        level=labels.decimals(_LARGEST_P[SUPPORTED], 2),
        much=labels.level(_LEAST_WEIGHT[WELL]),
        some=labels.level(_LEAST_WEIGHT[SUPPORTED]),
    )
