"""Tails beside a cline's centre: whether sites can show them, whether they do, and their fit.

A sigmoid leaves an end as fast as it reaches the other. Where a barrier or selection on many linked genes holds a
cline, a steep central step is flanked by shallow tails (Szymura & Barton 1986); one tail where genes move one way.
:mod:`morphcline.stats.cline_models` has the formulas.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
from scipy.special import expit, logit

from morphcline.stats.cline_choice import MARGIN, Candidate, basis_of, drawn_counts, tangent
from morphcline.stats.cline_fits import refit_sigmoid, settled
from morphcline.stats.cline_models import SLOPE, stepped_share
from morphcline.stats.cline_screen import Sites, intra_site_correlation
from morphcline.stats.likelihood import Floats, Maximum
from morphcline.stats.overdispersion import effective_number

TAILED = ("stepped, symmetric tails", "stepped, asymmetric tails")

#: Effective sites needed in either tail and in the centre between them, and sites a parameter (our choices).
IN_A_TAIL, IN_THE_CENTRE, SITES_A_PARAMETER = 15, 10, 10

#: A tail begins, for counting sites, at this share of the way from end to end.
TAIL_SHARE = 0.2

#: Ends of a sigmoid are seen when this share of the way between them lies between the outermost sites (our choice).
SPAN_SEEN = 0.9

#: Shapes looked at: shares where tails begin, width of the centre over that of the sigmoid, slopes before and beyond.
_SHAPES = tuple(
    (share, width, before, beyond)
    for share, width in product((0.05, 0.12, 0.25, 0.38), (0.25, 0.5, 0.8))
    for before, beyond in (
        *((r, r) for r in (0.05, 0.2, 0.5)),
        *((r, 1.0) for r in (0.05, 0.3)),
        (1.0, 0.05),
        (1.0, 0.3),
    )
)


def why_no_tails(data: Sites, base: Candidate, *, span: float, width_told: bool) -> str:
    """Return why these sites can't show tails beside a cline, or an empty string.

    Parameters
    ----------
    data : Sites
    base : Candidate
        The model chosen so far.
    span : float
        Share of the way from end to end that lies between the outermost sites.
    width_told : bool
        The width has a lower limit.
    """
    if not base.model.startswith("sigmoid"):
        return f"tails are added to a sigmoid, and the model chosen is {base.model}"
    if span < SPAN_SEEN:
        return f"{span:.0%} of the way from end to end lies between the outermost sites; {SPAN_SEEN:.0%} is needed"
    if not width_told:
        return "the width has no lower limit, and tails can't be told from the flanks of a narrower centre"
    parameters = 4 + (data.axis is None) + 2 * base.ends_free + 1
    if len(data.total) < SITES_A_PARAMETER * parameters:
        return f"{len(data.total)} sites; {SITES_A_PARAMETER * parameters} are needed for {parameters} parameters"
    centre, log_width = base.maximum.parameters[:2]
    share = expit(4 * (data.along(base.bearing) - centre) / np.exp(log_width))
    weights = effective_number(data.total, intra_site_correlation(base.maximum))
    for where, least, here in (
        ("in the tail at the low end", IN_A_TAIL, share < TAIL_SHARE),
        ("in the tail at the high end", IN_A_TAIL, share > 1 - TAIL_SHARE),
        ("in the centre", IN_THE_CENTRE, (share >= TAIL_SHARE) & (share <= 1 - TAIL_SHARE)),
    ):
        effective = _effective_sites(weights[here])
        if effective < least:
            return f"{int(effective)} effective sites {where}; {least} are needed"
    return ""


def _effective_sites(weights: Floats) -> float:
    """Return how many equal sites these are worth (Kish 1965)."""
    return float(weights.sum() ** 2 / (weights**2).sum()) if len(weights) else 0.0


def p_tails(data: Sites, base: Candidate, rng: np.random.Generator, draws: int) -> float:
    """Return how often surveys drawn from a sigmoid show tails as much.

    Notes
    -----
    Parametric bootstrap of a score test (Davison & Hinkley 1997, chapter 4), since the tails have no shape where there
    are none (Davies 1987): the statistic is the greatest share of a survey's squares that a stepped shape takes, of
    what is left once the sigmoid is refitted by one weighted least-squares step. Only rises count: a stepped cline has
    steeper centres and shallower tails than the sigmoid, never the reverse.
    """
    shapes = _shapes(data, base) - expit(_u(data, base))
    return _bootstrap(data, base, shapes, rng, draws, one_sided=True)


def p_asymmetric(data: Sites, symmetric: Candidate, rng: np.random.Generator, draws: int) -> float:
    """Return how often surveys drawn from a cline with symmetric tails look as asymmetric: a score test, likewise.

    It keeps its size, and sees less than a likelihood ratio would where the equal tails fit badly: a large p doesn't
    show that the tails are equal.
    """
    parameters = symmetric.maximum.parameters
    slope = float(np.exp(parameters[6]))
    derivatives = stepped_share(_u(data, symmetric), float(parameters[5]), slope, slope)[1]
    return _bootstrap(data, symmetric, derivatives[None, :, 2], rng, draws, one_sided=False)


def _bootstrap(
    data: Sites, null: Candidate, shapes: Floats, rng: np.random.Generator, draws: int, *, one_sided: bool
) -> float:
    p, slopes = tangent(data, null)
    p = np.clip(p, MARGIN, 1 - MARGIN)
    rho = intra_site_correlation(null.maximum)
    root = np.sqrt(effective_number(data.total, rho) / (p * (1 - p)))
    basis = basis_of(root[:, None] * slopes)
    shapes = shapes * root
    whole = np.einsum("ij,ij->i", shapes, shapes)
    shapes = shapes - (shapes @ basis) @ basis.T
    left = np.einsum("ij,ij->i", shapes, shapes)
    told_apart = left > 1e-4 * whole
    if not told_apart.any():
        return 1.0
    shapes = shapes[told_apart] / np.sqrt(left[told_apart])[:, None]
    counts = np.vstack([data.count, drawn_counts(data.total, p, rho, rng, draws)])
    over = ((counts / data.total - p) * root).T
    over -= basis @ (basis.T @ over)
    taken = shapes @ over
    if one_sided:
        taken = np.maximum(taken, 0.0)
    share = (taken**2).max(axis=0) / np.maximum(np.einsum("ij,ij->j", over, over), 1e-300)
    return float((1 + np.count_nonzero(share[1:] >= share[0] * (1 - 1e-12))) / (1 + draws))


def _u(data: Sites, fitted: Candidate) -> Floats:
    centre, log_width = fitted.maximum.parameters[:2]
    return np.asarray(4 * (data.along(fitted.bearing) - centre) / np.exp(log_width))


def _shapes(data: Sites, base: Candidate) -> Floats:
    u = _u(data, base)
    return np.stack(
        [stepped_share(u / width, -float(logit(share)), before, beyond)[0] for share, width, before, beyond in _SHAPES]
    )


def fit_tails(data: Sites, base: Candidate, *, symmetric: bool, starts: int = 3) -> Candidate:
    """Fit a cline with tails from the shapes that take most of what a sigmoid leaves over.

    Returns
    -------
    Candidate
        Its ends are fixed where those of the sigmoid are.
    """
    p, slopes = tangent(data, base)
    p = np.clip(p, MARGIN, 1 - MARGIN)
    root = np.sqrt(effective_number(data.total, intra_site_correlation(base.maximum)) / (p * (1 - p)))
    basis = basis_of(root[:, None] * slopes)
    over = (data.count / data.total - p) * root
    shapes = (_shapes(data, base) - expit(_u(data, base))) * root
    shapes = shapes - (shapes @ basis) @ basis.T
    taken = (shapes @ over) / np.sqrt(np.maximum(np.einsum("ij,ij->i", shapes, shapes), 1e-12))
    usable = [i for i in np.argsort(-taken, kind="stable") if not symmetric or _SHAPES[i][2] == _SHAPES[i][3]]
    tried = [
        refit_sigmoid(data, _start(base.maximum, _SHAPES[i], symmetric), ends_free=base.ends_free)
        for i in _apart(usable, starts)
    ]
    best = settled(data, max(tried, key=lambda fit: fit.log_likelihood), ends_free=base.ends_free)
    return Candidate(TAILED[not symmetric], float(best.parameters[2]), best, fixed_ends=not base.ends_free)


def _apart(ordered: list[int], at_most: int) -> list[int]:
    """Return the first of the shapes of each share where tails begin."""
    first: dict[float, int] = {}
    for i in ordered:
        first.setdefault(_SHAPES[i][0], i)
    return list(first.values())[:at_most]


def _start(base: Maximum, shape: tuple[float, float, float, float], symmetric: bool) -> Floats:
    share, width, before, beyond = shape
    log_slopes = np.log(np.clip([before, beyond], *SLOPE))
    start = base.parameters[:5].copy()
    start[1] += np.log(width)
    return np.concatenate([start, [-logit(share)], log_slopes[:1] if symmetric else log_slopes, base.parameters[-1:]])


def from_symmetric(data: Sites, symmetric: Candidate) -> Candidate:
    """Fit asymmetric tails from the symmetric ones: a fit that can't be worse than theirs."""
    at = symmetric.maximum.parameters
    start = np.concatenate([at[:7], at[6:]])
    best = settled(data, refit_sigmoid(data, start, ends_free=symmetric.ends_free), ends_free=symmetric.ends_free)
    return replace(symmetric, model=TAILED[1], bearing=float(best.parameters[2]), maximum=best)
