"""Local Moran's I with 999 conditional permutations of twelve traits: esda, compiled and on all cores, beside ours."""

from __future__ import annotations

import warnings
from dataclasses import replace
from functools import partial

import numpy as np
from measuring import Case, Row, first_call_s, interleaved, invented_survey, memory_bandwidth, peak_mb, run_script

from morphcline.stats.local_moran import local_moran
from morphcline.stats.neighbours import nearest

PERMUTATIONS = 999
SIZES = {1_000: None, 10_000: 100.0, 100_000: 500.0}
PEER = "esda.Moran_Local × 12"
#: Above so many sites one of the peer's twelve traits is timed, and its time taken twelve times.
ONE_TRAIT_ABOVE = 10_000
#: By profile at 100,000 sites on one core.
LIMITS = {
    "all 999 draws": "two searches among the draws' sorted sums for every site and trait, some 45 ns each, take two "
    "fifths; sums of neighbours, fetched from all over memory, a quarter; adjusting and writing the tables, by one "
    "core, the rest. Under 2,000 sites nothing is compiled.",
    "stopped when 100 draws have reached the observed index": "the searches, and going through the draws to where a "
    "site stops, take some three fifths; the rest is as above. Under 2,000 sites nothing is compiled.",
}
COLD = """
import numpy as np
from measuring import invented_survey
from morphcline.stats.neighbours import nearest
from morphcline.stats.local_moran import local_moran
survey = invented_survey(2_000)
weights = nearest(survey.easting, survey.northing, 8)
# timed
local_moran(survey.frequency, weights, permutations=9, rng=np.random.default_rng(1))
"""


def measure(quick: bool) -> list[Case]:
    """Return the cases: all draws made, and draws that stop where p is known well enough, as studies use them."""
    import esda
    from libpysal.weights import WSP

    warnings.filterwarnings("ignore", module="libpysal|esda|joblib")
    bandwidth = memory_bandwidth(64 if quick else 512)
    rows: dict[str, list[Row]] = {name: [] for name in LIMITS}
    for n in list(SIZES)[:1] if quick else SIZES:
        survey = invented_survey(n)
        values, weights = survey.frequency, nearest(survey.easting, survey.northing, 8)
        theirs = WSP(weights).to_W(silence_warnings=True)
        theirs.transform = "r"
        theirs.sparse  # noqa: B018  made at first use and kept: outside the times
        traits = 12 if n <= ONE_TRAIT_ABOVE else 1

        def ours(stop_after: int, values=values, weights=weights):
            rng = np.random.default_rng(7)
            return local_moran(values, weights, permutations=PERMUTATIONS, rng=rng, stop_after=stop_after)

        def peer(jobs: int, traits: int = traits, values=values, theirs=theirs):
            return [
                esda.Moran_Local(
                    values[:, trait], theirs, permutations=PERMUTATIONS, n_jobs=jobs, seed=7, keep_simulations=False
                )
                for trait in range(traits)
            ]

        calls = {
            "all": partial(ours, PERMUTATIONS + 1), "stopped": partial(ours, 100),
            "one job": partial(peer, 1), "all cores": partial(peer, -1),
        }  # fmt: skip
        if quick:
            del calls["all cores"]  # its other processes would compile everything once more, for minutes
        for call in calls.values() if n == 1_000 else list(calls.values())[:2]:
            call()
        repeats = 1 if quick else {1_000: 7, 10_000: 5, 100_000: 3}[n]
        timings, results = interleaved(repeats, calls)
        for number, found in enumerate(results["one job"]):
            assert np.abs(found.Is - results["all"].i[:, number] * (n - 1) / n).max() < 1e-9, "not the same statistic"
        # Below some size handing work to its other processes costs the peer more than it gains: the quicker one counts.
        best = min(sorted(calls.keys() - {"all", "stopped"}), key=lambda name: timings[name].median_s)
        theirs_best = timings[best] if best == "one job" else replace(timings[best], processor_s=None)
        notes = [f"the peer with {'one job' if best == 'one job' else 'n_jobs=-1'}, the quicker"]
        if traits == 1:
            notes.append("on one trait, its time taken twelve times")
        for (name, kept), which in zip(rows.items(), ("all", "stopped"), strict=True):
            kept.append(
                Row(
                    n,
                    timings[which],
                    {PEER: theirs_best.times(12 / traits)},
                    floor_s=n * 12 * (8 * (9 + 4) + 60) / bandwidth,
                    peak_mb=peak_mb(calls[which]),
                    reach=SIZES[n] if name.startswith("all") else None,
                    note=", ".join(notes),
                )
            )
    cold = first_call_s(COLD)
    return [
        Case(
            name,
            "sites",
            kept,
            floor=f"for each site and trait its own value and its eight neighbours' are read and the four numbers and "
            f"the 60 bytes of the group's name written, at the {bandwidth / 1e9:.0f} GB/s that all cores copy.",
            first_call_s=cold,
        )
        for name, kept in rows.items()
    ]


if __name__ == "__main__":
    run_script("local_moran", "Local Moran's I, 999 conditional permutations of 12 traits", measure, LIMITS)
