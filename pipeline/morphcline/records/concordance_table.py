"""Which clines are compared with which, and the tables of what they share and of their centre lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.cline_tables import ClineTask, Line
from morphcline.records.stacking import framed
from morphcline.records.told_distances import nearest_step
from morphcline.stats.cline_axis import distance_along_line
from morphcline.stats.cline_curve import FEWEST_SITES, CurvedCline, fit_curved
from morphcline.stats.cline_results import ClineFit
from morphcline.stats.cline_screen import Sites
from morphcline.stats.clines import LEVEL, Clines
from morphcline.stats.concordance import (
    SHARED,
    Comparison,
    Redrawn,
    SigmoidCline,
    compare_clines,
    complement,
    moved,
    sigmoid_cline,
    told_from_step,
)
from morphcline.stats.linked_surveys import correlation_in_common

Floats = NDArray[np.float64]

#: A cline of which fewer of the redrawn surveys have a width to tell is not compared (our choice).
LEAST_KNOWN = 0.5

CONCORDANCE_COLUMNS = {
    "species": "species of the first trait",
    "trait": "the first trait",
    "second_species": "species of the second trait; the same, or another",
    "second_trait": "the second trait",
    "parameter": "what is shared or own: centre, width, bearing, or all of them together",
    "model": "model of the first trait: the sigmoid chosen, or the one that its tails were added to",
    "second_model": "model of the second trait",
    "reversed": "True where the second trait falls where the first rises: then the shells without it are compared",
    "sites": "sites at which either trait is judged",
    "sites_both": "sites at which both are judged",
    "residual_correlation": "correlation, over sites with both, of what the two traits' clines leave over (as normal "
    "deviates), of the traits as they are named; empty with fewer than 10 such sites, and then taken as 0",
    "log_likelihood_own": "beta-binomial, both traits together, all parameters their own",
    "log_likelihood_shared": "the same with this parameter shared",
    "lr": "likelihood ratio: twice the difference of the two",
    "df": "parameters fewer",
    "p_chi2": "chi-square's p of the ratio, as if traits were independent: naive, for two traits of the same shells",
    "p_bootstrap": "p of no difference by surveys drawn anew with the traits' residuals correlated as found: the one "
    "to believe. By simulation it falls to 0.05 in 2 to 5 % of surveys without a difference (of all three together, "
    "in 1 to 4 %): it errs on the safe side, the more the closer the traits go together",
    "redrawn": "surveys drawn anew in which both clines could be told from a step",
    "aicc_own": "Akaike's criterion with the small-sample term, parameters own; the sample size is the number of sites",
    "aicc_shared": "the same, parameter shared; lower is better. It too takes the traits as independent",
    "difference": "of the second from the first: centre in metres, along the bearings and counted from the middle of "
    "the sites (origin_x_m, origin_y_m); width as a ratio, second over first; bearing in degrees clockwise",
    "low": "limit of the difference at the study's confidence, from the redrawn surveys",
    "high": "limit of the difference at the study's confidence, from the redrawn surveys",
    "origin_x_m": "easting of the point from which both centres count: mean of the sites, to whole sides of the "
    "squares that hide them; empty along a line",
    "origin_y_m": "northing of that point",
    "not_compared_because": "why there are no numbers, else empty",
}

CURVED_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "the sigmoid chosen, or the one that its tails were added to: its ends are kept free or at 0 and 1",
    "sites": "sites with at least one shell judged",
    "shells": "shells judged",
    "log_likelihood_straight": "beta-binomial, the centre a straight line across the bearing",
    "log_likelihood_curved": "the same with two parameters more: the centre a natural cubic spline, four knots, of the "
    "distance across",
    "lr": "likelihood ratio: twice the difference of the two",
    "p_chi2": "chi-square's p of the ratio, 2 degrees of freedom; it comes out too small where sites are few",
    "p_curved": "p by surveys drawn from the straight cline: the one to believe",
    "aicc_straight": "Akaike's criterion with the small-sample term, straight",
    "aicc_curved": "the same, curved",
    "bearing_deg": "bearing of the straight cline, along which centre line and band are measured",
    "width_m": "width of the curved cline along that bearing, in metres",
    "rho": "intra-site correlation left after the curved cline",
    "bend_m": "greatest distance in metres, along the bearing, of the curved centre line from the straight one through "
    "its ends",
    "drawn": "the line in clines.gpkg and the maps of centres: curved where p_curved is 0.05 or less, else straight",
    "not_drawn_because": "why there is no line to draw though both were fitted, else empty",
    "converged": "whether the search for the curved cline ended well",
    "not_fitted_because": "why there are no numbers, else empty",
}


@dataclass(frozen=True)
class Compared:
    """A fitted sigmoid of one species and trait, in the frame that all have in common, or why there is none.

    Attributes
    ----------
    task : ClineTask
    model, reason : str
    cline : SigmoidCline or None
    judged : (n,) array of bool
        The sites of the task that the cline holds.
    """

    task: ClineTask
    model: str
    reason: str
    cline: SigmoidCline | None
    judged: NDArray[np.bool_]

    @property
    def name(self) -> str:
        """Return how a reason speaks of it."""
        return f"{self.task.trait} of {self.task.species}"


@dataclass(frozen=True)
class PairTask:
    """Two clines about one origin and in one direction, with their redrawn surveys."""

    first: SigmoidCline
    second: SigmoidCline
    redrawn: tuple[Redrawn, Redrawn]
    sites: int
    confidence: float


@dataclass(frozen=True)
class Pair:
    """What is known of two clines before they are compared; ``task`` is None where they can't be."""

    first: Compared
    second: Compared
    fixed: dict[str, object]
    task: PairTask | None


