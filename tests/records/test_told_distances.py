"""Points and distances that tables tell, no finer than the squares that hide the sites."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.change_table import ChangeTables
from morphcline.records.told_distances import nearest_step, steps_up, told_change, told_from

metres = st.floats(-1e6, 1e6, allow_nan=False)


@given(metres, metres, st.floats(0, 360), metres)
def test_a_centre_stays_where_it_is_on_the_map(east: float, north: float, bearing: float, centre: float):
    row = {"origin_x_m": east, "origin_y_m": north, "bearing_deg": bearing, "centre_m": centre}
    limits = {"centre_low": centre - 5, "centre_high": centre + 5}
    ends = {"centre_low_given_ends": centre - 3, "centre_high_given_ends": np.nan}
    told = told_from(pd.DataFrame([row | limits | ends]), 1000.0).iloc[0]
    assert told["origin_x_m"] % 1000 == 0
    assert told["origin_y_m"] % 1000 == 0
    assert max(abs(told["origin_x_m"] - east), abs(told["origin_y_m"] - north)) <= 500
    # The line at right angles to the bearing through the centre: where it lies is counted from 0 / 0.
    direction = np.array([np.sin(np.deg2rad(bearing)), np.cos(np.deg2rad(bearing))])
    line = direction @ [east, north] + centre
    assert direction @ [told["origin_x_m"], told["origin_y_m"]] + told["centre_m"] == pytest.approx(line, abs=1e-6)
    assert told["centre_high"] - told["centre_m"] == pytest.approx(5, abs=1e-6)
    assert told["centre_m"] - told["centre_low_given_ends"] == pytest.approx(3, abs=1e-6)


def test_two_means_no_longer_tell_the_site_by_which_they_differ():
    # The demo told 61 sites' mean and 62 sites' mean: 62 times the one less 61 times the other is a place.
    rng = np.random.default_rng(3)
    places = rng.uniform(480_000, 500_000, (62, 2))
    means = np.array([places[:61].mean(axis=0), places.mean(axis=0)])
    assert np.allclose(62 * means[1] - 61 * means[0], places[61])
    columns = dict.fromkeys(("bearing_deg", "centre_m", "centre_low", "centre_high"), np.nan)
    columns |= {"centre_low_given_ends": np.nan, "centre_high_given_ends": np.nan}
    told = told_from(pd.DataFrame({"origin_x_m": means[:, 0], "origin_y_m": means[:, 1]}).assign(**columns), 1000.0)
    found = 62 * told["origin_x_m"][1] - 61 * told["origin_x_m"][0]
    assert abs(found - places[61, 0]) > 1000


def test_distances_are_raised_to_steps():
    assert steps_up([0.0, 1.0, 1000.0, 1000.1], 1000).tolist() == [0, 1000, 1000, 2000]
    assert steps_up([1.5], 0).tolist() == [1.5]
    assert nearest_step([1499.0, 1501.0], 1000).tolist() == [1000, 2000]
    assert np.isnan(steps_up([np.nan], 1000)).all()


def test_the_tables_of_change_draw_no_circle_round_a_known_place():
    tables = ChangeTables(
        pd.DataFrame({"site": ["A", ""], "distance_m": [18.07, 14.4985]}),
        pd.DataFrame({"distance_m": [14.4985]}),
        pd.DataFrame({"nearest_m": [629.23, np.nan]}),
        [],
    )
    told = told_change(tables, within_m=100.0, step_m=1000.0)
    assert np.isnan(told.change["distance_m"][0])
    assert told.change["distance_m"][1] == 25
    assert told.radius["distance_m"].tolist() == [25]
    assert told.unmatched["nearest_m"].iloc[0] == 1000
    assert told_change(tables, within_m=100.0, step_m=0.0) is tables
