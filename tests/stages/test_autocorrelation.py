"""The autocorrelation stage on a small made survey, against esda where it writes an index."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from made_studies import HORTENSIS, NEMORALIS, TWO_SPECIES, run_on_tables
from morphcline.files.tables import read_table
from morphcline.stages.autocorrelation import STAGE
from morphcline.study import load_study

STUDY = f"""{TWO_SPECIES}[autocorrelation]
permutations = 199
distance_classes = 4
"""
TRAITS = ["yellow", "pink", "mid-banded", "fused"]
KEYS = {"autocorrelation": ["species", "trait", "form"], "correlogram": ["species", "trait", "distance_class"]}


def made_survey(sites: int = 60) -> dict[str, pd.DataFrame]:
    """Yellow rises eastwards; pink has no pattern; mid-banded lacks some sites; no shell of these is fused."""
    rng = np.random.default_rng(31)
    names = [f"site {number:02}" for number in range(sites)]
    easting, northing = rng.uniform(800_000, 820_000, sites), rng.uniform(6_500_000, 6_520_000, sites)
    chances = {
        "yellow": (easting - 800_000) / 20_000 * 0.8 + 0.1,
        "pink": np.full(sites, 0.3),
        "mid-banded": rng.beta(3, 3, sites),
        "fused": np.zeros(sites),
    }
    rows = []
    for species in (NEMORALIS, HORTENSIS):
        found = np.ones(sites, dtype=bool) if species == NEMORALIS else np.arange(sites) < 5
        shells = rng.integers(8, 90, sites)
        for trait in TRAITS:
            total = shells if trait != "mid-banded" else rng.binomial(shells, np.where(np.arange(sites) < 10, 0, 0.6))
            count = rng.binomial(total, chances[trait])
            rows.append(
                pd.DataFrame(
                    {
                        "site": names,
                        "species": species,
                        "trait": trait,
                        "count": count,
                        "total": total,
                        "frequency": np.divide(count, total, out=np.full(sites, np.nan), where=total > 0),
                        "enough": (shells >= 20) & (total >= 5),
                    }
                )[found]
            )
    regional = pd.DataFrame(
        [
            {"species": species, "trait": trait, "frequency": 0.3, "rho": np.nan if trait == "fused" else 0.05}
            for species in (NEMORALIS, HORTENSIS)
            for trait in TRAITS
        ]
    )
    return {
        "sites": pd.DataFrame({"site": names, "x_m": easting, "y_m": northing}),
        "frequencies": pd.concat(rows, ignore_index=True),
        "regional": regional,
    }


def run_stage(folder: Path, survey: dict[str, pd.DataFrame], text: str = STUDY, processes: int = 1):
    account = run_on_tables(STAGE, folder, survey, text, processes=processes)
    written = {Path(name).stem: read_table(folder / name) for name in STAGE.writes(load_study(folder / "study.toml"))}
    for name, table in written.items():
        assert list(table.columns) == list(STAGE.columns[f"tables/{name}.csv"])
    return written, account


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    return run_stage(tmp_path_factory.mktemp("orsel"), made_survey())


def test_raw_index_is_esdas(done):
    """Recomputed from the tables with esda and libpysal, neighbours included, to 1e-6."""
    import esda
    from libpysal.weights import KNN

    tables, _ = done
    survey = made_survey()
    index = tables["autocorrelation"].set_index(KEYS["autocorrelation"])
    for trait in ("yellow", "pink", "mid-banded"):
        rows = survey["frequencies"].query("species == @NEMORALIS and trait == @trait and enough")
        rows = rows.merge(survey["sites"])
        theirs = esda.Moran(
            rows["frequency"].to_numpy(), KNN.from_array(rows[["x_m", "y_m"]].to_numpy(), k=8), permutations=0
        )
        ours = index.loc[(NEMORALIS, trait, "raw")]
        assert ours["sites"] == len(rows)
        assert_allclose(
            ours[["moran_i", "expected", "variance", "z", "p_normal", "variance_normality", "p_normality"]].astype(
                float
            ),
            [theirs.I, theirs.EI, theirs.VI_rand, theirs.z_rand, theirs.p_rand, theirs.VI_norm, theirs.p_norm],
            rtol=1e-6,
        )


def test_pattern_is_found_and_its_absence_too(done):
    tables, _ = done
    adjusted = tables["autocorrelation"].query("form == 'rate-adjusted' and species == @NEMORALIS").set_index("trait")
    assert adjusted.loc["yellow", "p_permutation"] == 1 / 200
    assert adjusted.loc["yellow", "moran_i"] > 0.5
    assert adjusted.loc["pink", "p_permutation"] > 0.05
    near, far = tables["correlogram"].query("species == @NEMORALIS and trait == 'yellow'").iloc[[0, -1]].itertuples()
    assert near.moran_i > 0.3
    assert near.moran_i > far.moran_i
    assert near.p_holm == 4 / 200
    local = tables["local"].query("species == @NEMORALIS and trait == 'yellow'").merge(made_survey()["sites"])
    east = local.groupby("group")["x_m"].mean()
    assert east["high among high"] > 813_000
    assert east["low among low"] < 807_000
    assert (tables["local"].query("trait == 'pink'")["group"].isin(["no local signal", "not tested"])).all()


def test_rows_come_once_each_in_the_tables_order(done):
    tables, _ = done
    expected = [
        (species, trait, form)
        for species in (NEMORALIS, HORTENSIS)
        for trait in TRAITS
        for form in ("rate-adjusted", "raw")
    ]
    assert list(tables["autocorrelation"][KEYS["autocorrelation"]].itertuples(index=False, name=None)) == expected
    rows = tables["correlogram"]
    # Of hortensis there are four large samples: too few for any class.
    expected = [(NEMORALIS, trait, number) for trait in TRAITS for number in (1, 2, 3, 4)]
    assert list(rows[KEYS["correlogram"]].itertuples(index=False, name=None)) == expected
    assert (rows["from_m"] < rows["to_m"]).all()
    frequencies = made_survey()["frequencies"]
    assert len(tables["local"]) == len(frequencies)
    assert not tables["local"].duplicated(["species", "trait", "site"]).any()


def test_samples_too_small_stay_out_and_are_called_not_tested(done):
    tables, _ = done
    local = tables["local"].merge(made_survey()["frequencies"])
    small = local[(local["species"] == NEMORALIS) & (local["trait"] == "yellow") & ~local["enough"]]
    assert len(small) > 3
    assert (small["group"] == "not tested").all()
    assert small[["local_i", "p_permutation", "p_fdr"]].isna().all(axis=None)
    large = local[(local["species"] == NEMORALIS) & (local["trait"] == "yellow") & local["enough"]]
    assert (large["group"] != "not tested").all()
    index = tables["autocorrelation"].set_index(KEYS["autocorrelation"])
    assert index.loc[(NEMORALIS, "yellow", "raw"), "sites"] == len(large)
    assert index.loc[(NEMORALIS, "mid-banded", "raw"), "sites"] < len(large)
    # The mean over the sites is the index.
    assert_allclose(large["local_i"].mean(), index.loc[(NEMORALIS, "yellow", "rate-adjusted"), "moran_i"])


def test_what_is_not_tested_says_why_and_has_no_numbers(done):
    tables, account = done
    index = tables["autocorrelation"].set_index(KEYS["autocorrelation"])
    assert index.loc[(NEMORALIS, "fused", "raw"), "not_tested_because"] == "the same value at every site"
    untested = index[index["not_tested_because"] != ""]
    numbers = ["moran_i", "expected", "variance", "z", "p_normal", "p_permutation", "permutations"]
    assert untested[numbers].isna().all(axis=None)
    assert index.loc[index["not_tested_because"] == "", numbers].notna().all(axis=None)
    assert account["species"][NEMORALIS]["tested"] == 3
    assert account["species"][NEMORALIS]["not_tested"] == {"fused": "the same value at every site"}
    assert account["species"][HORTENSIS]["tested"] == 0
    assert "at least 10 are needed" in account["species"][HORTENSIS]["not_tested"]["yellow"]
    assert [warning for warning in account["warnings"] if warning.startswith(f"{HORTENSIS}: no trait could be tested")]


def test_results_do_not_depend_on_workers(done, tmp_path):
    again, account = run_stage(tmp_path, made_survey(), processes=2)
    for name, table in done[0].items():
        pd.testing.assert_frame_equal(again[name], table)
    assert account == done[1]


def test_islands_are_named_and_many_are_warned_of(tmp_path):
    survey = made_survey()
    survey["sites"].loc[[15, 20, 40], "x_m"] += [100_000, 200_000, 300_000]
    survey["frequencies"]["enough"] |= survey["frequencies"]["species"] == NEMORALIS
    survey["frequencies"]["enough"] &= survey["frequencies"]["total"] >= 5
    text = STUDY + "neighbours = { within_m = 9000 }\n"
    tables, account = run_stage(tmp_path, survey, text)
    assert account["species"][NEMORALIS]["islands"] == ["site 15", "site 20", "site 40"]
    yellow = tables["autocorrelation"].query("species == @NEMORALIS and trait == 'yellow'")
    assert yellow[["sites", "islands"]].drop_duplicates().to_numpy().tolist() == [[57, 3]]
    lone = tables["local"].query("species == @NEMORALIS and site in ['site 15', 'site 20', 'site 40']")
    assert (lone["group"] == "not tested").all()
    said = [warning for warning in account["warnings"] if "have no neighbour within 9000 m" in warning]
    assert len(said) == 1
    assert "3 of 5" in said[0]  # of the 50 sites with banded shells


def test_a_missing_rho_is_taken_as_0_and_said(tmp_path):
    survey = made_survey()
    survey["regional"].loc[survey["regional"]["trait"] == "pink", "rho"] = np.nan
    _, account = run_stage(tmp_path, survey)
    assert account["species"][NEMORALIS]["rho_taken_as_0"] == ["pink"]
    assert [warning for warning in account["warnings"] if "no intra-site correlation is known for pink" in warning]
    survey["regional"].loc[survey["regional"]["trait"] == "pink", "rho"] = 0.0
    (tmp_path / "zero").mkdir()
    tables, _ = run_stage(tmp_path / "zero", survey)
    pd.testing.assert_frame_equal(tables["autocorrelation"], read_table(tmp_path / "tables/autocorrelation.csv"))


def test_limits_in_metres_are_the_classes(tmp_path):
    text = STUDY.replace("distance_classes = 4", "distance_classes = [0, 2000, 5000, 90000, 95000]")
    tables, _ = run_stage(tmp_path, made_survey(), text)
    yellow = tables["correlogram"].query("species == @NEMORALIS and trait == 'yellow'")
    assert yellow["to_m"].tolist() == [2000, 5000, 90000, 95000]
    n = tables["autocorrelation"].query("species == @NEMORALIS and trait == 'yellow'")["sites"].iloc[0]
    assert yellow["pairs"].sum() == n * (n - 1) // 2
    assert yellow["pairs"].iloc[-1] == 0
    assert (
        yellow[["moran_i", "expected", "mean_m", "envelope_low", "pointwise_high", "p_mc_low", "p_holm"]]
        .iloc[-1]
        .isna()
        .all()
    )


def test_a_survey_without_large_samples_gives_tables_without_numbers(tmp_path):
    survey = made_survey()
    survey["frequencies"]["enough"] = False
    tables, account = run_stage(tmp_path, survey)
    assert tables["autocorrelation"]["moran_i"].isna().all()
    assert (tables["autocorrelation"]["not_tested_because"] == "0 sites can be compared, at least 10 are needed").all()
    assert (tables["local"]["group"] == "not tested").all()
    assert tables["correlogram"].empty
    assert len(account["warnings"]) == 2


def test_sites_at_one_place_are_not_tested(tmp_path):
    survey = made_survey()
    survey["sites"][["x_m", "y_m"]] = [800_000.0, 6_500_000.0]
    tables, account = run_stage(tmp_path, survey)
    assert tables["correlogram"].empty
    assert [warning for warning in account["warnings"] if "all sites lie at one place" in warning]
    assert tables["autocorrelation"]["moran_i"].isna().all()
    reasons = tables["autocorrelation"].query("species == @NEMORALIS")["not_tested_because"]
    assert set(reasons) == {"all its sites lie at one place"}
    assert (tables["local"]["group"] == "not tested").all()


def test_a_species_that_was_not_found_has_no_rows(tmp_path):
    survey = made_survey()
    survey["frequencies"] = survey["frequencies"].query("species == @NEMORALIS")
    tables, account = run_stage(tmp_path, survey)
    assert set(tables["local"]["species"]) == {NEMORALIS}
    assert account["species"][HORTENSIS]["tested"] == 0


def test_local_clusters_are_judged_by_up_to_19999_draws(done):
    """A p-value by N draws is a whole number of (N + 1)-ths, or 100 over the draws at which it stopped."""
    tables, account = done
    assert account["local_draws"] == 19_999
    local = tables["local"].dropna(subset=["p_permutation"])
    stopped = local["draws"] < 19_999
    assert stopped.any()
    assert (~stopped).any()
    assert_allclose(local["p_permutation"][stopped], 100 / local["draws"][stopped], rtol=1e-9)
    rest = local["p_permutation"][~stopped].to_numpy() * 20_000
    assert_allclose(rest, np.rint(rest), atol=1e-6)
    assert rest.max() <= 100
    whole = tables["autocorrelation"]["p_permutation"].dropna().to_numpy()
    assert_allclose(whole * 200, np.rint(whole * 200), atol=1e-6)
