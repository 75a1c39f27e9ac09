"""What the columns of the tables on steepness hold."""

from __future__ import annotations

#: What the null of a steep zone is, and what it isn't.
ZONE_NOTE = (
    "A zone is where the surface is steeper than it would be were samples placed at random: sites keep their places "
    "and sample sizes, and exchange what they differ by from the regional frequency. It shows pattern, such as a cline "
    "or an area effect has, or as distance alone makes among neighbours; it doesn't show a barrier."
)

STEEPNESS_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, of those that figures show",
    "sites": "samples with shells that can show the trait, where the surface is drawn from them: at the centres of the "
    "squares that hide their sites, withheld ones left out",
    "shells": "shells of theirs that can show the trait",
    "bandwidth_m": "bandwidth of the surface in metres; its median over the sites where it follows them",
    "x_m": "easting of the place where steepness stands out most from chance, in the study's CRS",
    "y_m": "northing of that place",
    "surface_per_km": "gradient of the surface as drawn at that place: frequency per kilometre; smoothing makes it too "
    "small in the middle of a cline",
    "surface_se": "its standard error by chance alone, per kilometre (delta method, sandwich)",
    "at_least_per_km": "lower limit of the surface's gradient by chance alone. Smoothing makes no gradient steeper "
    "than the steepest that it takes in: somewhere in reach the truth is at least so steep",
    "gradient_per_km": "gradient at that place, corrected for what smoothing blurs (from two narrower bandwidths)",
    "low": "lower limit of the true gradient there, per kilometre, at the study's confidence; 0 where it could be "
    "chance about no gradient. The limits allow for the length of a noisy arrow being too large, not for the place "
    "having been sought",
    "high": "upper limit, per kilometre",
    "bearing_deg": "bearing of the surface's steepest rise there, clockwise from grid north; empty where chance could "
    "have turned it any way (at_least_per_km is 0)",
    "bearing_se_deg": "its standard error in degrees, by chance alone",
    "steep_cells": "cells steeper than samples placed at random allow",
    "steep_area_km2": "their area",
    "p": "the smallest p over all points looked at, allowing for their number: steeper anywhere than samples placed at "
    "random allow (permutations, largest statistic)",
    "steeper_cells": "cells, of these, steeper also than an even slope of the logits over the region with sites placed "
    "at random about it",
    "steeper_area_km2": "their area",
    "p_even_slope": "as p, of that second test",
    "points": "points of the lattice at which steepness was taken",
    "permutations": "permutations of each test",
    "not_measured_because": "why steepness isn't measured, else empty",
}

TOGETHER_COLUMNS = {
    "species": "species, by its full name",
    "trait": "a colour",
    "other_trait": "a trait of banding: pairs of one locus coincide because the one falls where the other rises, and "
    "are left out",
    "sites": "samples that can show both",
    "steep_km2": "area of the first trait's steep zone where both have support",
    "other_steep_km2": "area of the second trait's steep zone there",
    "both_km2": "area of both zones together",
    "both_expected_km2": "mean of that were the second trait's pattern placed at random, as smooth as it is",
    "share": "area steep in both over the area steep in either",
    "likeness": "cosine of the two traits' steepness over the region: 1 where one is a multiple of the other "
    "everywhere",
    "likeness_expected": "mean of that were the second trait's pattern so placed",
    "p": "chance of at least that likeness were the second trait's pattern so placed, or the first's, whichever is "
    "larger (spectral randomisation). Small p: the traits are steep "
    "in the same places. Colour and banding are linked within samples, which by itself makes them so",
    "p_holm": "p corrected for the number of pairs of the species (Holm)",
    "draws": "placements drawn",
    "not_tested_because": "why the pair isn't tested, else empty",
}
