"""Columns of the tables about habitat and temperature, explained."""

from __future__ import annotations

ENVIRONMENT_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "term": "intercept; habitat: <class>, against the reference; temperature_c, per degree Celsius; habitat: joint "
    "test of all classes, without an estimate",
    "estimate": "coefficient on the logit scale, space allowed for: between sites as they would be at one place",
    "se": "its standard error, space allowed for",
    "low": "lower limit at the study's confidence, space allowed for",
    "high": "upper limit at the study's confidence, space allowed for",
    "p_naive": "two-sided p-value when sites are taken as independent",
    "p_spatial": "two-sided p-value when neighbouring sites' residuals may be alike (logistic model): the one to "
    "believe, since it holds the other covariates and takes small samples and rare morphs for what they are",
    "effective_sites": "how many independent sites the sites are worth for this term",
    "residual_moran_i": "Moran's I of the residuals of the model that ignores space, 8 nearest neighbours",
    "residual_moran_p": "its two-sided p-value, by the moments for regression residuals",
    "reference": "habitat class that the others are compared with: the commonest",
    "p_holm": "habitat classes: p_spatial adjusted by Holm's method for all classes of the trait, so that the class "
    "with the smallest may be named",
    "se_naive": "standard error when sites are taken as independent",
    "estimate_gls": "second answer that allows for space: coefficient by generalised least squares on empirical "
    "logits; pulled towards 0 where shells, or shells with the trait, are few",
    "se_gls": "its standard error",
    "p_gls": "its two-sided p-value",
    "p_modified_t": "third answer: two-sided p-value of the plain correlation between empirical logits and this "
    "covariate alone, by Dutilleul's modified t-test; a class against the reference. It holds nothing else and weighs "
    "all sites alike",
    "spatial_share": "share of the residual variance that is an effect of place, shared by neighbours; mean over sites",
    "spatial_range_m": "range of that correlation, in metres",
    "spatial_smoothness": "its smoothness, with a = distance x sqrt(2 smoothness) / range: 0.5 is exp(-a), 1.5 is "
    "(1 + a) exp(-a); the one that the restricted likelihood of empirical logits prefers",
    "rho": "intra-site correlation left after habitat, temperature and the effect of place",
    "sites": "sites in the model",
    "shells": "shells in the model",
    "left_out_for_speed": "sites of the species that would have entered but for their number: the models take 3,000, "
    "drawn at random; 0 where all take part",
    "not_estimated_because": "why there are no numbers, else empty",
}
SKILL_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "mean only, habitat, temperature, both; space: an effect of place alone; all: place, habitat and "
    "temperature",
    "blocks": "number of blocks of neighbouring sites, each predicted from the others; with place by kriging, whose "
    "variance, range and rho are those of all sites",
    "deviance_per_shell": "binomial deviance of the blocks left out, over their shells",
    "skill": "1 - deviance / that of the mean only: 0 is no better than the mean, 1 perfect, below 0 worse",
}
EFFECT_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "term": "habitat: <class>, against the reference; temperature_c, per degree Celsius",
    "reference": "habitat class compared with; empty for temperature",
    "frequency_from": "predicted frequency, mean over the sites, if all were of the reference class; if all were half "
    "a degree cooler. Space allowed for",
    "frequency_to": "the same if all were of the class; if all were half a degree warmer",
    "effect": "frequency_to less frequency_from: 0.01 is a percentage point. Space allowed for: the one to believe",
    "low": "its lower limit at the study's confidence (delta method)",
    "high": "its upper limit",
    "effect_naive": "the same when sites are taken as independent",
    "low_naive": "its lower limit at the study's confidence",
    "high_naive": "its upper limit",
    "p_spatial": "of the term, as in environment.csv: the one to believe",
    "p_holm": "of a class, as in environment.csv",
    "p_naive": "of the term when sites are taken as independent, as in environment.csv",
    "sites": "sites in the model",
    "shells": "shells in the model",
}
PAIR_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "habitat_one": "habitat of one site of each pair",
    "habitat_other": "habitat of the other: the commonest class, as in environment.csv; or any other class",
    "pairs": "pairs of sites with shells judged, no site in two of them; as many as the distance allows, as near as "
    "they can be",
    "distance_m": "median distance between the two sites of a pair, in metres",
    "frequency_one": "mean frequency at the sites of habitat_one, with the weights of the difference",
    "frequency_other": "the same of habitat_other",
    "difference": "frequency_one less frequency_other, the mean over pairs: a pair weighs 1 / (1/m + 1/n) with the "
    "effective numbers of shells of its two samples. 0.01 is a percentage point",
    "low": "its lower limit at the study's confidence, from the scatter of the pairs",
    "high": "its upper limit",
    "p": "two-sided p-value of no difference",
    "p_holm": "adjusted by Holm's method for all classes compared with the commonest, or for all with any other",
    "within_m": "greatest distance of a pair, in metres",
    "not_tested_because": "why there are no numbers, else empty",
}
