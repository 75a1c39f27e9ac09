"""Moran's I with 999 permutations of twelve traits: esda beside ours."""

from __future__ import annotations

import warnings

import numpy as np
from measuring import (
    Case,
    Row,
    first_call_s,
    interleaved,
    invented_survey,
    memory_bandwidth,
    peak_mb,
    run_script,
)

from morphcline.stats.autocorrelation import moran
from morphcline.stats.neighbours import nearest, within
from morphcline.stats.permutation import permute_moran

PERMUTATIONS = 999
SIZES = {1_000: 30.0, 10_000: 30.0, 100_000: 20.0}
PEER = "esda.Moran × 12"
#: Above so many sites one of the peer's twelve traits is timed, and its time taken twelve times.
ONE_TRAIT_ABOVE = 10_000
_BOTH = (
    "of the kernel's time a tenth goes to drawing the permutations, two fifths to fetching the permuted values and "
    "half to multiplying them by the weights, at 10,000 sites; at 100,000 fetching from all over memory takes most. "
    "Setting up (the sites' line, the links in it, the exact index and its moments) is done by one core: a tenth of "
    "the whole at 10,000. Under 800 sites nothing is compiled. The peer uses one core: where other work has the rest, "
    "the ratio by the clock falls to that in processor time."
)
_KINDS = ("8 nearest neighbours", "all within a distance, 10 on average where sites are spread evenly")
LIMITS = dict.fromkeys(_KINDS, _BOTH)
COLD = """
import numpy as np
from measuring import invented_survey
from morphcline.stats.neighbours import nearest
from morphcline.stats.permutation import permute_moran
survey = invented_survey(1_000)
weights = nearest(survey.easting, survey.northing, 8)
# timed
permute_moran(survey.frequency, weights, permutations=9, rng=np.random.default_rng(1))
"""


def measure(quick: bool) -> list[Case]:
    """Return the cases: eight nearest neighbours, and all within a distance."""
    import esda
    from libpysal.weights import WSP

    warnings.filterwarnings("ignore", module="libpysal|esda")
    sizes = list(SIZES)[:1] if quick else list(SIZES)
    bandwidth = memory_bandwidth(64 if quick else 512)
    cases = []
    for kind in _KINDS:
        rows = []
        for n in sizes:
            survey = invented_survey(n)
            values = survey.frequency
            if kind.startswith("8"):
                weights = nearest(survey.easting, survey.northing, 8)
            else:
                weights = within(survey.easting, survey.northing, survey.extent_m * np.sqrt(10 / (np.pi * n)))
                linked = np.diff(weights.indptr) > 0
                # The peer counts sites without neighbours as sites: left out, so that the work is the same.
                weights, values = weights[linked][:, linked], values[linked]
            theirs = WSP(weights).to_W(silence_warnings=True)
            theirs.transform = "r"
            theirs.sparse  # noqa: B018  made at first use and kept: outside the times
            traits = 12 if n <= ONE_TRAIT_ABOVE else 1

            def ours(values=values, weights=weights):
                index = moran(values, weights)
                shuffled = permute_moran(values, weights, permutations=PERMUTATIONS, rng=np.random.default_rng(7))
                return index, shuffled

            def peer(values=values, theirs=theirs, traits=traits):
                return [esda.Moran(values[:, trait], theirs, permutations=PERMUTATIONS) for trait in range(traits)]

            ours()
            repeats = 1 if quick else {1_000: 9, 10_000: 5, 100_000: 3}[n]
            timings, results = interleaved(repeats, {"ours": ours, PEER: peer})
            for found, i in zip(results[PEER], results["ours"][0].i, strict=False):
                assert abs(found.I - i) < 1e-9, "not the same statistic"
            rows.append(
                Row(
                    len(values),
                    timings["ours"],
                    {PEER: timings[PEER].times(12 / traits)},
                    floor_s=PERMUTATIONS * len(values) * (12 + 1) * 8 / bandwidth,
                    peak_mb=peak_mb(ours),
                    reach=SIZES[n],
                    note="" if traits == 12 else "the peer on one trait, its time taken twelve times",
                )
            )
        cases.append(
            Case(
                kind,
                "sites",
                rows,
                floor=f"every permutation reads one position and twelve values a site, 8 bytes each, at the "
                f"{bandwidth / 1e9:.0f} GB/s that all cores copy.",
                first_call_s=first_call_s(COLD),
            )
        )
    return cases


if __name__ == "__main__":
    run_script("moran", "Moran's I, 999 permutations of 12 traits", measure, LIMITS)
