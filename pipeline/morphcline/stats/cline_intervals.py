"""Profile-likelihood limits of a sigmoid cline's centre, width and bearing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from morphcline.stats.cline_fits import SIGMOID, WIDEST, degrees, held_parameters, refit_sigmoid
from morphcline.stats.cline_models import SLOPE
from morphcline.stats.cline_screen import Sites
from morphcline.stats.likelihood import Floats, Maximum
from morphcline.stats.profiles import profile_limit

#: A centre farther out than this, in units of the farthest site's distance, is not looked for by a profile.
_CENTRE_SOUGHT = 10.0


@dataclass(frozen=True)
class Intervals:
    """Limits in the fitting unit (bearing in radians), NaN where the data leave them open.

    Attributes
    ----------
    centre, log_width, bearing : (low, high)
    tails : tuple of (low, high)
        Of the log slopes of the tails, where the model has any.
    """

    centre: tuple[float, float]
    log_width: tuple[float, float]
    bearing: tuple[float, float]
    tails: tuple[tuple[float, float], ...] = ()

    @property
    def width_from_nothing(self) -> bool:
        """Whether the limits hold the narrowest cline that sites could tell from a step, and a widest is known."""
        return bool(np.isnan(self.log_width[0]) and np.isfinite(self.log_width[1]))

    def united(self, other: Intervals) -> Intervals:
        """Return the limits of both: the wider one on each side, open where either is."""
        turns = 2 * np.pi * np.round((np.mean(self.bearing) - np.mean(other.bearing)) / (2 * np.pi))
        there = (other.bearing[0] + turns, other.bearing[1] + turns)
        pairs = [(self.centre, other.centre), (self.log_width, other.log_width), (self.bearing, there)]
        centre, width, bearing = (
            # minimum and maximum of NumPy: NaN wins.
            (float(np.minimum(one[0], two[0])), float(np.maximum(one[1], two[1])))
            for one, two in pairs
        )
        return Intervals(centre, width, bearing)

    def in_metres(self, unit_m: float) -> dict[str, float]:
        """Return the limits by name: metres, and degrees clockwise from north."""
        low, high = np.exp(self.log_width)
        named = {
            "centre_low": self.centre[0] * unit_m,
            "centre_high": self.centre[1] * unit_m,
            "width_low": float(low) * unit_m,
            "width_high": float(high) * unit_m,
            "bearing_low": degrees(self.bearing[0]),
            "bearing_high": degrees(self.bearing[1]),
        }
        if self.tails:
            # Symmetric tails have one slope for both ends.
            for end, (low_log, high_log) in zip(("min", "max"), (self.tails[0], self.tails[-1]), strict=True):
                named[f"slope_{end}_low"], named[f"slope_{end}_high"] = float(np.exp(low_log)), float(np.exp(high_log))
        return named


def profile_intervals(
    data: Sites, best: Maximum, level: Maximum, target: float, *, ends_free: bool, longer: Floats | None = None
) -> Intervals | Maximum:
    """Return the limits, or a better fit met on the way.

    Parameters
    ----------
    data : Sites
    best, level : Maximum
        The sigmoid's (with tails or without), and the flat frequency's.
    target : float
        Root of the drop in deviance at which the limits lie.
    ends_free : bool
    longer : (k,) array, optional
        By how much the target grows for each parameter of the sigmoid; left out, 1.

    Notes
    -----
    A flat frequency is a limit of the sigmoid at every bearing as the width grows, and at every centre and width as the
    ends meet: when flat fits about as well, those limits are open, and no search is needed to know it.
    """
    k = len(best.parameters)
    targets = target * (np.ones(k) if longer is None else longer)
    drop = 2 * (best.log_likelihood - level.log_likelihood)
    around = best.parameters[2]
    sought = [
        (0, -_CENTRE_SOUGHT, _CENTRE_SOUGHT),
        (1, np.log(data.narrowest), np.log(WIDEST)),
        (2, around - np.pi, around + np.pi),
        *((index, *np.log(SLOPE)) for index in range(SIGMOID, k - 1)),
    ]
    held = held_parameters(data, k, ends_free)
    free = np.flatnonzero(~held)
    errors = np.full(k, 0.5)
    errors[free] = np.sqrt(np.abs(np.diag(np.linalg.pinv(best.information[np.ix_(free, free)]))))
    limits: list[tuple[float, float]] = []
    for index, low, high in sought:
        reach = float(targets[index])
        as_good_flat = drop < reach**2
        known_open = held[index] or (as_good_flat and (ends_free or index == 2))
        pair = []
        for bound in (low, high):
            hopeless = known_open or (as_good_flat and index == 1 and bound == high)
            at = float(best.parameters[index])
            if hopeless or (at <= low if bound == low else at >= high):
                pair.append(np.nan)
                continue

            def refit(value: float, warm: Floats, index: int = index) -> Maximum:
                start = warm.copy()
                start[index] = value
                return refit_sigmoid(data, start, ends_free=ends_free, hold=index)

            limit = profile_limit(
                best,
                refit,
                at=at,
                first_step=reach * float(np.clip(errors[index], 1e-4, 1.0)),
                bound=float(bound),
                target=reach,
            )
            if limit.better is not None:
                return limit.better
            pair.append(limit.value)
        limits.append((pair[0], pair[1]))
    return Intervals(limits[0], limits[1], limits[2], tuple(limits[3:]))
