"""Weights between neighbours: libpysal's two kinds beside ours, row-standardised, as sparse matrices."""

from __future__ import annotations

import warnings

import numpy as np
from measuring import Case, Row, interleaved, invented_survey, memory_bandwidth, peak_mb, run_script

from morphcline.stats.neighbours import nearest, within

SIZES = (10_000, 100_000, 1_000_000)
#: Above so many sites only the quicker of the two peers is timed.
BOTH_UP_TO = 100_000
LIMITS = {
    "8 nearest": "searching the tree takes two thirds, on all cores; building it a fifth, on one.",
    "within a distance": "building the tree and searching it for pairs take two fifths; sorting links into a "
    "matrix and standardising its rows take the rest; all on one core.",
}


def measure(quick: bool) -> list[Case]:
    """Return the cases: eight nearest neighbours, and all within a distance that gives ten where sites are even."""
    from libpysal.graph import Graph
    from libpysal.weights import KNN, DistanceBand

    warnings.filterwarnings("ignore", module="libpysal")
    bandwidth = memory_bandwidth(64 if quick else 512)
    rows: dict[str, list[Row]] = {name: [] for name in LIMITS}
    for n in SIZES[:1] if quick else SIZES:
        survey = invented_survey(n)
        points = np.column_stack([survey.easting, survey.northing])
        distance = survey.extent_m * np.sqrt(10 / (np.pi * n))

        def of_w(w):
            w.transform = "r"
            return w.sparse

        calls = {
            "8 nearest": {
                "ours": lambda survey=survey: nearest(survey.easting, survey.northing, 8),
                "libpysal Graph": lambda points=points: Graph.build_knn(points, 8).transform("r").sparse,
                "libpysal W": lambda points=points: of_w(KNN.from_array(points, k=8)),
            },
            "within a distance": {
                "ours": lambda survey=survey, distance=distance: within(survey.easting, survey.northing, distance),
                "libpysal Graph": lambda points=points, distance=distance: (
                    Graph.build_distance_band(points, distance).transform("r").sparse
                ),
                "libpysal W": lambda points=points, distance=distance: of_w(
                    DistanceBand.from_array(points, distance, silence_warnings=True)
                ),
            },
        }
        for name, some in calls.items():
            if n > BOTH_UP_TO:
                del some["libpysal W"]
            links = some["ours"]().nnz
            repeats = 1 if quick else {10_000: 7, 100_000: 3, 1_000_000: 1}[n]
            timings, results = interleaved({each: max(repeats, 3 if each == "ours" else 1) for each in some}, some)
            # The peer keeps a 0 for a site without neighbours.
            assert np.count_nonzero(results["libpysal Graph"].data) == links, "not the same neighbours"
            ours = timings.pop("ours")
            rows[name].append(
                Row(
                    n, ours, timings, floor_s=(16 * n + 16 * links + 8 * n) / bandwidth, peak_mb=peak_mb(some["ours"]),
                    reach=5.0,
                )
            )  # fmt: skip
    return [
        Case(
            name,
            "sites",
            kept,
            floor=f"positions read, links and weights written, 16 bytes each, at the {bandwidth / 1e9:.0f} GB/s that "
            "all cores copy.",
        )
        for name, kept in rows.items()
    ]


if __name__ == "__main__":
    run_script("neighbours", "Weights between neighbours", measure, LIMITS)
