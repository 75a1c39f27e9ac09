"""What the public may see of sites and records."""

from __future__ import annotations

import hashlib
import hmac

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.privacy import (
    by_name,
    by_pseudonym,
    hidden_in,
    nobody,
    public_records,
    public_rejected,
    public_sites,
    together,
)
from morphcline.study import Sensitive

metres = st.floats(-50_000, 50_000, allow_nan=False)


def made_sites(places: list[tuple[float, float]], **columns: object) -> pd.DataFrame:
    x, y = zip(*places, strict=True)
    table = {
        "survey": "", "site": [f"S{i}" for i in range(len(places))], "x_m": x, "y_m": y, "lon": 0.123456789,
        "lat": 46.123456789, "position_uncertainty_m": 10.0, "habitat": "", "habitat_noted": "",
        "habitat_share": 0.7654, "temperature_c": 11.2345678, "share_woodland": 0.7654,
    } | columns  # fmt: skip
    return pd.DataFrame(table)


def no_records() -> pd.DataFrame:
    return pd.DataFrame({"survey": [], "site": [], "species": [], "recorded_as": []}, dtype=str)


def sides(sites: pd.DataFrame, *rules: Sensitive, records: pd.DataFrame | None = None, names: object = None):
    names = no_records() if names is None else names
    return hidden_in(sites, no_records() if records is None else records, names, rules, 1000.0).tolist()


def degrees(easting, northing):
    return np.asarray(easting) / 1e5, np.asarray(northing) / 1e5


@given(st.lists(st.tuples(metres, metres), min_size=1, max_size=30))
def test_a_place_is_a_square_and_nothing_finer(places):
    table = made_sites(places)
    shown = public_sites(table, np.full(len(places), 1000.0), degrees)
    exact = np.array(places)
    centres = np.floor(exact / 1000) * 1000 + 500
    assert np.array_equal(shown[["x_m", "y_m"]], centres)
    assert np.allclose(shown[["lon", "lat"]], centres / 1e5, atol=1e-5)
    # The circle told holds the true place, wherever in its own circle it lies.
    away = np.hypot(*(exact - centres).T)
    assert np.all(away + 10.0 <= shown["position_uncertainty_m"])
    assert (shown["blur_m"] == 1000).all()


def test_what_rasters_say_at_a_hidden_place_is_not_told():
    # A share and a temperature fit a handful of a square's cells, and the rasters are public.
    shown = public_sites(made_sites([(1.0, 1.0), (3.0, 1.0)]), np.array([1000.0, 0.0]), degrees)
    told = ["temperature_c", "share_woodland", "habitat_share"]
    assert shown.loc[0, told].isna().all()
    assert shown.loc[1, told].tolist() == [11.2345678, 0.7654, 0.7654]


def test_without_blur_a_place_is_as_it_is():
    table = made_sites([(1234.5, 5678.5)])
    shown = public_sites(table, np.array([0.0]), degrees)
    assert shown["blur_m"].tolist() == [0.0]
    pd.testing.assert_frame_equal(shown.drop(columns="blur_m"), table)


def test_a_withheld_site_has_no_place_at_all():
    shown = public_sites(made_sites([(1234.5, 5678.5)]), np.array([np.inf]), degrees)
    assert shown[["x_m", "y_m", "lon", "lat", "position_uncertainty_m", "blur_m"]].isna().all(axis=None)


def test_rules_widen_the_square_and_the_strictest_holds():
    sites = made_sites(
        [(0.0, 0.0), (10_000.0, 0.0), (20_000.0, 0.0), (30_000.0, 0.0)],
        habitat=["woodland", "garden and urban", "", "dune"], habitat_noted=["", "", "garden and urban", ""],
    )  # fmt: skip
    records = pd.DataFrame({"survey": "", "site": ["S0", "S1"], "species": "Cepaea vindobonensis"})
    names = pd.DataFrame({"survey": "", "site": ["S3"], "recorded_as": ["Old quarry"]})
    gardens = Sensitive(habitat="garden and urban", blur_m=5000)
    rare = Sensitive(species="Cepaea vindobonensis", blur_m=10_000)
    both = Sensitive(species="Cepaea vindobonensis", habitat="garden and urban", withhold=True)
    quarry = Sensitive(sites=("Old quarry",), blur_m=100)
    told = sides(sites, gardens, rare, quarry, records=records, names=names)
    # A rule never makes a square smaller: 100 m for the quarry leaves it in its square of 1 km.
    assert told == [10_000, 10_000, 5000, 1000]
    assert sides(sites, gardens, rare, both, records=records, names=names)[1] == np.inf


def test_a_site_at_the_same_place_is_hidden_alike_whatever_its_survey_or_name():
    sites = made_sites([(0.0, 0.0), (60.0, 0.0), (500.0, 0.0)], survey=["", "1984", ""], habitat=["dune", "", ""])
    assert sides(sites, Sensitive(habitat="dune", withhold=True)) == [np.inf, np.inf, 1000.0]


def made_records() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source": "a.csv", "row": [2, 3], "survey": "", "site": ["S0", "S1"], "longitude": [0.123456, 0.2],
            "latitude": [46.1, 46.2], "easting": np.nan, "northing": np.nan, "grid_reference": ["", "SP501102"],
            "crs": "EPSG:4326", "x_m": [1234.5, 99_000.0], "y_m": [5678.5, 99_000.0],
            "position_uncertainty_m": [10.0, 100.0], "habitat": ["hedge behind Mrs Rook's", "gibberish"],
            "recorder": "Ann Rook <ann@example.org>", "note": "call 0123 456", "mended": ["345 read as 00345", ""],
        }
    )  # fmt: skip