@dataclass(frozen=True)
class CurveTask:
    """A straight cline whose centre line may bend."""

    cline: SigmoidCline
    confidence: float
    rng: np.random.Generator


def fit_curve_task(task: CurveTask) -> CurvedCline:
    """Fit one curved cline."""
    return fit_curved(task.cline, task.rng, confidence=task.confidence, level=LEVEL)


def compare_task(task: PairTask) -> tuple[Comparison, ...]:
    """Compare one pair."""
    return compare_clines(task.first, task.second, task.redrawn, sites=task.sites, confidence=task.confidence)


def sigmoid_of(fitted: Clines) -> tuple[ClineFit | None, str]:
    """Return the sigmoid that speaks for a trait's cline, or why there is none."""
    if fitted.not_fitted_because:
        return None, fitted.not_fitted_because
    if fitted.chosen == "flat":
        return None, f"no cline is needed (p = {fitted.p_flat:.2g} against a flat frequency)"
    if fitted.chosen == "linear":
        return None, "it changes evenly over the stretch surveyed, without a centre of its own"
    name = fitted.chosen
    if not name.startswith("sigmoid"):
        name = "sigmoid, free ends" if fitted.p_free_ends <= LEVEL else "sigmoid"
    fit = next(one for one in fitted.fits if one.model == name)
    return (fit, "") if fit.converged else (None, "the search for its sigmoid didn't end well")


def compared(task: ClineTask, fitted: Clines, origin: tuple[float, float], unit_m: float) -> Compared:
    """Return one trait's sigmoid about an origin and in a unit, unless it fails its test or a step fits as well."""
    one = about(task, fitted, origin, unit_m)
    if one.cline is not None and any(fit.fails for fit in fitted.fits if fit.model == fitted.chosen):
        return replace(one, cline=None, reason="one line of change doesn't describe the map (see fails in clines.csv)")
    if one.cline is not None and not told_from_step(one.cline):
        return replace(one, cline=None, reason="a step fits as well, so that its width isn't known")
    return one


