"""A coarse look at every sigmoid cline: whether there is any, and where the fit should start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from morphcline.stats.likelihood import LOGIT_RHO, Floats, Maximum
from morphcline.stats.overdispersion import effective_number


@dataclass(frozen=True)
class Sites:
    """Sites in the fitting unit: distances from the origin over the farthest site's distance."""

    easting: Floats
    northing: Floats
    count: Floats
    total: Floats
    unit_m: float
    axis: float | None  # radians, or None for the bearing that fits best

    @property
    def narrowest(self) -> float:
        """Mean spacing of sites along an axis: a narrower cline is a step, and fits the same whatever its width."""
        return 2 / len(self.total)

    def along(self, bearing: float) -> Floats:
        """Return distances from the origin along a bearing in radians."""
        return np.asarray(self.easting * np.sin(bearing) + self.northing * np.cos(bearing))


def intra_site_correlation(fit: Maximum) -> float:
    """Return the intra-site correlation; 0 where the search ended at its lower limit."""
    at = float(fit.parameters[-1])
    return 0.0 if at <= LOGIT_RHO[0] else float(expit(at))


#: A variance of frequencies below it is none: rounding.
_ROUNDING = 1e-20


@dataclass(frozen=True)
class Screen:
    """Sigmoids of a grid of bearings, centres and widths, for weighted least squares of their two ends.

    ``settings`` is (m, 3): bearing, centre, log width; ``g`` is (m, n): the share of the way from end to end.
    """

    settings: Floats
    g: Floats
    frequency: Floats
    share: Floats  # a site's weight n / (1 + (n - 1) rho), adding up to 1

    def explained(self, frequency: Floats) -> Floats:
        """Return the share of the weighted variance that each sigmoid explains, (m, draws); frequency is (n, draws).

        0 where there is none.
        """
        from_mean = frequency - self.share @ frequency
        explained = ((self.g * self.share) @ from_mean) ** 2 / self._variance[:, None]
        variance = self.share @ from_mean**2
        # A draw in which all sites are alike leaves nothing to explain.
        return np.divide(explained, variance, out=np.zeros_like(explained), where=variance > _ROUNDING)

    @property
    def _variance(self) -> Floats:
        mean = self.g @ self.share
        return np.maximum((self.g * self.g) @ self.share - mean**2, 1e-12)

    def ends(self) -> Floats:
        """Return the (m, 2) fitted ends."""
        mean_g, mean = self.g @ self.share, self.share @ self.frequency
        slope = ((self.g * self.share) @ (self.frequency - mean)) / self._variance
        before = mean - slope * mean_g
        return np.column_stack([before, before + slope])


def screen_sigmoids(data: Sites, level: Maximum) -> Screen:
    """Return the grid for these sites: every 15 degrees (or the axis), nine centres, three widths."""
    bearings = np.arange(12) * np.pi / 12 if data.axis is None else np.array([data.axis])
    settings, shapes = [], []
    for bearing in bearings:
        along = data.along(float(bearing))
        centres = np.quantile(along, np.linspace(0.1, 0.9, 9))
        for width in np.ptp(along) * np.array([0.05, 0.25, 1.0]):
            settings.append(np.column_stack([np.full(9, bearing), centres, np.full(9, np.log(width))]))
            shapes.append(expit(4 * (along - centres[:, None]) / width))
    weights = effective_number(data.total, intra_site_correlation(level))
    return Screen(np.concatenate(settings), np.concatenate(shapes), data.count / data.total, weights / weights.sum())


def p_flat(screen: Screen, rng: np.random.Generator, permutations: int) -> float:
    """Return how often sites in random order show as good a sigmoid, in place of the Akaike weights' promise.

    Searching bearings, centres and widths fits noise: where p is flat, twice the log-likelihood gained by the sigmoid
    with free ends averages 8 to 9, not the 4 of its four further parameters (none is identified under a flat
    frequency; Davies 1987). Standardised residuals are exchangeable there, whatever the sample sizes.
    """
    root = np.sqrt(screen.share)
    mean = screen.share @ screen.frequency
    residual = (screen.frequency - mean) * root
    seen = screen.explained(screen.frequency[:, None])[:, 0].max()
    order = rng.permuted(np.tile(residual, (permutations, 1)), axis=1)
    shuffled = screen.explained((order / root).T).max(axis=0)
    return float((1 + np.count_nonzero(shuffled >= seen * (1 - 1e-12))) / (1 + permutations))


def promising_starts(screen: Screen, level: Maximum, *, at_most: int = 8) -> list[Floats]:
    """Return parameters of sigmoids from which a search for the best one may start, the best fitting first."""
    explained = screen.explained(screen.frequency[:, None])[:, 0]
    # The best of each bearing and of each place among the centres, so that one broad peak doesn't take every start.
    bearing = np.unique(screen.settings[:, 0], return_inverse=True)[1]
    place = np.arange(len(explained)) % 9
    best = {
        int(members[np.argmax(explained[members])])
        for groups in (bearing, place)
        for members in (np.flatnonzero(groups == group) for group in np.unique(groups))
    }
    ends = logit(np.clip(screen.ends(), 0.01, 0.99))
    return [
        np.array([screen.settings[i, 1], screen.settings[i, 2], screen.settings[i, 0], *ends[i], level.parameters[-1]])
        for i in sorted(best, key=lambda i: (-explained[i], i))[:at_most]
    ]