def shown_records(person=nobody, side=1000.0):
    sites = public_sites(made_sites([(1234.5, 5678.5), (99_000.0, 99_000.0)]), np.array([side, np.inf]), degrees)
    return public_records(
        made_records(), sites, habitat_of=lambda note: "hedgerow" if "hedge" in note else "", person_of=person
    )


def test_a_records_place_is_its_sites_square_and_its_words_stay_private():
    first = shown_records().iloc[0]
    assert (first["x_m"], first["y_m"], first["longitude"], first["blur_m"]) == (1500, 5500, 0.015, 1000)
    assert (first["recorder"], first["note"], first["habitat"]) == ("", "", "hedgerow")
    assert first["position_uncertainty_m"] >= np.hypot(1500 - 1234.5, 5500 - 5678.5) + 10


def test_a_withheld_sites_records_have_no_place():
    last = shown_records().iloc[1]
    place = ["x_m", "y_m", "longitude", "latitude", "easting", "position_uncertainty_m", "blur_m"]
    assert last[place].isna().all()
    assert (last["grid_reference"], last["crs"], last["habitat"]) == ("", "", "")


def test_a_record_shown_exactly_keeps_its_place_as_recorded():
    first = shown_records(side=0.0).iloc[0]
    assert (first["x_m"], first["longitude"], first["position_uncertainty_m"]) == (1234.5, 0.123456, 10.0)
    assert first["note"] == ""


def test_a_record_far_from_its_site_is_told_to_lie_that_far_off_at_most_in_whole_squares():
    records = made_records().iloc[:1].assign(x_m=4_234.5)
    sites = public_sites(made_sites([(1234.5, 5678.5)]), np.array([1000.0]), degrees)
    told = public_records(records, sites, habitat_of=str, person_of=nobody)["position_uncertainty_m"].iloc[0]
    away = np.hypot(4234.5 - 1500, 5678.5 - 5500) + 10
    assert away <= told < away + 1000
    assert (told - sites["position_uncertainty_m"].iloc[0]) % 1000 == 0


def test_a_recorder_is_nobody_a_name_without_address_or_a_code():
    assert shown_records()["recorder"].unique().tolist() == [""]
    assert shown_records(by_name)["recorder"].unique().tolist() == ["Ann Rook"]
    code = by_pseudonym(b"a secret of mine")
    assert code("Ann  Rook ") == code("ann rook") != code("Ann Rock")
    assert code("") == ""
    assert by_pseudonym(b"another secret")("Ann Rook") != code("Ann Rook")


def test_a_pseudonym_is_made_by_the_published_function():
    # RFC 4231, test case 2: the HMAC-SHA-256 of this key and text begins 5bdcc146bf; base 32 by RFC 4648.
    text, key = "what do ya want for nothing?", b"Jefe"
    assert hmac.new(key, text.encode(), hashlib.sha256).hexdigest().startswith("5bdcc146bf")
    assert by_pseudonym(key)(text) == "R-LPOMCRV7"


def test_flags_and_reasons_tell_what_they_mean_and_nothing_that_was_found():
    flagged = made_records().iloc[:1].assign(flag_code="near-water", flag="the place 0.123456, 46.1 lies in water")
    sites = public_sites(made_sites([(1234.5, 5678.5)]), np.array([1000.0]), degrees)
    told = public_records(flagged, sites, habitat_of=str, person_of=nobody)["flag"].iloc[0]
    assert told == "the place lies in water, with land within its uncertainty or 100 m"
    rejected = pd.DataFrame(
        {"source": ["a"], "row": [2], "reason_code": ["position-zero"], "reason": ["the place 1.2345"],
         "row_as_it_came": ['{"name": "Ann"}']}
    )  # fmt: skip
    shown = public_rejected(rejected).iloc[0]
    assert shown["reason"] == "both coordinates are zero, as when a fix failed"
    assert shown["row_as_it_came"] == ""


@pytest.mark.parametrize(
    ("rule", "told"),
    [({"blur_m": 10}, "say which places"), ({"habitat": "dune"}, "give blur_m"),
     ({"habitat": "dune", "blur_m": 10, "withhold": True}, "give blur_m")],
)  # fmt: skip
def test_a_rule_says_which_places_and_how(rule, told):
    with pytest.raises(ValueError, match=told):
        Sensitive(**rule)


def test_an_earlier_site_is_hidden_in_the_square_of_the_present_one_at_its_place():
    # 30 m apart on two sides of an edge: by their squares both would be known to lie along it.
    places = [(990.0, 500.0), (1020.0, 500.0), (1200.0, 500.0)]
    table = made_sites(places, survey=["", "1984", "1984"], position_uncertainty_m=[10.0, 30.0, 30.0])
    shared = together(table, np.array([1000.0, 1000.0, 1000.0]), 100.0)
    shown = public_sites(table, shared.side, degrees, shared=shared)
    assert shown["x_m"].tolist() == [500, 500, 1500]
    away = np.hypot(*(np.array(places) - shown[["x_m", "y_m"]].to_numpy()).T)
    assert (away <= shown["position_uncertainty_m"]).all()
    # The stricter rule of either holds, and a place that is shown exactly stays where it is.
    assert together(table, np.array([5000.0, 1000.0, 1000.0]), 100.0).side.tolist() == [5000, 5000, 1000]
    assert together(table, np.zeros(3), 100.0).places.tolist() == [list(place) for place in places]