def about(task: ClineTask, fitted: Clines, origin: tuple[float, float], unit_m: float) -> Compared:
    """Return one trait's sigmoid about an origin and in a unit."""
    judged = task.total > 0
    fit, reason = sigmoid_of(fitted)
    if fit is None:
        return Compared(task, "", reason, None, judged)
    easting, northing = task.easting[judged], task.northing[judged]
    bearing = np.deg2rad(fit.bearing_deg)
    if isinstance(task.axis, Line):
        along = distance_along_line(easting, northing, task.axis.easting, task.axis.northing)
        east, north = np.zeros(len(along)), along / unit_m
        centre = float(fit.centre_m * np.cos(bearing))
    else:
        east, north = (easting - origin[0]) / unit_m, (northing - origin[1]) / unit_m
        shift = (origin[0] - fitted.origin_easting, origin[1] - fitted.origin_northing)
        centre = float(fit.centre_m - shift[0] * np.sin(bearing) - shift[1] * np.cos(bearing))
    axis = 0.0 if isinstance(task.axis, Line) else None if task.axis is None else float(np.deg2rad(task.axis))
    cline = sigmoid_cline(
        Sites(east, north, task.count[judged], task.total[judged], unit_m, axis),
        centre_m=centre,
        width_m=fit.width_m,
        bearing_deg=fit.bearing_deg,
        p_min=fit.p_min,
        p_max=fit.p_max,
        rho=fit.rho,
        ends_free=fit.model == "sigmoid, free ends",
    )
    return Compared(task, fit.model, "", cline, judged)


def pairs_of(clines: Sequence[Compared]) -> list[tuple[Compared, Compared]]:
    """Return the pairs: traits of one species with each other, and a trait of one species with that of another."""
    of_one, across = [], []
    for first, second in combinations(clines, 2):
        if first.task.species == second.task.species:
            of_one.append((first, second))
        elif first.task.trait == second.task.trait:
            across.append((first, second))
    return of_one + across


def prepared(
    first: Compared,
    second: Compared,
    redrawn: dict[int, Redrawn],
    scores: dict[int, Floats],
    origin: tuple[float, float],
    *,
    step_m: float = 0.0,
) -> Pair:
    """Bring two clines to one origin and one direction.

    Parameters
    ----------
    first, second : Compared
    redrawn, scores : dict
        By the identity of a :class:`Compared` with a cline; scores at all sites of the study, NaN where not judged.
    origin : (easting, northing)
        That the clines count from.
    step_m : float
        The point that both centres count from lies at whole steps, near the mean of the sites; 0: there.
    """
    fixed: dict[str, object] = {
        "species": first.task.species,
        "trait": first.task.trait,
        "second_species": second.task.species,
        "second_trait": second.task.trait,
        "model": first.model,
        "second_model": second.model,
        "reversed": False,
    }
    reason = "; ".join(f"{one.name}: {one.reason}" for one in (first, second) if one.reason)
    if not reason and not _same_axis(first.task, second.task):
        reason = "their clines were fitted along different axes"
    for one in (first, second):
        if not reason and np.isfinite(redrawn[id(one)].estimates[:, 0]).mean() < LEAST_KNOWN:
            reason = f"{one.name}: in most surveys drawn anew its width can't be told from a step"
    if reason or first.cline is None or second.cline is None:
        return Pair(first, second, {**fixed, "not_compared_because": reason}, None)
    known = np.isfinite(scores[id(first)]), np.isfinite(scores[id(second)])
    correlation, both = correlation_in_common(scores[id(first)], scores[id(second)])
    sites = int((known[0] | known[1]).sum())
    ends = [(first.cline, redrawn[id(first)]), (second.cline, redrawn[id(second)])]
    if not isinstance(first.task.axis, Line):
        middle = nearest_step(_middle(first, second), step_m)
        shift = tuple((middle - origin) / first.cline.data.unit_m)
        ends = [moved(cline, draws, (float(shift[0]), float(shift[1]))) for cline, draws in ends]
        fixed |= {"origin_x_m": float(middle[0]), "origin_y_m": float(middle[1])}
    turned = np.cos(ends[0][0].maximum.parameters[2] - ends[1][0].maximum.parameters[2]) < 0
    if turned:
        ends[1] = complement(*ends[1])
    told = np.isfinite(ends[0][1].estimates[:, 0]) & np.isfinite(ends[1][1].estimates[:, 0])
    fixed |= {
        "reversed": bool(turned), "sites": sites, "sites_both": both, "residual_correlation": correlation,
        "redrawn": int(told.sum()), "not_compared_because": "",
    }  # fmt: skip
    task = PairTask(ends[0][0], ends[1][0], (ends[0][1], ends[1][1]), sites, first.task.confidence)
    return Pair(first, second, fixed, task)


