"""What a sample of so many shells can tell at the best."""

from __future__ import annotations

from collections.abc import Iterable

from morphcline.stats.proportions import wilson


def chance_alone(shells: Iterable[float], *, confidence: float) -> list[float]:
    """Return half the Wilson interval of a frequency of a half, for samples of so many shells.

    Parameters
    ----------
    shells : iterable of float
        Above 0.
    confidence : float
        Of the interval.

    Notes
    -----
    Chance does most to a frequency of a half. Differences between sites come on top: for a pooled sample this is the
    least that its frequency may be off.

    Examples
    --------
    >>> [round(half, 3) for half in chance_alone([20, 100], confidence=0.95)]
    [0.201, 0.096]
    """
    totals = list(shells)
    low, high = wilson([total / 2 for total in totals], totals, confidence=confidence)
    return [float(half) for half in (high - low) / 2]
