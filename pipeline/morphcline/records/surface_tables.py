"""What the columns of the surfaces' tables hold."""

from __future__ import annotations

from morphcline.stats.smoothing import LEAST_SITES

#: What a standard error says, and what it doesn't.
ERROR_NOTE = (
    "The standard error covers chance, in the shells and in the sites, and what smoothing blurs as far as half the "
    "bandwidth shows it; along an edge sharper than a bandwidth the surface is blurred by more than it says."
)

BANDWIDTH_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait that the bandwidth is for; the three colours share one, and so do the nine morphs: they stand "
    "together, with commas between",
    "bandwidth_m": "candidate bandwidth in metres: standard deviation of the Gaussian, half-width of the others; "
    "for a bandwidth that follows the sites, its median over them",
    "deviance": "leave-one-site-out deviance (for colours and morphs multinomial), scaled for over-dispersion; lower "
    "foretells better",
    "chosen": "True for the bandwidth that the surface has",
}
SURFACE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "bandwidth_m": "bandwidth in metres; its median over the sites where it follows them",
    "degree": "0: kernel-weighted proportion; 1: local logistic plane",
    "kernel": "gaussian, epanechnikov or tricube",
    "cells": "cells of the raster inside the study area",
    "cells_blank": "of these, cells with less support than the study file asks for, and for planes those with fewer "
    f"than {LEAST_SITES:g} effective sites or none that span a plane",
    "fallback_cells": "shown cells whose plane the shells alone don't hold: with less than half an effective shell "
    "of a kind in reach, where the frequency goes over to the proportion, or with sites so nearly separated that the "
    "slope is held; their standard error allows for it",
    "sites": "samples with shells that can show the trait",
    "shells": "shells that can show the trait",
    "rho": "intra-site correlation about the surface, by which samples are weighted; it holds no difference that the "
    "surface follows, unlike the regional one. Colours share theirs, and so do the nine morphs",
    "closure_max": "largest misfit of the sum of the colours, or of the nine morphs, in a shown cell before they were "
    "divided by it. Colours are divided by their sum, always. The nine morphs are fitted one by one and leave room for "
    "shells with another single band: they are divided by their sum where it exceeds 1, and everywhere if no such "
    "shell was found; 0 for other traits",
    "not_smoothed_because": "why the trait has no surface, else empty",
}
