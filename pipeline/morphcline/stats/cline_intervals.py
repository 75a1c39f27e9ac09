"""Profile-likelihood limits of a sigmoid cline's centre, width and bearing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from morphcline.stats.cline_fits import WIDEST, degrees, held_parameters, refit_sigmoid
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
    step : bool
        The narrowest cline that the sites could tell from a step lies within the limits, and a widest one is known.
    """

    centre: tuple[float, float]
    log_width: tuple[float, float]
    bearing: tuple[float, float]
    step: bool

    def in_metres(self, unit_m: float) -> dict[str, float]:
        """Return the limits by name: metres, and degrees clockwise from north."""
        low, high = np.exp(self.log_width)
        return {
            "centre_low": self.centre[0] * unit_m,
            "centre_high": self.centre[1] * unit_m,
            "width_low": float(low) * unit_m,
            "width_high": float(high) * unit_m,
            "bearing_low": degrees(self.bearing[0]),
            "bearing_high": degrees(self.bearing[1]),
        }


def profile_intervals(
    data: Sites, best: Maximum, level: Maximum, target: float, *, ends_free: bool
) -> Intervals | Maximum:
    """Return the limits, or a better fit met on the way.

    Parameters
    ----------
    data : Sites
    best, level : Maximum
        The sigmoid's, and the flat frequency's.
    target : float
        Root of the chi-square quantile.
    ends_free : bool

    Notes
    -----
    A flat frequency is a limit of the sigmoid at every bearing as the width grows, and at every centre and width as the
    ends meet: when flat fits about as well, those limits are open, and no search is needed to know it.
    """
    as_good_flat = 2 * (best.log_likelihood - level.log_likelihood) < target**2
    around = best.parameters[2]
    sought = [
        (0, -_CENTRE_SOUGHT, _CENTRE_SOUGHT),
        (1, np.log(data.narrowest), np.log(WIDEST)),
        (2, around - np.pi, around + np.pi),
    ]
    held = held_parameters(data, ends_free)
    free = np.flatnonzero(~held)
    errors = np.full(6, 0.5)
    errors[free] = np.sqrt(np.abs(np.diag(np.linalg.pinv(best.information[np.ix_(free, free)]))))
    limits: list[tuple[float, float]] = []
    for index, low, high in sought:
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
                first_step=target * float(np.clip(errors[index], 1e-4, 1.0)),
                bound=float(bound),
                target=target,
            )
            if limit.better is not None:
                return limit.better
            pair.append(limit.value)
        limits.append((pair[0], pair[1]))
    centre, (narrow, wide), bearing = limits
    return Intervals(centre, (narrow, wide), bearing, step=bool(np.isnan(narrow) and np.isfinite(wide)))
