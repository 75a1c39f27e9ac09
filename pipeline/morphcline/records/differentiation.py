"""From frequencies to how far sites and habitats differ in each trait."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.stacking import in_study_order
from morphcline.scoring.traits import MORPHS
from morphcline.stats.differentiation import Differentiation, among_sites, by_habitat
from morphcline.study import Scoring

Floats = NDArray[np.float64]

COLOURS = ("yellow", "pink", "brown")
#: The name under which the three colours stand together.
COLOUR = "colour"
SITES, WITHIN, HABITATS = "sites", "sites within habitats", "habitats"
#: Resampled surveys behind an interval, and shuffles of the sites over the habitats.
DRAWS = 999

DIFFERENTIATION = {
    "species": "species",
    "trait": f"trait, each against the rest of its denominator; {COLOUR}: the three colours together. Frequencies are "
    "those of phenotypes, the shells treated as copies of an allele; of alleles see alleles.csv",
    "level": f"what differs: {SITES}, over the region; {HABITATS}; {WITHIN}",
    "fst": "F_ST at this level without correction, every site counting alike: sampling error counts as differentiation "
    "(Wright)",
    "fst_corrected": "freed of sampling error, larger samples counting for more (Weir & Cockerham); can be below 0",
    "low": "lower limit of fst_corrected by how sites scatter, whatever the form of their distribution",
    "high": "upper limit",
    "p": f"of none at this level; {SITES} and {WITHIN}: chi-square of the shells with its exact mean and variance; "
    f"{HABITATS}: {DRAWS} shuffles of whole sites over the habitats, which leave out where sites lie",
    "units": "sites or habitats compared",
    "sites": "sites with a large enough sample; at the levels of habitats those that share theirs with another",
    "shells": "their shells in the denominator",
    "note": "why there are no numbers, or what the numbers leave out",
}


def differentiation(
    frequencies: pd.DataFrame,
    habitat: pd.Series[str],
    scoring: Scoring,
    rng_of: Callable[[str, str], np.random.Generator],
) -> pd.DataFrame:
    """Return how far sites and habitats differ, trait by trait; the nine morphs are left out.

    Parameters
    ----------
    frequencies : DataFrame
        Columns of ``frequencies.csv``, one survey.
    habitat : Series
        Habitat by site, empty where unknown.
    scoring : Scoring
    rng_of : callable
        Species and trait to a generator.

    Returns
    -------
    DataFrame
        Columns of ``differentiation.csv``.
    """
    lines = []
    for species in scoring.species:
        rows = frequencies[(frequencies["species"] == species) & frequencies["enough"].astype(bool)]
        for trait, sites, kinds in kinds_of_shells(rows):
            lives = habitat.reindex(sites).fillna("").to_numpy(dtype=str)
            for_sites, for_habitats = rng_of(species, trait).spawn(2)
            whole = among_sites(kinds, draws=DRAWS, rng=for_sites, confidence=scoring.confidence)
            between, within = by_habitat(kinds, lives, shuffles=DRAWS, rng=for_habitats, confidence=scoring.confidence)
            shared = np.isin(lives, [name for name in set(lives) - {""} if (lives == name).sum() > 1])
            shells = int(kinds.sum()), int(kinds[shared].sum())
            lines.append(
                pd.DataFrame(
                    [
                        {**_line(whole, SITES, shells[0]), "note": _why_not(whole, SITES)},
                        {**_line(between, HABITATS, shells[1]), "note": _why_not(between, HABITATS)},
                        {**_line(within, WITHIN, shells[1]), "note": _why_not(within, WITHIN)},
                    ]
                ).assign(species=species, trait=trait)
            )
    return in_study_order(lines, DIFFERENTIATION, scoring.species, by_site=False)


def kinds_of_shells(frequencies: pd.DataFrame) -> Iterator[tuple[str, list[str], Floats]]:
    """Give, for the three colours together and for each trait, its sites and their shells of each kind.

    Parameters
    ----------
    frequencies : DataFrame
        site, trait, count, total of one species.

    Yields
    ------
    trait, sites, kinds
        Kinds of shape (sites, kinds), each shell of one kind; sites in alphabetical order.
    """
    known = frequencies[frequencies["total"] > 0]
    present = list(dict.fromkeys(known["trait"]))
    count = known.pivot_table(index="site", columns="trait", values="count", aggfunc="sum")
    total = known.pivot_table(index="site", columns="trait", values="total", aggfunc="sum")
    if set(COLOURS) <= set(present):
        shells = count[list(COLOURS)].dropna()
        yield COLOUR, list(shells.index), shells.to_numpy(dtype=float)
    for trait in present:
        if trait not in MORPHS:
            shown, among = count[trait].dropna(), total[trait].dropna()
            yield str(trait), list(shown.index), np.column_stack([shown, among - shown]).astype(float)


def _line(found: Differentiation, level: str, shells: int) -> dict[str, Any]:
    names = ("fst", "fst_corrected", "low", "high", "p", "units", "sites")
    return {"level": level, "shells": shells, **{name: getattr(found, name) for name in names}}


def _why_not(found: Differentiation, level: str) -> str:
    if np.isnan(found.fst_corrected):
        if level != SITES and (found.sites == 0 or (level == HABITATS and found.units < 2)):
            return "fewer than two habitats with two sites"
        return "fewer than two sites" if found.sites < 2 else "all shells are alike"
    if np.isnan(found.low):
        return "too few sites, or too little difference, for an interval"
    return "near sites being alike is left out of p" if level == HABITATS else ""
