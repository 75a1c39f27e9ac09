"""Where samples stand for the maps: wherever in its square a site lies, it is drawn at the same place."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.grid import blur
from morphcline.records.drawn import drawn_samples
from morphcline.records.smoothing import Samples

NO_BARRIER = np.empty((0, 4))
inside = st.floats(1.0, 999.0)


def made(places: list[tuple[float, float]]) -> Samples:
    n = len(places)
    return Samples(
        "Cepaea nemoralis", ("yellow",), tuple(f"S{i}" for i in range(n)), np.array(places, dtype=float),
        np.full((n, 1), 5.0), np.full((n, 1), 10.0), np.array([0.05]),
    )  # fmt: skip


def shown(samples: Samples, side: float = 1000.0) -> pd.DataFrame:
    east, north = blur(*samples.places.T, side)
    return pd.DataFrame({"site": samples.names, "x_m": east, "y_m": north, "blur_m": side})


@given(inside, inside)
def test_a_site_is_drawn_at_the_centre_of_its_square(east: float, north: float):
    samples = made([(east, north), (5000.0 + north, east)])
    drawn = drawn_samples(samples, shown(samples), NO_BARRIER)
    assert drawn.places.tolist() == [[500.0, 500.0], [5500.0, 500.0]]
    assert drawn.names == samples.names


def test_a_withheld_site_is_not_drawn_and_an_open_one_is_where_it_is():
    samples = made([(10.0, 20.0), (30.0, 40.0)])
    sites = shown(samples, 0.0)
    assert drawn_samples(samples, sites, NO_BARRIER) is samples
    sites.loc[0, ["x_m", "y_m", "blur_m"]] = np.nan
    drawn = drawn_samples(samples, sites, NO_BARRIER)
    assert (drawn.names, drawn.places.tolist(), drawn.count.shape) == (("S1",), [[30.0, 40.0]], (1, 1))


@given(st.floats(1.0, 299.0), inside)
def test_a_site_stays_on_its_side_of_a_river_and_no_more_is_told(east: float, north: float):
    # A river at 300 m east: the centre lies beyond it, the site is drawn at one point of its own bank.
    river = np.array([[300.0, -5000.0, 300.0, 5000.0]])
    samples = made([(east, north)])
    (place,) = drawn_samples(samples, shown(samples), river).places.tolist()
    assert place[0] == 187.5
    assert place[1] in (437.5, 562.5)
    other = made([(150.0, 700.0)])
    assert drawn_samples(other, shown(other), river).places.tolist() == [place]


def test_a_strip_too_narrow_to_hide_in_is_not_told():
    river = np.array([[30.0, -5000.0, 30.0, 5000.0]])
    samples = made([(12.0, 400.0)])
    assert drawn_samples(samples, shown(samples), river).places.tolist() == [[500.0, 500.0]]