def _middle(first: Compared, second: Compared) -> Floats:
    """Return the mean place of the sites at which either trait is judged."""
    places = [np.column_stack([one.task.easting, one.task.northing])[one.judged] for one in (first, second)]
    return np.asarray(np.unique(np.vstack(places), axis=0).mean(axis=0))


def _same_axis(first: ClineTask, second: ClineTask) -> bool:
    if isinstance(first.axis, Line) or isinstance(second.axis, Line):
        return first.axis is second.axis
    return first.axis == second.axis


def concordance_rows(pair: Pair, comparisons: Sequence[Comparison]) -> pd.DataFrame:
    """Return the rows of ``concordance.csv`` of one pair: one for each parameter, with numbers or a reason."""
    by_name = {one.parameter: one for one in comparisons}
    rows: list[dict[str, object]] = []
    for parameter in SHARED:
        row: dict[str, object] = {**pair.fixed, "parameter": parameter}
        found = by_name.get(parameter)
        if found is not None:
            row |= {name: getattr(found, name) for name in CONCORDANCE_COLUMNS if hasattr(found, name)}
        elif not row["not_compared_because"]:
            row["not_compared_because"] = "the bearing was given"
        rows.append(row)
    return framed(rows, CONCORDANCE_COLUMNS)


def curve_task(task: ClineTask, fitted: Clines, rng: np.random.Generator) -> tuple[CurveTask | None, str, str]:
    """Return the task of a trait's curved cline, its model and, where there is no task, the reason."""
    fit, reason = sigmoid_of(fitted)
    if fit is not None and task.axis is not None:
        reason = "its axis was given, or its sites lie along a line"
    elif fit is not None and fitted.sites < FEWEST_SITES:
        reason = f"{fitted.sites} sites with shells judged; at least {FEWEST_SITES} are needed"
    if reason:
        return None, "", reason
    origin = (fitted.origin_easting, fitted.origin_northing)
    judged = task.total > 0
    unit = float(np.hypot(task.easting[judged] - origin[0], task.northing[judged] - origin[1]).max())
    one = about(task, fitted, origin, unit)
    assert one.cline is not None
    data, at = one.cline.data, one.cline.maximum.parameters
    along = data.along(float(at[2]))
    if not along.min() < at[0] < along.max():
        return None, one.model, "its centre lies beyond the outermost sites"
    return CurveTask(one.cline, task.confidence, rng), one.model, ""


def _why_not_drawn(curve: CurvedCline) -> str:
    if curve.curved:
        return "a straight line is rejected, and no curved one could be settled on"
    if curve.step:
        return "a step fits as well: where it lies between sites can't be told"
    return "no search in redrawn surveys ended well, so that its band can't be told"


def curved_row(
    task: ClineTask, fitted: Clines, model: str, reason: str, curve: CurvedCline | None
) -> dict[str, object]:
    """Return the row of ``curved.csv`` of one species and trait."""
    row: dict[str, object] = {
        "species": task.species, "trait": task.trait, "model": model, "sites": fitted.sites, "shells": fitted.shells,
        "drawn": "", "not_drawn_because": "", "converged": False, "not_fitted_because": reason,
    }  # fmt: skip
    if curve is not None:
        row |= {name: getattr(curve, name) for name in CURVED_COLUMNS if hasattr(curve, name)}
        if curve.line is not None:
            row["drawn"] = "curved" if curve.curved else "straight"
        else:
            row["not_drawn_because"] = _why_not_drawn(curve)
    return row
