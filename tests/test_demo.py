"""The demo from rows to tables: every planted row meets its fate, the planted truth comes back, other libraries agree.

What is planted stands in ``demo_data/truth.toml``, which the survey is drawn from; the code under test made none of it.
"""

from __future__ import annotations

import math
import shutil
import tomllib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.special import stdtrit
from shapely.geometry import Point
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from morphcline import planner, runner
from morphcline.files.tables import read_table
from morphcline.records.change_table import ON_THE_LOGIT, OVER_SPACE
from morphcline.study import load_study

ROOT = Path(__file__).parents[1]
NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"
TO_CLINES = runner.select(last="clines")


@pytest.fixture(scope="session")
def truth() -> dict[str, Any]:
    return tomllib.loads((ROOT / "demo_data" / "truth.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> runner.RunResult:
    out = tmp_path_factory.mktemp("demo") / "orsel"
    return runner.run(ROOT / "config" / "demo.toml", out=out, stages=TO_CLINES)


@pytest.fixture(scope="session")
def table(demo: runner.RunResult) -> Any:
    return lambda name: read_table(demo.folder / f"{name}.csv")


def the_row(frame: pd.DataFrame, **where: Any) -> pd.Series:
    for column, value in where.items():
        frame = frame[frame[column] == value]
    assert len(frame) == 1, (where, len(frame))
    return frame.iloc[0]


def chosen_cline(clines: pd.DataFrame, species: str, trait: str) -> pd.Series:
    return the_row(clines, species=species, trait=trait, chosen=True)


# --- rows -----------------------------------------------------------------------------------------------------------


def test_every_row_is_accepted_or_rejected(demo: runner.RunResult, table: Any) -> None:
    account = demo.accounts["intake"]
    assert account["rows"] == account["accepted"] + account["rejected"]
    accepted, rejected = table("private/records/accepted"), table("private/records/rejected")
    assert len(rejected) == account["rejected"]
    records = [source for source in account["sources"] if source["kind"] == "records"]
    assert len(accepted[["source", "row"]].drop_duplicates()) == sum(source["accepted"] for source in records)
    lines = (ROOT / "demo_data" / "volunteers.csv").read_text(encoding="utf-8-sig").splitlines()
    assert records[0]["rows"] == len(lines) - 1


def test_every_planted_row_meets_its_fate(table: Any, truth: dict[str, Any]) -> None:
    accepted = table("private/records/accepted")
    keys = {
        name: set(table(f"private/records/{name}")[["source", "row", code]].itertuples(index=False, name=None))
        for name, code in (("rejected", "reason_code"), ("flagged", "flag_code"))
    }
    planted = truth["planted_row"]
    assert len(planted) >= 40
    missed = []
    for item in planted:
        here = accepted[(accepted["source"] == item["source"]) & (accepted["row"] == item["row"])]
        if item["fate"] in keys and (item["source"], item["row"], item["code"]) not in keys[item["fate"]]:
            missed.append(item)
        if (item["fate"] == "rejected") != here.empty:
            missed.append(item)
        if "counted" in item and not here.empty and here["counted"].all() != item["counted"]:
            missed.append(item)
    assert missed == []


def test_nothing_else_is_rejected(table: Any, truth: dict[str, Any]) -> None:
    planted = {(item["source"], item["row"]) for item in truth["planted_row"] if item["fate"] == "rejected"}
    found = set(table("private/records/rejected")[["source", "row"]].itertuples(index=False, name=None))
    assert found == planted


# --- planted truth --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("trait", "rises_towards"), [("yellow", 60), ("unbanded", 240)])
def test_a_planted_cline_comes_back(table: Any, truth: dict[str, Any], trait: str, rises_towards: float) -> None:
    planted = truth["nemoralis"][trait]
    row = chosen_cline(table("tables/clines"), NEMORALIS, trait)
    assert row["model"] == "sigmoid, free ends"
    turned = (rises_towards - row["bearing_low"]) % 360
    assert turned <= (row["bearing_high"] - row["bearing_low"]) % 360
    assert row["width_low"] <= planted["width_m"] <= row["width_high"]
    # The planted centre, counted from our origin along the bearing found.
    angle = math.radians(rises_towards)
    east, north = (
        row["origin_x_m"] - truth["survey"]["origin_easting"],
        row["origin_y_m"] - truth["survey"]["origin_northing"],
    )
    along = east * math.sin(angle) + north * math.cos(angle)
    sign = 1 if rises_towards == planted["bearing_deg"] else -1
    assert row["centre_low"] <= sign * planted["centre_m"] - along <= row["centre_high"]
    ends = sorted((planted["p_min"], planted["p_max"]))
    assert row["p_min"] == pytest.approx(ends[0], abs=0.08)
    assert row["p_max"] == pytest.approx(ends[1], abs=0.08)


def test_the_two_clines_coincide(table: Any) -> None:
    clines = table("tables/clines")
    yellow, unbanded = (chosen_cline(clines, NEMORALIS, trait) for trait in ("yellow", "unbanded"))
    assert yellow["centre_low"] <= -unbanded["centre_low"]
    assert -unbanded["centre_high"] <= yellow["centre_high"]


def test_compared_clines_differ_where_they_are_planted_apart(table: Any) -> None:
    rows = table("tables/concordance").set_index(["species", "trait", "second_species", "second_trait", "parameter"])
    colour_and_bands = rows.loc[(NEMORALIS, "yellow", NEMORALIS, "unbanded")]
    assert colour_and_bands["reversed"].all()
    for what in ("centre", "bearing"):
        assert colour_and_bands.loc[what, "low"] < 0 < colour_and_bands.loc[what, "high"]
    # Woods make yellow rarer besides, which narrows its cline by a fifth: surveys drawn with them say so, and without
    # them say that the clines are one.
    assert 0.9 < colour_and_bands.loc["width", "low"] < 1.2
    # Yellow and unbanded are planted in association, at the level of shells and so of sites.
    assert colour_and_bands["residual_correlation"].iloc[0] < -0.05
    apart = rows.loc[(NEMORALIS, "unbanded", HORTENSIS, "unbanded")]
    assert (apart["p_bootstrap"] <= 0.01).all()
    flat = rows.loc[(HORTENSIS, "yellow", HORTENSIS, "unbanded")]
    assert flat["not_compared_because"].str.contains("no cline is needed").all()


def test_planted_straight_centres_are_not_seen_to_bend_and_the_area_effect_is_no_line(
    table: Any, truth: dict[str, Any], demo: runner.RunResult
) -> None:
    curved = table("tables/curved").set_index(["species", "trait"])
    lines = gpd.read_file(demo.folder / "clines.gpkg", layer="centre_lines").set_index(["species", "trait"])
    bands = gpd.read_file(demo.folder / "clines.gpkg", layer="centre_bands").set_index(["species", "trait"])
    for trait in ("yellow", "unbanded"):
        assert curved.loc[(NEMORALIS, trait), "p_curved"] > 0.05
        assert lines.loc[(NEMORALIS, trait), "line"] == "straight"
        planted = truth["nemoralis"][trait]
        angle = math.radians(planted["bearing_deg"])
        middle = Point(
            truth["survey"]["origin_easting"] + planted["centre_m"] * math.sin(angle),
            truth["survey"]["origin_northing"] + planted["centre_m"] * math.cos(angle),
        )
        assert bands.loc[(NEMORALIS, trait), "geometry"].distance(middle) < 300
    area = curved.loc[(NEMORALIS, "mid-banded")]
    assert area["p_curved"] < 0.01
    assert (NEMORALIS, "mid-banded") not in lines.index or area["drawn"] == "curved"


@pytest.mark.parametrize("trait", ["yellow", "mid-banded"])
def test_no_cline_is_found_where_none_is_planted(table: Any, trait: str) -> None:
    row = chosen_cline(table("tables/clines"), HORTENSIS, trait)
    assert row["model"] == "flat"
    assert row["p_flat"] > 0.05


def test_the_gentle_cline_of_hortensis_is_seen_and_given_no_end_that_nobody_saw(
    table: Any, truth: dict[str, Any]
) -> None:
    row = chosen_cline(table("tables/clines"), HORTENSIS, "unbanded")
    planted = truth["hortensis"]["unbanded"]
    # A straight line on the logit scale, which is the sigmoid from 0 to 1; over this stretch p itself is as straight.
    assert row["model"] in ("sigmoid", "linear")
    away = (row["bearing_deg"] - planted["bearing_deg"] + 180) % 360 - 180
    assert abs(away) < 20
    if row["model"] == "sigmoid":
        assert row["width_low"] <= 4000 / planted["slope_per_km"] <= row["width_high"]
        assert row["span_seen"] < 0.5


def test_no_step_is_claimed_where_none_is_planted(table: Any) -> None:
    chosen = table("tables/clines").query("chosen and model.str.startswith('sigmoid')")
    assert len(chosen) > 10
    open_below = chosen["width_low"].isna()
    # The survey holds no step: a width without a lower limit is not called one.
    assert open_below.any()
    assert not chosen["step"].any()
    free = chosen[chosen["model"] == "sigmoid, free ends"]
    assert (free["p_free_ends"] <= 0.05).all()
    assert (free["span_seen"] >= 0.9).all()


def test_what_no_line_describes_is_left_over_the_cline(table: Any) -> None:
    clines = table("tables/clines")
    area, colour = (chosen_cline(clines, NEMORALIS, trait) for trait in ("mid-banded", "yellow"))
    assert area["residual_moran_p"] < 0.001  # the area effect
    assert area["fails"]
    assert not colour["fails"]  # a cline, with woods along it in which yellow is rarer
    assert colour["residual_share"] < area["residual_share"]
    assert chosen_cline(clines, NEMORALIS, "unbanded")["residual_moran_p"] > 0.05  # the cline alone


def test_sites_vary_as_planted_once_the_cline_is_taken_out(table: Any, truth: dict[str, Any]) -> None:
    row = chosen_cline(table("tables/clines"), NEMORALIS, "yellow")
    assert row["rho"] == pytest.approx(truth["nemoralis"]["rho"], abs=0.03)


def test_the_area_effect_is_found_where_it_is(table: Any, truth: dict[str, Any]) -> None:
    planted = truth["nemoralis"]["mid_banded"]
    local = table("tables/local").query("species == @NEMORALIS and trait == 'mid-banded'")
    high = local[local["group"] == "high among high"].merge(table("private/tables/sites"), on="site")
    assert len(high) >= 10
    away = np.hypot(high["x_m"] - planted["easting"], high["y_m"] - planted["northing"])
    assert (away < planted["radius_m"] + 2 * planted["edge_m"]).mean() > 0.9


def test_the_planted_clines_are_steep_where_they_are_and_together(table: Any, truth: dict[str, Any]) -> None:
    steepness = table("tables/steepness")
    for trait in ("yellow", "unbanded"):
        planted, row = truth["nemoralis"][trait], the_row(steepness, species=NEMORALIS, trait=trait)
        steepest = 1000 * abs(planted["p_max"] - planted["p_min"]) / planted["width_m"]
        assert row["low"] <= steepest <= row["high"]
        assert row["at_least_per_km"] < steepest
        assert row["p"] <= 0.05
    away = (the_row(steepness, species=NEMORALIS, trait="yellow")["bearing_deg"] - 60 + 180) % 360 - 180
    assert abs(away) < 15
    edge = the_row(steepness, species=NEMORALIS, trait="mid-banded")
    area = truth["nemoralis"]["mid_banded"]
    from_middle = math.hypot(edge["x_m"] - area["easting"], edge["y_m"] - area["northing"])
    assert from_middle == pytest.approx(area["radius_m"], abs=edge["bandwidth_m"])
    assert edge["p_even_slope"] <= 0.05
    together = table("tables/steep_together")
    pair = {"species": NEMORALIS, "trait": "yellow"}
    assert the_row(together, **pair, other_trait="unbanded")["p"] <= 0.05
    assert the_row(together, **pair, other_trait="mid-banded")["p"] > 0.05
    assert the_row(steepness, species=HORTENSIS, trait="yellow")["steep_cells"] == 0


def test_habitat_is_seen_and_temperature_is_not(table: Any, truth: dict[str, Any]) -> None:
    rows = table("tables/environment").query("species == @NEMORALIS and trait == 'yellow'")
    hedgerow = the_row(rows, term="habitat: hedgerow")
    assert hedgerow["reference"] == "woodland"
    assert hedgerow["p_spatial"] < 0.05
    assert hedgerow["low"] <= -truth["nemoralis"]["yellow"]["woodland_logit"] <= hedgerow["high"]
    assert truth["temperature"]["effect"] == 0
    assert the_row(rows, term="temperature_c")["p_spatial"] > 0.05


def test_habitat_in_points_holds_what_was_planted_and_pairs_of_near_sites_see_it_too(
    table: Any, truth: dict[str, Any]
) -> None:
    rows = table("tables/marginal_effects").query("species == @NEMORALIS and trait == 'yellow'")
    hedgerow = the_row(rows, term="habitat: hedgerow")
    assert hedgerow["reference"] == "woodland"
    # What the planted logit makes of the planted frequencies of the sites, woods or not.
    cline, origin = truth["nemoralis"]["yellow"], truth["survey"]
    samples = table("tables/samples").query("species == @NEMORALIS")
    sites = table("private/tables/sites").merge(samples[["site"]], on="site")
    bearing = math.radians(cline["bearing_deg"])
    east, north = sites["x_m"] - origin["origin_easting"], sites["y_m"] - origin["origin_northing"]
    s = east * math.sin(bearing) + north * math.cos(bearing)
    ramp = 1 / (1 + np.exp(-4 * (s - cline["centre_m"]) / cline["width_m"]))
    outside = cline["p_min"] + (cline["p_max"] - cline["p_min"]) * ramp
    odds = outside / (1 - outside) * math.exp(cline["woodland_logit"])
    planted = float((outside - odds / (1 + odds)).mean())
    assert hedgerow["low"] < planted < hedgerow["high"]
    assert the_row(rows, term="temperature_c")["p_spatial"] > 0.05
    pairs = table("tables/habitat_pairs").query("species == @NEMORALIS and trait == 'yellow'")
    wood = the_row(pairs, habitat_one="woodland", habitat_other="any other")
    assert wood["p_holm"] < 0.05
    assert wood["low"] < -planted < wood["high"]


def test_the_second_answer_that_allows_for_space_agrees(table: Any) -> None:
    rows = table("tables/environment").query("species == @NEMORALIS")
    temperature = rows[(rows["term"] == "temperature_c") & rows["p_gls"].notna()]
    assert (temperature["p_gls"] > 0.05).all()
    assert (temperature["p_modified_t"] > 0.05).all()
    assert the_row(rows, trait="yellow", term="habitat")["p_gls"] < 0.001
    skills = table("tables/environment_skill").query("species == @NEMORALIS and trait == 'yellow'")
    skill = skills.set_index("model")["skill"]
    assert skill["all"] > skill["space"] > 0.5 > skill["habitat"]


def test_the_change_since_the_earlier_survey_comes_back(table: Any) -> None:
    change = table("tables/change").query("species == @NEMORALIS and site == ''")
    believed = change[change["method"].str.contains("dispersion")]
    yellow, brown = (the_row(believed, trait=trait) for trait in ("yellow", "brown"))
    assert yellow["difference"] > 0
    assert yellow["p"] < 0.05
    assert brown["difference"] < 0
    assert brown["p"] < 0.05
    np.testing.assert_allclose(
        believed["later_frequency"] - believed["earlier_frequency"], believed["difference"], atol=1e-9
    )


def test_the_shift_and_the_drift_since_the_earlier_survey_come_back(table: Any, truth: dict[str, Any]) -> None:
    change = table("tables/change").query("species == @NEMORALIS and site == '' and trait == 'yellow'")
    logit = the_row(change, method=ON_THE_LOGIT)
    assert logit["shift_low"] <= -truth["earlier"]["yellow_logit"] <= logit["shift_high"]
    assert logit["drift_sd_low"] <= truth["earlier"]["drift_sd"] <= logit["drift_sd_high"]
    # Nothing is planted that near places would share.
    assert the_row(change, method=OVER_SPACE)["p"] < 0.05


def test_the_plan_leads_where_few_samples_are(demo: runner.RunResult, table: Any) -> None:
    before = (demo.folder / "run.json").read_bytes()
    found = planner.make_plan(load_study(ROOT / "config" / "demo.toml"), out=demo.folder)
    assert (demo.folder / "run.json").read_bytes() == before
    assert len(found.places) == 20
    assert not set(found.places["habitat"]) & {"water"}
    sites = table("private/tables/sites")[["x_m", "y_m"]].to_numpy()
    near = [
        int((np.hypot(*(sites - [x, y]).T) < 4000).sum())
        for x, y in zip(found.places["x_m"], found.places["y_m"], strict=True)
    ]
    usual = np.median([int((np.hypot(*(sites - site).T) < 4000).sum()) for site in sites])
    assert np.median(near) < 0.6 * usual
    assert (found.sizes["sites"] >= 2).all()


# --- other libraries ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["tables/frequencies", "tables/earlier_frequencies"])
def test_intervals_are_those_of_statsmodels(table: Any, name: str) -> None:
    rows = table(name).query("total > 0")
    low, high = proportion_confint(rows["count"].to_numpy(), rows["total"].to_numpy(), method="wilson")
    assert len(rows) > 1000
    np.testing.assert_allclose(rows["frequency"], rows["count"] / rows["total"], atol=1e-6)
    np.testing.assert_allclose(rows["low"], low, atol=1e-6)
    np.testing.assert_allclose(rows["high"], high, atol=1e-6)


def test_regional_figures_are_recomputed_from_the_sites(table: Any) -> None:
    frequencies, regional = table("tables/frequencies"), table("tables/regional")
    for row in regional[regional["rho"].notna()].itertuples():
        sites = frequencies.query("species == @row.species and trait == @row.trait and total > 0")
        worth = sites["total"] / (1 + (sites["total"] - 1) * row.rho)  # Kish (1965)
        mean = DescrStatsW(sites["count"] / sites["total"], weights=worth).mean
        assert row.frequency == pytest.approx(mean, abs=1e-6)
        assert row.sites == len(sites)
        if len(sites) < 2:
            continue
        # Wilson's interval of the effective sample, Student's deviate for a correlation that is estimated.
        level = 2 * float(_normal_tail(stdtrit(len(sites) - 1, 0.975)))
        # And one site the fewer: the scatter is about a mean that was fitted to the same sites.
        shells = worth.sum() * (len(sites) - 1) / len(sites)
        low, high = proportion_confint(mean * shells, shells, alpha=level, method="wilson")
        assert row.low == pytest.approx(low, abs=1e-6)
        assert row.high == pytest.approx(high, abs=1e-6)


def _normal_tail(deviate: float) -> float:
    return 0.5 * math.erfc(deviate / math.sqrt(2))


@pytest.mark.filterwarnings("ignore")  # esda's and libpysal's own
def test_morans_i_is_that_of_esda(table: Any) -> None:
    from esda.moran import Moran
    from libpysal.weights import KNN

    sites, frequencies = table("private/tables/sites").set_index("site"), table("tables/frequencies")
    for row in table("tables/autocorrelation").query("form == 'raw' and moran_i == moran_i").itertuples():
        used = frequencies.query("species == @row.species and trait == @row.trait and enough")
        places = sites.loc[used["site"], ["x_m", "y_m"]].to_numpy()
        weights = KNN.from_array(places, k=8)
        other = Moran(used["frequency"].to_numpy(), weights, permutations=0)
        assert row.moran_i == pytest.approx(other.I, abs=1e-6)
        assert row.expected == pytest.approx(other.EI, abs=1e-6)
        assert row.variance == pytest.approx(other.VI_rand, abs=1e-6)
        assert row.sites == len(used)


# --- running again --------------------------------------------------------------------------------------------------


def test_a_second_run_does_nothing(demo: runner.RunResult) -> None:
    again = runner.run(ROOT / "config" / "demo.toml", out=demo.folder, stages=TO_CLINES)
    assert again.ran == ()


def test_another_cell_size_reruns_the_surfaces_alone(demo: runner.RunResult, tmp_path: Path) -> None:
    (tmp_path / "config").mkdir()
    shutil.copytree(ROOT / "demo_data", tmp_path / "demo_data")
    text = (ROOT / "config" / "demo.toml").read_text(encoding="utf-8")
    assert "cell_m = 500" in text
    file = tmp_path / "config" / "demo.toml"
    file.write_text(text.replace("cell_m = 500", "cell_m = 1000"), encoding="utf-8")
    dues = runner.plan(load_study(file), demo.folder, TO_CLINES)
    assert {due.stage: due.reason for due in dues if due.reason} == {"surfaces": "[surfaces] cell_m 500.0 -> 1000.0"}


def test_columns_are_those_declared_and_explained(demo: runner.RunResult) -> None:
    explained = (demo.folder / "tables" / "README.md").read_text(encoding="utf-8")
    for name in TO_CLINES:
        for file, columns in runner.load_stage(name).columns.items():
            header = (demo.folder / file).read_text(encoding="utf-8").split("\n", 1)[0].split(",")
            if file.endswith("sites.csv"):
                header = [column for column in header if not column.startswith("share_")]
                columns = {column: text for column, text in columns.items() if not column.startswith("share_")}
            assert header == list(columns), file
            assert f"## {file}" in explained
            assert all(text for text in columns.values())


@pytest.mark.slow
def test_the_bytes_are_the_same_with_two_workers(demo: runner.RunResult, tmp_path: Path) -> None:
    from morphcline.workers import Workers

    other = runner.run(ROOT / "config" / "demo.toml", out=tmp_path / "orsel", stages=TO_CLINES, workers=Workers(2))
    names = sorted(path.relative_to(demo.folder) for path in demo.folder.rglob("*") if path.is_file())
    names = [name for name in names if name.parts[0] != "plan"]  # another test made one there
    assert names == sorted(path.relative_to(other.folder) for path in other.folder.rglob("*") if path.is_file())
    different = [
        str(name)
        for name in names
        if name.name != "run.json" and (demo.folder / name).read_bytes() != (other.folder / name).read_bytes()
    ]
    assert different == []
