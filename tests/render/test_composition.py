"""Divided circles: slices, room, pooling and what the figure says of them, each worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.collections import PatchCollection

from morphcline.render.figures.circles import (
    COMMONEST,
    LEAST_MM,
    MOST_MM,
    ONE_A_SITE,
    ONE_A_SQUARE,
    diameters_mm,
    kept_within,
    nice_side,
    pooled_by_square,
    room_for_circles,
)
from morphcline.render.figures.composition import BANDING, COLOUR, CompositionPanel, draw_composition
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.keys import interval_notes
from morphcline.render.figures.slices import slice_angles
from morphcline.render.palettes import TRAIT_MARKS

SPECIES = "Cepaea nemoralis"


def frame(**changes: object) -> MapFrame:
    return MapFrame(900e3, 6_450e3, 960e3, 6_492e3, "EPSG:2154", true_north_deg=-2.0, **changes)  # type: ignore[arg-type]


def table(rows: list[tuple[float, float, int, int, int]]) -> pd.DataFrame:
    found = pd.DataFrame(rows, columns=["drawn_x_m", "drawn_y_m", "yellow", "pink", "brown"])
    return found.assign(
        site=[f"S{i}" for i in range(len(found))], x_m=found["drawn_x_m"], y_m=found["drawn_y_m"],
        total=found[["yellow", "pink", "brown"]].sum(axis=1),
    )  # fmt: skip


def colour_figure(sites: pd.DataFrame, width_mm: float = 90.0, where: MapFrame | None = None):
    panels = [CompositionPanel(COLOUR, sites)]
    return draw_composition(
        "composition", SPECIES, panels, where or frame(), min_shells=20, confidence=0.95, width_mm=width_mm
    )


def test_slices_run_clockwise_from_the_top() -> None:
    # 12 yellow, 6 pink, 6 brown of 24: half the circle, then a quarter each.
    assert slice_angles([12, 6, 6]).tolist() == [[0, 180], [180, 270], [270, 360]]
    sites = table([(930e3, 6_470e3, 12, 6, 6)])
    wedges = {}
    for collection in colour_figure(sites).sheet.axes[0].collections:
        if isinstance(collection, PatchCollection) and len(collection.get_facecolor()):
            wedges[tuple(np.round(collection.get_facecolor()[0], 3))] = collection.get_paths()[0]
    middle = np.array([930e3, 6_470e3])
    # Where the middle of each slice lies: yellow to the east, pink to the south-west, brown to the north-west.
    for trait, (east, north) in {"yellow": (1, 0), "pink": (-1, -1), "brown": (-1, 1)}.items():
        fill = TRAIT_MARKS[trait].fill
        colour = (*tuple(round(int(fill[i : i + 2], 16) / 255, 3) for i in (1, 3, 5)), 1.0)
        mean = wedges[colour].vertices.mean(axis=0) - middle
        assert np.sign(np.round(mean / 100)).tolist() == [east, north], trait


@given(st.lists(st.integers(0, 500), min_size=1, max_size=6).filter(any))
def test_slices_fill_the_circle_and_follow_the_counts(counts: list[int]) -> None:
    angles = slice_angles(counts)
    assert angles[0, 0] == 0
    assert angles[-1, 1] == pytest.approx(360)
    assert np.allclose(angles[1:, 0], angles[:-1, 1])
    assert np.allclose(np.diff(angles, axis=1).ravel() / 360, np.array(counts) / sum(counts))


def test_an_area_grows_with_the_shells_between_its_limits() -> None:
    small, large = diameters_mm([60, 180], full_at=200)
    assert (large / small) ** 2 == pytest.approx(3)
    assert diameters_mm([1, 10_000], full_at=200).tolist() == [LEAST_MM, MOST_MM]


def test_sites_of_a_square_are_added_up_and_stand_at_their_mean() -> None:
    # Squares of 5 km: the first two sites share one, the third lies in the next, the last has no shell.
    sites = table([
        (901e3, 6_451e3, 10, 20, 0), (903e3, 6_452e3, 50, 5, 5), (906e3, 6_451e3, 1, 2, 3), (902e3, 6_453e3, 0, 0, 0),
    ])  # fmt: skip
    pooled = pooled_by_square(sites, 5000, ["yellow", "pink", "brown"])
    assert pooled[["yellow", "pink", "brown", "total", "sites"]].to_numpy().tolist() == [
        [60, 25, 5, 90, 2], [1, 2, 3, 6, 1],
    ]  # fmt: skip
    assert pooled["members"].tolist() == ["S0; S1", "S2"]
    # 30 shells at 901 km and 60 at 903 km: (30 * 901 + 60 * 903) / 90 = 902.333 km.
    assert pooled["drawn_x_m"].tolist() == pytest.approx([902_333.333, 906e3])
    assert pooled["drawn_y_m"].tolist() == pytest.approx([6_451_666.667, 6_451e3])


@given(st.integers(0, 10_000), st.integers(2, 60))
def test_pooled_circles_never_overlap(seed: int, number: int) -> None:
    rng = np.random.default_rng(seed)
    metres_per_mm = 700.0
    sites = pd.DataFrame(
        {"drawn_x_m": 900e3 + 60e3 * rng.random(number), "drawn_y_m": 6_450e3 + 40e3 * rng.random(number),
         "total": rng.integers(0, 400, number)}
    )  # fmt: skip
    side = nice_side(MOST_MM * metres_per_mm)
    pooled = pooled_by_square(sites, side, ["total"])
    radii = diameters_mm(pooled["total"], 200) / 2 * metres_per_mm
    placed = kept_within(pooled, side, radii)
    x, y = placed["drawn_x_m"].to_numpy(), placed["drawn_y_m"].to_numpy()
    for i in range(len(placed)):
        for j in range(i):
            assert math.hypot(x[i] - x[j], y[i] - y[j]) >= (radii[i] + radii[j]) * (1 - 1e-9)
    assert pooled["total"].sum() == sites["total"].sum()


def room(sites: pd.DataFrame, metres_per_mm: float, side_mm: float = 60.0):
    return room_for_circles([sites], metres_per_mm=metres_per_mm, shorter_side_mm=side_mm, min_shells=20)


def test_the_room_decides_how_circles_are_drawn() -> None:
    # A lattice of sites 5 km apart with 30 shells each: at 500 m a millimetre they stand 10 mm apart, and alone.
    rows = [(900e3 + 5e3 * i, 6_450e3 + 5e3 * j, 10, 10, 10) for i in range(8) for j in range(8)]
    sites = table(rows)
    alone = room(sites, 500)
    assert (alone.way, alone.overlapping) == (ONE_A_SITE, 0)
    # At 2 km a millimetre they stand 2.5 mm apart, so that all overlap: squares of at least 6.4 mm, 12.8 km.
    pooled = room(sites, 2000)
    assert (pooled.way, pooled.side_m, pooled.overlapping) == (ONE_A_SQUARE, 15_000, 1)
    # A map 24 mm high holds no four such squares: 24 * 2 km < 4 * 15 km.
    assert room(sites, 2000, 24.0).way == COMMONEST
    # One pair of neighbours among many sites may overlap: 2 of 64 are under a tenth.
    few = table([*rows[:-1], (900e3 + 500, 6_450e3, 10, 10, 10)])
    assert room(few, 500).way == ONE_A_SITE
    assert room(few, 500).overlapping == pytest.approx(2 / 64)


def test_the_figure_says_which_way_was_taken_and_gives_the_counts_behind_each_circle() -> None:
    alone = colour_figure(table([(910e3, 6_460e3, 30, 10, 0), (950e3, 6_480e3, 0, 25, 25), (930e3, 6_470e3, 1, 1, 0)]))
    assert "Each circle, 3.2 to 6.4 mm wide, is one site; 0% of them overlap another" in alone.caption
    rows = alone.data[alone.data["circle"] == 1]
    assert rows[["class", "count", "total", "sites"]].to_numpy().tolist() == [
        ["yellow", 30, 40, 1], ["pink", 10, 40, 1], ["brown", 0, 40, 1],
    ]  # fmt: skip
    assert rows["frequency"].tolist() == [0.75, 0.25, 0.0]
    close = table([(930e3 + 200 * i, 6_470e3, 15, 10, 5) for i in range(10)])
    pooled = colour_figure(close)
    assert "within a square of" in pooled.caption
    assert "the median circle is of 10 sites (10 to 10)" in pooled.caption
    assert pooled.data["sites_pooled"].str.count(";").eq(9).all()
    assert pooled.data.groupby("class")["count"].sum().to_dict() == {"brown": 50, "pink": 100, "yellow": 150}
    # A strip so low that no four squares stand on top of each other.
    strip = MapFrame(900e3, 6_469e3, 960e3, 6_471e3, "EPSG:2154", true_north_deg=0.0)
    single = colour_figure(close, where=strip)
    assert "commonest class alone" in single.caption
    assert single.data["sites"].eq(1).all()


def test_banding_is_a_share_of_all_shells_scored() -> None:
    sites = pd.DataFrame(
        {"site": ["A"], "x_m": [930e3], "y_m": [6_470e3], "drawn_x_m": [930e3], "drawn_y_m": [6_470e3],
         "unbanded": [20], "mid-banded": [8], "many-banded": [10], "other one-banded": [2], "total": [40]}
    )  # fmt: skip
    made = draw_composition(
        "x", SPECIES, [CompositionPanel(BANDING, sites)], frame(), min_shells=20, confidence=0.95, width_mm=90
    )
    assert made.data.set_index("class")["frequency"].to_dict() == {
        "unbanded": 0.5, "mid-banded": 0.2, "many-banded": 0.25, "other one-banded": 0.05,
    }  # fmt: skip
    assert "is a share of all shells scored for banding" in made.caption


def test_what_chance_does_is_the_wilson_interval() -> None:
    # Wilson (1927) by hand at p = 1/2: z sqrt(1/(4n) + z²/(4n²)) / (1 + z²/n), with z = 1.959964.
    z = 1.959964
    for n, shown in ((20, "±20"), (100, "±9.6")):
        half = z * math.sqrt(1 / (4 * n) + z * z / (4 * n * n)) / (1 + z * z / n)
        assert f"±{100 * half:.{0 if half > 0.0995 else 1}f}" == shown
        assert interval_notes([n], 0.95) == [shown]
