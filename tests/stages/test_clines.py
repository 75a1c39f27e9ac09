"""The clines stage on a small made survey: what it writes, says and refuses."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit
from scipy.stats import chi2_contingency
from shapely.geometry import LineString
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import confint_proportions_2indep

from made_studies import HORTENSIS, NEMORALIS, TWO_SPECIES, run_on_tables
from morphcline.errors import StudyError
from morphcline.files.tables import read_table
from morphcline.records.change_table import AT_A_SITE, ON_THE_LOGIT, OVER_PAIRS, OVER_SHELLS, OVER_SPACE
from morphcline.stages.base import Account
from morphcline.stages.clines import STAGE
from morphcline.study import load_study

TABLES = (
    "clines", "environment", "environment_skill", "marginal_effects", "habitat_pairs", "change", "change_radius",
    "change_unmatched", "selection", "concordance", "curved", "transects",
)  # fmt: skip


def made_tables(sites: int = 70) -> dict[str, pd.DataFrame]:
    """Yellow rises north-eastwards and falls in woods; fused is never seen; hortensis lives at eight sites only."""
    rng = np.random.default_rng(17)
    names = [f"site {number:02}" for number in range(sites)]
    easting, northing = rng.uniform(800_000, 820_000, sites), rng.uniform(6_500_000, 6_520_000, sites)
    habitat = rng.choice(["woodland", "hedgerow", "short grass"], sites).astype(object)
    habitat[3] = ""
    temperature = 11 + rng.normal(size=sites)
    temperature[4] = np.nan
    s = (easting - easting.mean() + northing - northing.mean()) / np.sqrt(2)
    chance = 0.1 + 0.8 * expit(4 * (s - 1000) / 5000) - 0.08 * (habitat == "woodland")
    frames = []
    for species in (NEMORALIS, HORTENSIS):
        here = np.arange(sites) < (sites if species == NEMORALIS else 8)
        total = rng.integers(10, 60, sites)
        for trait, p in (("yellow", chance), ("fused", np.zeros(sites))):
            frame = pd.DataFrame(
                {"site": names, "species": species, "trait": trait, "count": rng.binomial(total, p), "total": total}
            )
            frames.append(frame[here])
    frequencies = pd.concat(frames, ignore_index=True)
    frequencies.loc[frequencies["site"] == "site 60", ["count", "total"]] = 0
    regional = frequencies[["species", "trait"]].drop_duplicates().assign(frequency=0.4, rho=[0.05, np.nan] * 2)
    place = pd.DataFrame(
        {"site": names, "x_m": easting, "y_m": northing, "habitat": habitat, "temperature_c": temperature}
    )
    # Three earlier places: 30 m from site 00, 50 m from site 01, and one that is nowhere near a present site.
    earlier_sites = place.iloc[:3].assign(survey="1984", site=["A", "B", "C"])
    earlier_sites["x_m"] = earlier_sites["x_m"] + [30.0, 50.0, 90_000.0]
    earlier = pd.DataFrame(
        {"survey": "1984", "site": ["A", "B", "C"], "species": NEMORALIS, "trait": "yellow",
         "count": [5, 12, 9], "total": [40, 30, 20]}
    )  # fmt: skip
    return {
        "sites": place, "frequencies": frequencies, "regional": regional,
        "earlier_sites": earlier_sites, "earlier_frequencies": earlier,
    }  # fmt: skip


def run(folder: Path, tables: dict[str, pd.DataFrame], more: str = "", processes: int = 1) -> Account:
    return run_on_tables(STAGE, folder, tables, TWO_SPECIES + more, processes=processes)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Account]:
    folder = tmp_path_factory.mktemp("clines")
    return folder, run(folder, made_tables())


def table(folder: Path, name: str) -> pd.DataFrame:
    return read_table(folder / f"tables/{name}.csv")


def test_every_table_has_the_columns_that_are_described(finished: tuple[Path, Account]) -> None:
    for name in TABLES:
        assert list(table(finished[0], name).columns) == list(STAGE.columns[f"tables/{name}.csv"])
    assert set(STAGE.columns) == {f"tables/{name}.csv" for name in TABLES}


def test_clines_hold_a_row_a_model_and_a_reason_where_there_is_none(finished: tuple[Path, Account]) -> None:
    clines = table(finished[0], "clines")
    assert list(clines[["species", "trait"]].drop_duplicates().itertuples(index=False, name=None)) == [
        (NEMORALIS, "yellow"), (NEMORALIS, "fused"), (HORTENSIS, "yellow"), (HORTENSIS, "fused"),
    ]  # fmt: skip
    assert (clines.groupby(["species", "trait"]).size() == 6).all()
    yellow = clines[(clines["species"] == NEMORALIS) & (clines["trait"] == "yellow")].set_index("model")
    assert yellow["chosen"].sum() == 1
    assert yellow["weight"].sum() == pytest.approx(1)
    assert (yellow["sites"] == 69).all()  # one of 70 has no shell
    best = yellow.loc["sigmoid, free ends"]
    assert best["bearing_low"] < 45 < best["bearing_high"]
    assert best["direction"] == "along"
    assert best["chosen"]
    assert best["p_free_ends"] <= 0.05
    assert best["span_seen"] > 0.9
    assert yellow["step"].dtype == bool
    assert not best["step"]
    tried = yellow[yellow["not_fitted_because"] == ""]
    assert list(tried.index) == ["flat", "linear", "sigmoid", "sigmoid, free ends"]
    assert tried["residual_moran_p"].notna().all()
    # 69 sites are too few for the two or three parameters more that tails take.
    assert set(yellow["not_fitted_because"]) == {"", "69 sites; 80 are needed for 8 parameters"}
    assert best["p_fit"] > 0.005
    assert best["p_fit_error"] == pytest.approx(np.sqrt(best["p_fit"] * (1 - best["p_fit"]) / 199))
    assert tried["p_fit"].notna().sum() == 1
    assert set(yellow.loc["sigmoid", "limits_left_open"].split()) == {
        f"{name}_{end}" for name in ("centre", "width", "bearing") for end in ("low", "high")
    }  # fmt: skip
    others = clines.drop(yellow.reset_index().index)
    assert set(others["not_fitted_because"]) == {
        "no shell has it", "8 sites with shells judged; at least 10 are needed"
    }  # fmt: skip
    assert others[["centre_m", "width_m", "aicc", "weight"]].isna().all(axis=None)


def test_environment_leaves_out_sites_without_surroundings_and_counts_them(finished: tuple[Path, Account]) -> None:
    folder, account = finished
    environment = table(folder, "environment")
    yellow = environment[(environment["species"] == NEMORALIS) & (environment["trait"] == "yellow")].set_index("term")
    assert account["environment"][NEMORALIS] == {"sites": 67, "left_out_without_habitat_or_temperature": 2}
    assert (yellow["sites"] == 67).all()
    assert {"intercept", "habitat", "habitat: woodland", "temperature_c"} <= set(yellow.index)
    assert yellow.loc["temperature_c", "p_spatial"] > 0.01
    short = environment[environment["species"] == HORTENSIS]
    assert set(short["not_estimated_because"]) == {"6 sites are too few"}
    skill = table(folder, "environment_skill")
    assert list(skill["model"]) == ["mean only", "habitat", "temperature", "both", "space", "all"]
    assert skill["skill"].iloc[0] == 0
    assert skill["skill"].iloc[4] > 0.3  # a cline is mostly place
    assert (environment["left_out_for_speed"] == 0).all()


def test_effects_in_points_and_pairs_stand_beside_the_coefficients(finished: tuple[Path, Account]) -> None:
    folder, _ = finished
    effects, environment = table(folder, "marginal_effects"), table(folder, "environment")
    assert set(effects["trait"]) == {"yellow"}
    merged = effects.merge(environment, on=["species", "trait", "term"], suffixes=("", "_logit"))
    assert len(merged) == len(effects) == 3
    assert (np.sign(merged["effect"]) == np.sign(merged["estimate"])).all()
    assert_allclose(merged["p_spatial"], merged["p_spatial_logit"])
    assert_allclose(merged["effect"], merged["frequency_to"] - merged["frequency_from"], rtol=1e-9)
    pairs = table(folder, "habitat_pairs")
    yellow = pairs[(pairs["species"] == NEMORALIS) & (pairs["trait"] == "yellow")]
    assert (pairs["within_m"] == 1000).all()
    assert (yellow["habitat_other"] == "any other").sum() == 3
    tested = yellow[yellow["p"].notna()]
    assert len(tested)
    assert (tested["distance_m"] <= 1000).all()
    assert (pairs.loc[pairs["p"].isna(), "not_tested_because"] != "").all()


def test_how_near_pairs_are_is_the_studys_to_say(tmp_path: Path) -> None:
    near = '[habitat]\npath = "habitat.tif"\npaired_within_m = 300.0\n'
    run(tmp_path, made_tables(), near)
    pairs = table(tmp_path, "habitat_pairs")
    assert (pairs["within_m"] == 300).all()
    assert (pairs["distance_m"].dropna() <= 300).all()


def test_more_sites_than_the_models_take_are_thinned_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("morphcline.stages._environment.MOST_SITES", 50)
    account = run(tmp_path, made_tables())
    environment = table(tmp_path, "environment")
    assert (environment.loc[environment["species"] == NEMORALIS, "left_out_for_speed"] == 17).all()
    assert account["environment"][NEMORALIS]["left_out_for_speed"] == 17
    assert any("take 50 of 67 sites, drawn at random" in sentence for sentence in account["warnings"])


def test_change_is_that_of_the_places_seen_twice(finished: tuple[Path, Account]) -> None:
    folder, account = finished
    change = table(folder, "change")
    assert account["change"]["surveys"] == [
        {"earlier_survey": "1984", "species": NEMORALIS, "earlier_sites": 3, "paired": 2, "without_present_site": 1}
    ]
    assert list(change["method"]) == [AT_A_SITE, AT_A_SITE, OVER_SHELLS, OVER_PAIRS, ON_THE_LOGIT, OVER_SPACE]
    sites = change[change["site"] != ""]
    assert list(sites["earlier_site"]) == ["A", "B"]
    # Places are hidden, and from an earlier one that is known a distance would find the present one: their mean alone
    # is told, 40 m, as the 50 m that are two quarters of the radius.
    assert sites["distance_m"].isna().all()
    assert (change.loc[change["site"] == "", "distance_m"] == 50).all()
    now = made_tables()["frequencies"].query("species == @NEMORALIS and trait == 'yellow'").set_index("site")
    for row in sites.itertuples():
        k, n = int(now.loc[row.site, "count"]), int(now.loc[row.site, "total"])
        assert (row.later_count, row.later_total) == (k, n)
        limits = confint_proportions_2indep(
            k, n, row.earlier_count, row.earlier_total, compare="diff", method="newcomb"
        )
        assert_allclose([row.low, row.high], limits, rtol=1e-6)
        # Of one table, the stratified test is Pearson's with n - 1 in place of n.
        counts = [[k, n - k], [row.earlier_count, row.earlier_total - row.earlier_count]]
        assert_allclose(change_p(counts), row.p, rtol=1e-6)
    pooled = change.set_index("method")
    counts = [
        np.array([[r.later_count, r.later_total - r.later_count], [r.earlier_count, r.earlier_total - r.earlier_count]])
        for r in sites.itertuples()
    ]
    theirs = StratifiedTable(counts)
    assert_allclose(pooled.loc[OVER_SHELLS, "p"], theirs.test_null_odds(correction=False).pvalue, rtol=1e-6)
    assert_allclose(pooled.loc[OVER_SHELLS, "odds_ratio"], theirs.oddsratio_pooled, rtol=1e-6)
    over_shells, over_pairs = pooled.loc[OVER_SHELLS], pooled.loc[OVER_PAIRS]
    assert (over_pairs[["earlier_count", "earlier_total"]] == [17, 70]).all()
    assert over_shells["earlier_frequency"] == pytest.approx(17 / 70)
    # Effective numbers n / (1 + 0.05 (n - 1)) of the two pairs' samples, by hand.
    first, second = (
        1 / sum((1 + 0.05 * (n - 1)) / n for n in totals)
        for totals in sites[["earlier_total", "later_total"]].to_numpy()
    )
    share = first / (first + second)
    assert over_pairs["earlier_frequency"] == pytest.approx(share * 5 / 40 + (1 - share) * 12 / 30)
    assert over_pairs["later_frequency"] - over_pairs["earlier_frequency"] == pytest.approx(over_pairs["difference"])


def test_a_wider_radius_and_the_sites_without_a_pair_are_told(finished: tuple[Path, Account]) -> None:
    folder, _ = finished
    change, radius = table(folder, "change"), table(folder, "change_radius")
    believed = change.set_index("method").loc[OVER_PAIRS]
    chosen = radius[radius["chosen"]].iloc[0]
    assert list(radius["within_m"] / chosen["within_m"]) in ([1.0, 2.0, 4.0], [0.5, 1.0, 2.0, 4.0])
    assert (radius["pairs"].diff().fillna(0) >= 0).all()
    assert_allclose(
        chosen[["difference", "low", "high", "p"]].astype(float),
        believed[["difference", "low", "high", "p"]].astype(float),
    )
    logit = change.set_index("method").loc[ON_THE_LOGIT]
    assert_allclose(chosen[["shift", "shift_low"]].astype(float), logit[["shift", "shift_low"]].astype(float))
    unmatched = table(folder, "change_unmatched")
    sites = change[change["site"] != ""]
    present = made_tables()["frequencies"].query("species == @NEMORALIS and trait == 'yellow' and total > 0")
    assert set(unmatched.loc[unmatched["survey"] == "", "site"]) == set(present["site"]) - set(sites["site"])
    earlier = unmatched[unmatched["survey"] == "1984"]
    assert len(earlier) == 1
    assert set(earlier["site"]).isdisjoint(sites["earlier_site"])
    # By hand: the nearest present site of the one left over.
    places, old = made_tables()["sites"].set_index("site"), made_tables()["earlier_sites"].set_index("site")
    left = old.loc[earlier["site"].iloc[0]]
    apart = np.hypot(places["x_m"] - left["x_m"], places["y_m"] - left["y_m"]).loc[list(present["site"])]
    assert earlier["nearest_m"].iloc[0] == np.ceil(apart.min() / 1000) * 1000
    assert earlier["nearest_site"].iloc[0] == apart.idxmin()


def change_p(counts: list[list[int]]) -> float:
    from scipy.stats import chi2

    n = sum(map(sum, counts))
    return float(chi2.sf(chi2_contingency(counts, correction=False).statistic * (n - 1) / n, 1))


def test_the_same_bytes_with_any_number_of_workers(finished: tuple[Path, Account], tmp_path: Path) -> None:
    run(tmp_path, made_tables(), processes=2)
    for name in TABLES:
        assert (tmp_path / f"tables/{name}.csv").read_bytes() == (finished[0] / f"tables/{name}.csv").read_bytes()


def test_without_surroundings_and_earlier_surveys_the_tables_hold_their_headers(tmp_path: Path) -> None:
    tables = made_tables()
    tables["sites"] = tables["sites"].assign(habitat="", temperature_c=np.nan)
    for name in ("earlier_sites", "earlier_frequencies"):
        tables[name] = tables[name].iloc[:0]
    account = run(tmp_path, tables)
    for name in ("environment", "environment_skill", "change", "change_radius", "change_unmatched"):
        assert table(tmp_path, name).empty
        assert list(table(tmp_path, name).columns) == list(STAGE.columns[f"tables/{name}.csv"])
    assert any("No habitat or temperature is known" in sentence for sentence in account["warnings"])
    assert account["change"]["surveys"] == []


def test_one_covariate_alone_is_enough(tmp_path: Path) -> None:
    tables = made_tables()
    tables["sites"] = tables["sites"].assign(habitat="")
    account = run(tmp_path, tables)
    assert "temperature_c" in set(table(tmp_path, "environment")["term"])
    assert account["environment"][NEMORALIS]["sites"] == 68
    assert any("No habitat is known" in sentence for sentence in account["warnings"])


def test_a_line_is_an_axis(tmp_path: Path) -> None:
    # From the south-west to the north-east corner, then the same line drawn the other way.
    corners = [(800_000, 6_500_000), (810_000, 6_510_000), (820_000, 6_520_000)]
    rows = []
    for name, line in (("up", corners), ("down", corners[::-1])):
        folder = tmp_path / name
        folder.mkdir()
        gpd.GeoDataFrame(geometry=[LineString(line)], crs="EPSG:2154").to_file(folder / "axis.gpkg")
        run(folder, made_tables(), '[clines]\naxis = "axis.gpkg"\n')
        clines = table(folder, "clines")
        rows.append(clines[clines["model"] == "sigmoid, free ends"].iloc[0])
    up, down = rows
    assert np.isnan(up["bearing_deg"])
    assert (up["direction"], down["direction"]) == ("along", "against")
    assert (up["origin_x_m"], up["origin_y_m"]) == (800_000, 6_500_000)
    length = np.hypot(20_000, 20_000)
    assert up["centre_m"] == pytest.approx(length - down["centre_m"], rel=1e-3)
    assert up["width_m"] == pytest.approx(down["width_m"], rel=1e-2)
    # Neighbours are those on the map, whichever way the line was drawn.
    assert up["residual_moran_i"] == pytest.approx(down["residual_moran_i"], abs=1e-3)
    assert up["centre_low"] < up["centre_m"] < up["centre_high"]


def test_a_cline_that_a_step_fits_as_well_says_so(tmp_path: Path) -> None:
    tables = made_tables()
    place = tables["sites"].set_index("site")
    here = (tables["frequencies"]["trait"] == "yellow") & (tables["frequencies"]["species"] == NEMORALIS)
    north = tables["frequencies"]["site"].map(place["y_m"] > 6_510_000)
    total = tables["frequencies"]["total"]
    tables["frequencies"].loc[here, "count"] = (total * np.where(north, 0.8, 0.2)).round().astype(int)[here]
    run(tmp_path, tables)
    clines = table(tmp_path, "clines")
    best = clines[clines["chosen"] & (clines["species"] == NEMORALIS)].iloc[0]
    assert best["model"] == "sigmoid, free ends"
    assert best["step"]
    assert best["limits_left_open"] == "width_low"
    assert 0 < best["width_high"] < 5000
    assert clines["step"].sum() == 1


def test_a_dispersal_says_what_would_hold_a_cline(finished: tuple[Path, Account], tmp_path: Path) -> None:
    assert table(finished[0], "selection").empty
    run(tmp_path, made_tables(), "[clines]\ndispersal_m = [10, 30]\n")
    held = table(tmp_path, "selection")
    assert set(held["trait"]) == {"yellow"}
    assert len(held) == 10  # five explanations, read as an allele's width and as a morph's
    clines = table(tmp_path, "clines")
    best = clines[clines["chosen"] & (clines["trait"] == "yellow")].iloc[0]
    row = held[(held["explanation"] == "heterozygote disadvantage") & (held["read_as"] == "allele")].iloc[0]
    # s = 8 sigma^2 / w^2, by hand from the table's own width.
    assert row["low"] == pytest.approx(8 * 10**2 / best["width_high"] ** 2)
    assert row["estimate"] == pytest.approx(8 * 300 / best["width_m"] ** 2)
    assert row["high"] == pytest.approx(8 * 30**2 / best["width_low"] ** 2)
    assert "the theory's clines run from 0 to 1; this one doesn't" in row["note"]


def test_a_bearing_is_an_axis_and_a_line_file_a_source(tmp_path: Path) -> None:
    run(tmp_path, made_tables(), '[clines]\naxis = 225.0\ntraits = ["yellow"]\n')
    clines = table(tmp_path, "clines")
    assert set(clines["trait"]) == {"yellow"}
    sigmoid = clines[(clines["species"] == NEMORALIS) & clines["model"].str.startswith("sigmoid")]
    assert_allclose(sigmoid["bearing_deg"], 45)  # it falls along 225 degrees, so it rises along 45
    assert sigmoid["bearing_low"].isna().all()
    (tmp_path / "other.toml").write_text(TWO_SPECIES + '[clines]\naxis = "axis.gpkg"\n', encoding="utf-8")
    assert [path.name for path in STAGE.sources(load_study(tmp_path / "other.toml"))] == ["axis.gpkg"]
    assert STAGE.sources(load_study(tmp_path / "study.toml")) == ()


def test_a_trait_that_no_record_gives_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"\[clines\] traits: found 'yelow', which no record gives; one of: yellow"):
        run(tmp_path, made_tables(), '[clines]\ntraits = ["yelow"]\n')


def test_earlier_places_out_of_reach_are_told(tmp_path: Path) -> None:
    account = run(tmp_path, made_tables(), "[change]\nwithin_m = 10\n")
    assert table(tmp_path, "change").empty
    assert any("none of 3 sites of the survey 1984 lies within 10 m" in sentence for sentence in account["warnings"])


def test_a_species_that_nobody_found_is_told(tmp_path: Path) -> None:
    tables = made_tables()
    for name in ("frequencies", "regional"):
        tables[name] = tables[name][tables[name]["species"] == NEMORALIS]
    account = run(tmp_path, tables)
    assert set(table(tmp_path, "clines")["species"]) == {NEMORALIS}
    assert f"{HORTENSIS}: no cline could be fitted; clines.csv says why, trait by trait." in account["warnings"]


def test_along_a_transect_no_bearing_is_told(tmp_path: Path) -> None:
    """From sites on one line a cline turned to a right angle fits as well, and would seem to be narrow."""
    tables = made_tables()
    place = tables["sites"]
    along = (place["x_m"] - place["x_m"].mean() + place["y_m"] - place["y_m"].mean()) / 2
    wobble = np.random.default_rng(5).normal(0, 40, len(place))
    place["x_m"], place["y_m"] = 810_000 + along + wobble, 6_510_000 + along - wobble
    account = run(tmp_path, tables, '[clines]\ntraits = ["yellow"]\n')
    clines = table(tmp_path, "clines")
    yellow = clines[(clines["species"] == NEMORALIS) & clines["chosen"].astype(bool)].iloc[0]
    assert yellow["bearing_deg"] == pytest.approx(45, abs=2)
    assert np.isnan(yellow["bearing_low"])
    assert 3000 < yellow["width_m"] < 12_000  # planted: 5000, with ends at 10 and 90 %
    assert [text for text in account["warnings"] if f"{NEMORALIS}: the sites lie along a line towards 45°" in text]
