"""How the numbers were made, in sentences with their sources, filled with the settings in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from morphcline.records.environment_tables import MOST_SITES
from morphcline.render import labels

REFERENCES = (
    "Anselin L. 1995. Local indicators of spatial association: LISA. Geographical Analysis 27: 93–115.",
    "Assunção R.M. & Reis E.A. 1999. A new proposal to adjust Moran's I for population density. Statistics in Medicine "
    "18: 2147–2162.",
    "Barbujani G., Oden N.L. & Sokal R.R. 1989. Detecting regions of abrupt change in maps of biological variables. "
    "Systematic Zoology 38: 376–389.",
    "Barton N.H. & Hewitt G.M. 1985. Analysis of hybrid zones. Annual Review of Ecology and Systematics 16: 113–148.",
    "Benjamini Y. & Hochberg Y. 1995. Controlling the false discovery rate. Journal of the Royal Statistical Society B "
    "57: 289–300.",
    "Besag J. & Clifford P. 1991. Sequential Monte Carlo p-values. Biometrika 78: 301–304.",
    "Breslow N.E. & Clayton D.G. 1993. Approximate inference in generalized linear mixed models. Journal of the "
    "American Statistical Association 88: 9–25.",
    "Brown L.D., Cai T.T. & DasGupta A. 2001. Interval estimation for a binomial proportion. Statistical Science 16: "
    "101–133.",
    "Burnham K.P. & Anderson D.R. 2002. Model selection and multimodel inference. Springer.",
    "Cain A.J. & Sheppard P.M. 1954. Natural selection in Cepaea. Genetics 39: 89–116.",
    "Calonico S., Cattaneo M.D. & Farrell M.H. 2018. On the effect of bias estimation on coverage accuracy in "
    "nonparametric inference. Journal of the American Statistical Association 113: 767–779.",
    "Chandler R.E. & Bate S. 2007. Inference for clustered data using the independence loglikelihood. Biometrika 94: "
    "167–183.",
    "Cliff A.D. & Ord J.K. 1981. Spatial processes: models and applications. Pion.",
    "Cressie N. 1985. Fitting variogram models by weighted least squares. Mathematical Geology 17: 563–586.",
    "Cressie N. 1993. Statistics for spatial data. Wiley.",
    "Davison A.C. & Hinkley D.V. 1997. Bootstrap methods and their application. Cambridge University Press.",
    "Diggle P.J. & Ribeiro P.J. 2007. Model-based geostatistics. Springer.",
    "Dutilleul P. 1993. Modifying the t test for assessing the correlation between two spatial processes. Biometrics "
    "49: 305–314.",
    "Fortin M.-J. & Dale M.R.T. 2005. Spatial analysis: a guide for ecologists. Cambridge University Press.",
    "Haldane J.B.S. 1948. The theory of a cline. Journal of Genetics 48: 277–284.",
    "Harrell F.E. 2001. Regression modeling strategies. Springer.",
    "Kenward M.G. & Roger J.H. 1997. Small sample inference for fixed effects from restricted maximum likelihood. "
    "Biometrics 53: 983–997.",
    "Kish L. 1965. Survey sampling. Wiley.",
    "Lewontin R.C. 1964. The interaction of selection and linkage. I. Genetics 49: 49–67.",
    "le Cessie S. & van Houwelingen J.C. 1991. A goodness-of-fit test for binary regression models, based on smoothing "
    "methods. Biometrics 47: 1267–1282.",
    "Loader C. 1999. Local regression and likelihood. Springer.",
    "Mantel N. 1967. The detection of disease clustering and a generalized regression approach. Cancer Research 27: "
    "209–220.",
    "Mantel N. & Haenszel W. 1959. Statistical aspects of the analysis of data from retrospective studies of disease. "
    "Journal of the National Cancer Institute 22: 719–748.",
    "Matheron G. 1963. Principles of geostatistics. Economic Geology 58: 1246–1266.",
    "Moran P.A.P. 1950. Notes on continuous stochastic phenomena. Biometrika 37: 17–23.",
    "Myllymäki M., Mrkvička T., Grabarnik P., Seijo H. & Hahn U. 2017. Global envelope tests for spatial processes. "
    "Journal of the Royal Statistical Society B 79: 381–404.",
    "Newcombe R.G. 1998. Two-sided confidence intervals for the single proportion: comparison of seven methods. "
    "Statistics in Medicine 17: 857–872.",
    "Roberts D.R. et al. 2017. Cross-validation strategies for data with temporal, spatial, hierarchical, or "
    "phylogenetic structure. Ecography 40: 913–929.",
    "Rousset F. 1997. Genetic differentiation and estimation of gene flow from F-statistics under isolation by "
    "distance. Genetics 145: 1219–1228.",
    "Schucany W.R. & Sommers J.P. 1977. Improvement of kernel type density estimators. Journal of the American "
    "Statistical Association 72: 420–423.",
    "Skellam J.G. 1948. A probability distribution derived from the binomial distribution. Journal of the Royal "
    "Statistical Society B 10: 257–261.",
    "Sokal R.R. & Oden N.L. 1978. Spatial autocorrelation in biology. Biological Journal of the Linnean Society 10: "
    "199–228.",
    "Szymura J.M. & Barton N.H. 1986. Genetic analysis of a hybrid zone between the fire-bellied toads, Bombina "
    "bombina and B. variegata, near Cracow in southern Poland. Evolution 40: 1141–1159.",
    "Tibshirani R. & Hastie T. 1987. Local likelihood estimation. Journal of the American Statistical Association 82: "
    "559–567.",
    "van Houwelingen H.C., Zwinderman K.H. & Stijnen T. 1993. A bivariate approach to meta-analysis. Statistics in "
    "Medicine 12: 2273–2284.",
    "Wagner H.H. & Dray S. 2015. Generating spatially constrained null models for irregularly spaced data using Moran "
    "spectral randomization methods. Methods in Ecology and Evolution 6: 1169–1178.",
    "Weir B.S. & Cockerham C.C. 1984. Estimating F-statistics for the analysis of population structure. Evolution 38: "
    "1358–1370.",
    "Williams D.A. 1975. The analysis of binary responses from toxicological experiments involving reproduction and "
    "teratogenicity. Biometrics 31: 949–952.",
    "Williams D.A. 1982. Extra-binomial variation in logistic linear models. Applied Statistics 31: 144–148.",
    "Womble W.H. 1951. Differential systematics. Science 114: 315–322.",
)


_NOTHING: tuple[Any, ...] = (None, [], {}, ())


def paragraphs(settings: Mapping[str, Any]) -> list[str]:
    """Return the methods as paragraphs.

    Parameters
    ----------
    settings : mapping
        The settings in force, a mapping a section.
    """
    scoring, surface = settings["scoring"], settings["surfaces"]
    spatial, axis = settings["autocorrelation"], settings["clines"]["axis"]
    return [
        "Shells. Adults with a complete lip, live or fresh, count; juveniles can't be named to species and are left "
        "out of every frequency, as are worn shells. Mid-banded is taken among banded shells, since it can't be seen "
        "in an unbanded one; effectively unbanded means that bands 1 and 2 are absent (Cain & Sheppard 1954). Each "
        "species is computed by itself. "
        + (
            "Visits to a site are added up."
            if scoring["visits"] == "pool"
            else "A site visited more than once is represented by its latest visit."
        ),
        f"Intervals. A site's interval is {'Wilson' if scoring['interval'] == 'wilson' else 'Jeffreys'}'s "
        f"({'Newcombe 1998' if scoring['interval'] == 'wilson' else 'Brown, Cai & DasGupta 2001'}) at "
        f"{labels.level(scoring['confidence'])}. Over the region, shells of one site are alike, so a site of n "
        "shells counts as n / (1 + (n − 1)ρ), where ρ is the correlation within sites of a beta-binomial fit (Skellam "
        "1948; Williams 1975; Kish 1965); its likelihood-ratio test allows for ρ lying at the edge of its range.",
        f"Surfaces. {_surface(surface)} The correlation within sites is taken about the surface, not about the "
        f"regional mean. Cells of {labels.distance(surface['cell_m'])}; a cell with less than "
        f"{surface['min_effective_shells']:g} effective shells near it (Kish 1965) is left blank. The three colours "
        "are fitted one by one and divided by their sum in each cell."
        + (
            f" A sample has no weight where the straight line from it crosses a barrier ({surface['barriers']})."
            if surface.get("barriers")
            else ""
        )
        + (f" Cells whose centre lies in {surface['mask']} are blank." if surface.get("mask") else ""),
        *_steepness(surface, settings["steepness"]),
        f"Neighbours. Moran's I (Moran 1950; Cliff & Ord 1981), {_neighbours(spatial['neighbours'])}, each site's "
        "neighbours weighing 1 together. The rate-adjusted form standardises each frequency by its own variance, as "
        "Assunção & Reis (1999) do for rare events, but with the binomial variance p(1 − p)(1 + (n − 1)ρ)/n that "
        f"common morphs between unlike sites need. p from {spatial['permutations']:,} permutations, two-sided. "
        "Correlogram by distance class, with Holm's correction (Sokal & Oden 1978) and a global envelope by extreme "
        "rank length (Myllymäki et al. 2017); its reach is where the curve, made to fall, comes down to the average "
        "over all pairs, with a bootstrap over sites in which no site is paired with itself. Variograms of empirical "
        "logits (Matheron 1963), an exponential curve by weighted least squares (Cressie 1985), the exact counting "
        "variance taken off the nugget; upper limits of a range are often open, for one region tells little of it. "
        f"Local clusters by up to {max(spatial['permutations'], 19_999):,} conditional permutations (Anselin 1995), "
        "fewer where the p-value is large (sequential "
        f"Monte Carlo: Besag & Clifford 1991), at a false-discovery rate of {labels.level(spatial['level'])} "
        f"(Benjamini & Hochberg 1995). Samples under {scoring['min_shells']} shells take no part.",
        "Genetics. Association of phenotypes within sites as D′ (Lewontin 1964), freed of the bias of small samples. "
        "Alleles by square roots of the recessive phenotype, which is maximum likelihood here, under Hardy–Weinberg "
        "proportions within each site; over sites the mean of a beta distribution with the moments seen. F_ST "
        "corrected for sample size (Weir & Cockerham 1984), between habitats by a nested analysis of variance, p by "
        "shuffling whole sites. Isolation by distance: linearised F_ST of pairs against the logarithm of distance "
        "(Rousset 1997), p by shuffling sites (Mantel 1967). Intervals over sites are the outer ones of jackknife and "
        "studentised bootstrap (for alleles and habitats, of the jackknife alone).",
        "Clines. Four models by beta-binomial likelihood: one frequency everywhere; a frequency that changes evenly "
        "over the stretch surveyed; a sigmoid from 0 to 1, which is a straight line on the logit; and a sigmoid "
        f"between free ends (Haldane 1948; Barton & Hewitt 1985), along {_axis(axis)}. Width is the span of "
        "frequencies divided by the steepest gradient. Intervals are from the profile likelihood; models are weighed "
        "by AICc (Burnham & Anderson 2002). A sigmoid with free ends gains more from noise than its parameters are "
        "charged for: a cline is only spoken of where a permutation test rejects one frequency everywhere, and free "
        "ends only where surveys drawn from the simpler cline seldom look as much like them and both ends are seen. "
        "Tails beside a central step (Szymura & Barton 1986) are tried where enough sites lie in them, and kept where "
        "surveys drawn from the sigmoid seldom show as much. Whether the model chosen describes the map is asked by "
        "smoothed residuals (le Cessie & van Houwelingen 1991) against surveys drawn from it. All samples take part, "
        "for what they are worth; intervals are as much longer as residuals that are alike among neighbours ask for "
        "(Chandler & Bate 2007).",
        "Clines compared. Centre, width and bearing of two clines, shared against own, by joint beta-binomial "
        "likelihood. Two traits of the same shells are no independent witnesses, so p-values and intervals are by "
        "surveys drawn from both clines with the correlation of their residuals at a site kept (normal copula; "
        "studentised bootstrap: Davison & Hinkley 1997); sites are taken as independent of each other beyond their "
        "clines. A curved centre is a natural cubic spline, four knots, of the distance across the cline (Harrell "
        "2001), kept where surveys drawn from the straight cline seldom gain as much by a bend; the band is widened "
        "to what surveys drawn from the line show.",
        "Habitat and temperature. Ignoring space: logistic regression with extra-binomial variance (Williams 1982). "
        "Allowing for it, and to be believed: the same model with an effect of place that is alike at near sites, "
        "fitted by penalised quasi-likelihood (Breslow & Clayton 1993) with Matérn's correlation, its range by "
        "restricted likelihood, its smoothness 1/2 or 3/2 as empirical logits prefer (Diggle & Ribeiro 2007); with "
        "standard errors that allow for what is estimated of it (Kenward & Roger 1997), and t on the degrees of "
        "freedom that the sites are worth (Dutilleul 1993). Beside it: generalised least squares on empirical logits "
        "with known binomial variance, and Dutilleul's modified t-test of one covariate. Effects in points are means "
        f"over the sites, with limits by the delta method. Up to {MOST_SITES:,} sites take part, drawn at random where "
        "there are more. "
        f"{_pairs(settings.get('habitat'))}Skill is of predictions for blocks of sites left out whole (Roberts et al. "
        "2017); those with place are by kriging, with the variance and range of all sites.",
        f"Change. Earlier and present sites within {labels.distance(settings['change']['within_m'])} of each other are "
        "paired. The test over pairs allows sites to differ for reasons of their own; the Cochran–Mantel–Haenszel test "
        "(Mantel & Haenszel 1959) over shells stands beside it in the table. The shift of the log odds conditions on "
        "each pair's shells, so that the sites' levels don't enter, and lets the shift itself vary between sites, "
        "which is their drift (van Houwelingen, Zwinderman & Stijnen 1993); where near sites drift alike, least "
        "squares with spatial errors take its place.",
    ]


def _steepness(surface: Mapping[str, Any], steep: Mapping[str, Any]) -> list[str]:
    if surface["degree"] != 1:
        return []
    return [
        "Steepness. The gradient is the slope of the local logistic plane (Loader 1999). Limits are about twice the "
        "gradient of a narrower bandwidth less that of one √2 times as wide (three quarters of the surface's), which "
        "takes most of the blur away (Schucany & Sommers 1977), with the error of that difference (Calonico, "
        "Cattaneo & Farrell 2018); the lower one allows for the length of a noisy vector (noncentral chi-square). "
        "Zones: the slopes of what sites differ by from the regional frequency, in units of their own standard "
        f"errors, against {steep['permutations']:,} permutations of it among the sites (Womble 1951; Barbujani, Oden "
        "& Sokal 1989; Fortin & Dale 2005), the largest over the region; and the same about an even slope of the "
        "logits. Whether two traits are steep in the same places: one's pattern is turned at random within bands of "
        "scale (spectral randomisation: Wagner & Dray 2015)."
    ]


def _surface(surface: Mapping[str, Any]) -> str:
    kind = (
        "Local logistic fits (local likelihood of degree 1: Tibshirani & Hastie 1987; Loader 1999)"
        if surface["degree"] == 1
        else "Kernel-weighted proportions"
    )
    return (
        f"{kind}, {surface['kernel']} kernel, {_bandwidth(surface['bandwidth'])}; sites weighted as above. "
        "The standard error holds chance, by the sandwich of the local likelihood, and the mean squared bias that the "
        "smoother's weights have for a smooth Gaussian field about a plane on the logit (Cressie 1993), its variance "
        "and range averaged over their restricted likelihood."
    )


def _bandwidth(bandwidth: Any) -> str:
    if bandwidth == "cross-validated":
        return (
            "bandwidth the wider of two: those under which sites left out one by one, and blocks of neighbouring sites "
            "as far from the rest as the map is from a sample, are foretold best (Loader 1999; Roberts et al. 2017), "
            "or as well within a quarter of the difference's standard error"
        )
    if isinstance(bandwidth, Mapping):
        return f"bandwidth reaching the {bandwidth['neighbours']} nearest sites"
    return f"bandwidth {labels.distance(float(bandwidth))}"


def _neighbours(neighbours: Any) -> str:
    if isinstance(neighbours, Mapping):
        return f"neighbours within {labels.distance(neighbours['within_m'])}"
    return f"{neighbours} nearest neighbours"


def _pairs(habitat: Mapping[str, Any] | None) -> str:
    if habitat is None:
        return ""
    return (
        f"Pairs of sites of two habitats within {labels.distance(habitat['paired_within_m'])}, as many as can be and "
        "as near as can be, no site in two: mean difference over pairs, t from their scatter. "
    )


def _axis(axis: Any) -> str:
    if axis == "best":
        return "the bearing that fits best, estimated with the rest"
    if isinstance(axis, int | float):
        return f"the bearing {labels.bearing(axis)}"
    return "the line given"


def settings_rows(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the settings in force as (key, value) texts; records' own tables are left to ``run.json``."""
    rows: list[tuple[str, str]] = []
    for section, keys in settings.items():
        if section in {"records", "earlier"}:
            continue
        if not isinstance(keys, Mapping):
            rows.append((f"[{section}]", "left out" if keys is None else str(keys)))
            continue
        rows += [(f"[{section}] {key}", _value(value)) for key, value in keys.items() if value not in _NOTHING]
    return rows


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} = {_value(item)}" for key, item in value.items() if item not in _NOTHING)
    if isinstance(value, list | tuple):
        return "; ".join(_value(item) for item in value) if _nested(value) else ", ".join(map(_value, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _nested(values: Sequence[Any]) -> bool:
    return any(isinstance(value, Mapping) for value in values)
