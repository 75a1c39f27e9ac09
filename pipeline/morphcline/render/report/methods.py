"""How the numbers were made, in sentences with their sources, filled with the settings in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from morphcline.language import _, many, marked, with_marks
from morphcline.records.autocorrelation_tables import LOCAL_DRAWS
from morphcline.records.environment_tables import MOST_SITES
from morphcline.render import labels
from morphcline.render.report.references import REFERENCES as REFERENCES

_NOTHING: tuple[Any, ...] = (None, [], {}, ())

_SHELLS = marked(
    "Shells. Adults with a complete lip, live or fresh, count; juveniles can't be named to species and are left out of "
    "every frequency, as are worn shells. Mid-banded is taken among banded shells, since it can't be seen in an "
    "unbanded one; effectively unbanded means that bands 1 and 2 are absent (Cain & Sheppard 1954). Each species is "
    "computed by itself."
)
_ADDED_UP = marked("Visits to a site are added up.")
_LATEST = marked("A site visited more than once is represented by its latest visit.")

_WILSON = marked("Intervals. A site's interval is Wilson's (Newcombe 1998) at {confidence}.")
_JEFFREYS = marked("Intervals. A site's interval is Jeffreys's (Brown, Cai & DasGupta 2001) at {confidence}.")
_ALIKE_AT_A_SITE = marked(
    "Over the region, shells of one site are alike, so a site of n shells counts as n / (1 + (n − 1)ρ), where ρ is the "
    "correlation within sites of a beta-binomial fit (Skellam 1948; Williams 1975; Kish 1965); its likelihood-ratio "
    "test allows for ρ lying at the edge of its range."
)

_LOGISTIC = marked(
    "Surfaces. Local logistic fits (local likelihood of degree 1: Tibshirani & Hastie 1987; Loader 1999), {kernel} "
    "kernel; sites weighted as above."
)
_PROPORTIONS = marked("Surfaces. Kernel-weighted proportions, {kernel} kernel; sites weighted as above.")
_CROSS_VALIDATED = marked(
    "The bandwidth is the wider of two: those under which sites left out one by one, and blocks of neighbouring sites "
    "as far from the rest as the map is from a sample, are predicted best (Loader 1999; Roberts et al. 2017), or as "
    "well within a quarter of the difference's standard error."
)
_FIXED_BANDWIDTH = marked("The bandwidth is {distance}.")
_STANDARD_ERROR = marked(
    "The standard error holds chance, by the sandwich of the local likelihood, and the mean squared bias that the "
    "smoother's weights have for a smooth Gaussian field about a plane on the logit (Cressie 1993), its variance and "
    "range averaged over their restricted likelihood. The correlation within sites is taken about the surface, not "
    "about the regional mean."
)
_CELLS = marked(
    "Cells of {cell}; a cell with less than {shells} effective shells near it (Kish 1965) is left blank. The three "
    "colours are fitted one by one and divided by their sum in each cell."
)
_DRAWN = marked(
    "The surfaces and their steepness, maps and numbers, are drawn from the centres of the squares of {side} or more "
    "that hide the sites, bandwidths chosen by the exact places; every other number rests on the exact places."
)
_BARRIERS = marked("A sample has no weight where the straight line from it crosses a barrier ({file}).")
_MASK = marked("Cells whose centre lies in {file} are blank.")

_STEEPNESS = marked(
    "Steepness. The gradient is the slope of the local logistic plane (Loader 1999). Limits are about twice the "
    "gradient of a narrower bandwidth less that of one √2 times as wide (three quarters of the surface's), which takes "
    "most of the blur away (Schucany & Sommers 1977), with the error of that difference (Calonico, Cattaneo & Farrell "
    "2018); the lower one allows for the length of a noisy vector (noncentral chi-square). Zones: the slopes of what "
    "sites differ by from the regional frequency, in units of their own standard errors, against {permutations} "
    "permutations of it among the sites (Womble 1951; Barbujani, Oden & Sokal 1989; Fortin & Dale 2005), the largest "
    "over the region; and the same about an even slope of the logits. Whether two traits are steep in the same places: "
    "one's pattern is turned at random within bands of scale (spectral randomisation: Wagner & Dray 2015)."
)

_WITHIN = marked(
    "Neighbours. Moran's I (Moran 1950; Cliff & Ord 1981) over neighbours within {distance}, each site's neighbours "
    "weighing 1 together."
)
_RATES = marked(
    "The rate-adjusted form standardises each frequency by its own variance, as Assunção & Reis (1999) do for rare "
    "events, but with the binomial variance p(1 − p)(1 + (n − 1)ρ)/n that common morphs between unlike sites need. p "
    "from {permutations} permutations, two-sided."
)
_CORRELOGRAM = marked(
    "Correlogram by distance class, with Holm's correction (Sokal & Oden 1978) and a global envelope by extreme rank "
    "length (Myllymäki et al. 2017); its reach is where the curve, made to fall, comes down to the average over all "
    "pairs, with a bootstrap over sites in which no site is paired with itself. Variograms of empirical logits "
    "(Matheron 1963), an exponential curve by weighted least squares (Cressie 1985), the exact counting variance taken "
    "off the nugget; upper limits of a range are often open, for one region tells little of it."
)
_CLUSTERS = marked(
    "Local clusters by up to {permutations} conditional permutations (Anselin 1995), fewer where the p-value is large "
    "(sequential Monte Carlo: Besag & Clifford 1991), at a false-discovery rate of {level} (Benjamini & Hochberg "
    "1995). Samples under {shells} shells take no part."
)

_GENETICS = marked(
    "Genetics. Association of phenotypes within sites as D′ (Lewontin 1964), freed of the bias of small samples. "
    "Alleles by square roots of the recessive phenotype, which is maximum likelihood here, under Hardy–Weinberg "
    "proportions within each site; over sites the mean of a beta distribution with the moments seen. F_ST corrected "
    "for sample size (Weir & Cockerham 1984), between habitats by a nested analysis of variance, p by shuffling whole "
    "sites. Isolation by distance: linearised F_ST of pairs against the logarithm of distance (Rousset 1997), p by "
    "shuffling sites (Mantel 1967). Intervals over sites are the outer ones of jackknife and studentised bootstrap "
    "(for alleles and habitats, of the jackknife alone)."
)

_CLINES = marked(
    "Clines. Four models by beta-binomial likelihood: one frequency everywhere; a frequency that changes evenly over "
    "the stretch surveyed; a sigmoid from 0 to 1, which is a straight line on the logit; and a sigmoid between free "
    "ends (Haldane 1948; Barton & Hewitt 1985)."
)
_BEST_AXIS = marked("They run along the bearing that fits best, which is estimated with the rest.")
_BEARING = marked("They run along the bearing {bearing}.")
_LINE = marked("They run along the line given.")
_CLINE_TESTS = marked(
    "Width is the span of frequencies divided by the steepest gradient. Intervals are from the profile likelihood; "
    "models are weighed by AICc (Burnham & Anderson 2002). A sigmoid with free ends gains more from noise than its "
    "parameters are charged for: a cline is only spoken of where a permutation test rejects one frequency everywhere, "
    "and free ends only where surveys simulated from the simpler cline seldom look as much like them and both ends "
    "are seen. Tails beside a central step (Szymura & Barton 1986) are tried where enough sites lie in them, and kept "
    "where surveys simulated from the sigmoid seldom show as much. Whether the model chosen describes the map is "
    "asked by smoothed residuals (le Cessie & van Houwelingen 1991) against surveys simulated from it. All samples "
    "take part, for what they are worth; intervals are as much longer as residuals that are alike among neighbours "
    "ask for (Chandler & Bate 2007)."
)
_COMPARED = marked(
    "Clines compared. Centre, width and bearing of two clines, shared against own, by joint beta-binomial likelihood. "
    "Two traits of the same shells are no independent witnesses, so p-values and intervals are by surveys simulated "
    "from both clines with the correlation of their residuals at a site kept (normal copula; studentised bootstrap: "
    "Davison & Hinkley 1997); sites are taken as independent of each other beyond their clines. A curved centre is a "
    "natural cubic spline, four knots, of the distance across the cline (Harrell 2001), kept where surveys simulated "
    "from the straight cline seldom gain as much by a bend; the band is widened to what surveys simulated from the "
    "line show."
)

_ENVIRONMENT = marked(
    "Habitat and temperature. Ignoring space: logistic regression with extra-binomial variance (Williams 1982). "
    "Allowing for it, and to be believed: the same model with an effect of place that is alike at near sites, fitted "
    "by penalised quasi-likelihood (Breslow & Clayton 1993) with Matérn's correlation, its range by restricted "
    "likelihood, its smoothness 1/2 or 3/2 as empirical logits prefer (Diggle & Ribeiro 2007); with standard errors "
    "that allow for what is estimated of it (Kenward & Roger 1997), and t on the degrees of freedom that the sites are "
    "worth (Dutilleul 1993). Beside it: generalised least squares on empirical logits with known binomial variance, "
    "and Dutilleul's modified t-test of one covariate. Effects in points are means over the sites, with limits by the "
    "delta method. Up to {sites} sites take part, drawn at random where there are more."
)
_PAIRS = marked(
    "Pairs of sites of two habitats within {distance}, as many as can be and as near as can be, no site in two: mean "
    "difference over pairs, t from their scatter."
)
_SKILL = marked(
    "Skill is of predictions for blocks of sites left out whole (Roberts et al. 2017); those with place are by "
    "kriging, with the variance and range of all sites."
)

_CHANGE = marked(
    "Change. Earlier and present sites within {distance} of each other are paired. The test over pairs allows sites to "
    "differ for reasons of their own; the Cochran–Mantel–Haenszel test (Mantel & Haenszel 1959) over shells stands "
    "beside it in the table. The shift of the log odds conditions on each pair's shells, so that the sites' levels "
    "don't enter, and lets the shift itself vary between sites, which is their drift (van Houwelingen, Zwinderman & "
    "Stijnen 1993); where near sites drift alike, least squares with spatial errors take its place."
)


def paragraphs(settings: Mapping[str, Any]) -> list[str]:
    """Return the methods as paragraphs, each a subject.

    Parameters
    ----------
    settings : mapping
        The settings in force, a mapping a section.
    """
    scoring = settings["scoring"]
    told = [
        [_(_SHELLS), _(_ADDED_UP if scoring["visits"] == "pool" else _LATEST)],
        [
            _(_WILSON if scoring["interval"] == "wilson" else _JEFFREYS).format(
                confidence=labels.level(scoring["confidence"])
            ),
            _(_ALIKE_AT_A_SITE),
        ],
        [*_surfaces(settings["surfaces"]), *_drawn(settings.get("publish"))],
        _steepness(settings["surfaces"], settings["steepness"]),
        _likeness(settings["autocorrelation"], scoring["min_shells"]),
        [_(_GENETICS)],
        [_(_CLINES), _axis(settings["clines"]["axis"]), _(_CLINE_TESTS)],
        [_(_COMPARED)],
        [_(_ENVIRONMENT).format(sites=labels.number(MOST_SITES)), *_pairs(settings.get("habitat")), _(_SKILL)],
        [_(_CHANGE).format(distance=labels.distance(settings["change"]["within_m"]))],
    ]
    return [" ".join(sentences) for sentences in told if sentences]


def _surfaces(surface: Mapping[str, Any]) -> list[str]:
    kind = _(_LOGISTIC if surface["degree"] == 1 else _PROPORTIONS)
    told = [
        kind.format(kernel=labels.kernel_name(surface["kernel"])),
        _bandwidth(surface["bandwidth"]),
        _(_STANDARD_ERROR),
        _(_CELLS).format(
            cell=labels.distance(surface["cell_m"]), shells=with_marks(f"{surface['min_effective_shells']:g}")
        ),
    ]
    if surface.get("barriers"):
        told.append(_(_BARRIERS).format(file=surface["barriers"]))
    if surface.get("mask"):
        told.append(_(_MASK).format(file=surface["mask"]))
    return told


def _drawn(publish: Mapping[str, Any] | None) -> list[str]:
    if not publish or not publish.get("blur_m"):
        return []
    return [_(_DRAWN).format(side=labels.distance(float(publish["blur_m"])))]


def _bandwidth(bandwidth: Any) -> str:
    if bandwidth == "cross-validated":
        return _(_CROSS_VALIDATED)
    if isinstance(bandwidth, Mapping):
        sites = int(bandwidth["neighbours"])
        return many(
            "The bandwidth reaches the {sites} nearest site.", "The bandwidth reaches the {sites} nearest sites.", sites
        ).format(sites=labels.number(sites))
    return _(_FIXED_BANDWIDTH).format(distance=labels.distance(float(bandwidth)))


def _steepness(surface: Mapping[str, Any], steep: Mapping[str, Any]) -> list[str]:
    if surface["degree"] != 1:
        return []
    return [_(_STEEPNESS).format(permutations=labels.number(steep["permutations"]))]


def _likeness(spatial: Mapping[str, Any], least_shells: int) -> list[str]:
    permutations = spatial["permutations"]
    return [
        _neighbours(spatial["neighbours"]),
        _(_RATES).format(permutations=labels.number(permutations)),
        _(_CORRELOGRAM),
        _(_CLUSTERS).format(
            permutations=labels.number(max(permutations, LOCAL_DRAWS)),
            level=labels.level(spatial["level"]),
            shells=labels.number(least_shells),
        ),
    ]


def _neighbours(neighbours: Any) -> str:
    if isinstance(neighbours, Mapping):
        return _(_WITHIN).format(distance=labels.distance(neighbours["within_m"]))
    return many(
        "Neighbours. Moran's I (Moran 1950; Cliff & Ord 1981) over the {neighbours} nearest neighbour, which weighs 1.",
        "Neighbours. Moran's I (Moran 1950; Cliff & Ord 1981) over the {neighbours} nearest neighbours, each site's "
        "neighbours weighing 1 together.",
        neighbours,
    ).format(neighbours=labels.number(neighbours))


def _axis(axis: Any) -> str:
    if axis == "best":
        return _(_BEST_AXIS)
    if isinstance(axis, int | float):
        return _(_BEARING).format(bearing=labels.bearing(axis))
    return _(_LINE)


def _pairs(habitat: Mapping[str, Any] | None) -> list[str]:
    return [] if habitat is None else [_(_PAIRS).format(distance=labels.distance(habitat["paired_within_m"]))]


def settings_rows(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the settings in force as (key, value) texts, as a study file has them, for a public page.

    Records' own tables are left to ``run.json``; names of sites that are to be kept back are counted only.
    """
    rows: list[tuple[str, str]] = []
    for section, keys in settings.items():
        if section in {"records", "earlier"}:
            continue
        if not isinstance(keys, Mapping):
            rows.append((f"[{section}]", _("left out") if keys is None else str(keys)))
            continue
        shown = {key: value for key, value in keys.items() if value not in _NOTHING and key != "pseudonym_key"}
        if "sensitive" in shown:
            shown["sensitive"] = [_without_names(entry) for entry in shown["sensitive"]]
        rows += [(f"[{section}] {key}", _value(value)) for key, value in shown.items()]
    return rows


def _without_names(entry: Mapping[str, Any]) -> dict[str, Any]:
    sites = entry.get("sites") or ()
    named = many("{sites} site that is not named here", "{sites} sites that are not named here", len(sites))
    return {**entry, "sites": named.format(sites=labels.number(len(sites))) if sites else None}


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} = {_value(item)}" for key, item in value.items() if item not in _NOTHING)
    if isinstance(value, list | tuple):
        return "; ".join(_value(item) for item in value) if _nested(value) else ", ".join(map(_value, value))
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _nested(values: Sequence[Any]) -> bool:
    return any(isinstance(value, Mapping) for value in values)
