"""What the columns of the surfaces' tables hold, and the rows of the bandwidths' curves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from morphcline.stats.bandwidth import Choice
from morphcline.stats.smoothing import LEAST_SITES

#: What a standard error says, and what it doesn't.
ERROR_NOTE = (
    "The standard error covers chance, in the shells and in the sites, and what smoothing misses of a field that "
    "varies as smoothly everywhere as it does on the average of the sites; along an edge sharper than a bandwidth the "
    "surface is blurred by more than it says, and within some kilometres of the area's border, beyond which no sample "
    "lies, it may be less sure. Frequency and 1.96 standard errors to either side make its interval."
)
CHOICE_NOTE = "the wider of those under which sites left out one by one and by blocks are foretold best"
BARRIER_NOTE = (
    "a sample has no weight at a place if the straight line between them crosses a barrier, though a way round may be "
    "open"
)

BANDWIDTH_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait that the bandwidth is for; the three colours share one, and so do the nine morphs: they stand "
    "together, with commas between",
    "left_out": "what was left out at a time to be foretold by the rest: one site, or blocks of neighbouring sites, so "
    "many of them that a site left out lies as far from the nearest one left in as a place of the map does from a "
    "sample; empty where the bandwidth follows the sites",
    "bandwidth_m": "candidate bandwidth in metres: standard deviation of the Gaussian, half-width of the others; "
    "for a bandwidth that follows the sites, its median over them",
    "deviance": "deviance of the sites left out, at their exact places (for colours and morphs multinomial), scaled "
    "for over-dispersion; lower foretells better",
    "chosen": "True for the bandwidth that the surface has: on each curve the widest is taken whose deviance exceeds "
    "the lowest by a quarter of the difference's standard error at most, and of the two curves the wider",
}
SURFACE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "bandwidth_m": "bandwidth in metres, by the sites' exact places; its median over them where it follows them",
    "bandwidth_left_out": "the curve that the bandwidth is from: one site, or blocks (see bandwidth.csv); one site "
    "where it was given in metres, empty where it follows the sites",
    "degree": "0: kernel-weighted proportion; 1: local logistic plane",
    "kernel": "gaussian, epanechnikov or tricube",
    "cells": "cells of the raster inside the study area, without those masked",
    "cells_masked": "further cells inside the study area, left blank because their centre lies in the mask",
    "cells_blank": "of these, cells with less support than the study file asks for, and for planes those with fewer "
    f"than {LEAST_SITES:g} effective sites or none that span a plane",
    "cells_without_plane": "of the blank cells, those with shells enough: too few sites in reach, or on a line, so "
    "that they don't tell a plane",
    "fallback_cells": "shown cells whose plane the shells alone don't hold: with less than half an effective shell "
    "of a kind in reach, where the frequency goes over to the proportion, or with sites so nearly separated that the "
    "slope is held; their standard error allows for it",
    "sites": "samples with shells that can show the trait, which the surface is drawn from: each stands at the centre "
    "of the square that hides its site (tag PLACES of the raster), and withheld sites are left out",
    "shells": "shells of theirs that can show the trait",
    "rho": "intra-site correlation about the surface, by which samples are weighted; it holds no difference that the "
    "surface follows, unlike the regional one. Colours share theirs, and so do the nine morphs",
    "closure_max": "largest misfit of the sum of the colours, or of the nine morphs, in a shown cell before they were "
    "divided by it. Colours are divided by their sum, always. The nine morphs are fitted one by one and leave room for "
    "shells with another single band: they are divided by their sum where it exceeds 1, and everywhere if no such "
    "shell was found; 0 for other traits",
    "field_sd_logits": "standard deviation, in logits, of the smooth field that the sites show about a plane over the "
    "region, averaged over what they can't tell; by it the standard error allows for what smoothing misses",
    "field_range_m": "distance in metres over which that field stays alike: the range of a Matérn correlation of "
    "smoothness 3/2, averaged likewise",
    "not_smoothed_because": "why the trait has no surface, else empty",
}


def curve_rows(species: str, traits: Sequence[str], curves: Mapping[str, Choice], used: str) -> pd.DataFrame:
    """Return the rows of ``bandwidth.csv`` of a family of traits.

    Parameters
    ----------
    species : str
    traits : sequence of str
    curves : mapping
        What was left out at a time, to the curve.
    used : str
        The curve that the surface's bandwidth is from.
    """
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "species": species,
                    "trait": ", ".join(traits),
                    "left_out": left_out,
                    "bandwidth_m": curve.candidates,
                    "deviance": curve.deviance,
                    "chosen": (curve.candidates == curve.bandwidth) & (left_out == used),
                }
            )
            for left_out, curve in curves.items()
        ],
        ignore_index=True,
    )
