"""The stage on a small survey worked by hand, and its numbers recomputed from its own counts by other libraries."""

import json
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import betabinom, fisher_exact, t
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import proportion_confint

from morphcline.errors import StudyError
from morphcline.files.tables import read_table, write_table
from morphcline.stages.base import Context
from morphcline.stages.frequencies import STAGE
from morphcline.study import load_study
from morphcline.workers import Workers

NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"
COLUMNS = [
    "survey", "site", "visit", "date", "species", "colour", "banding", "band_class", "count", "counted",
    "not_counted_because",
]  # fmt: skip


def study_with(folder, scoring=""):
    folder.mkdir(exist_ok=True)
    file = folder / "study.toml"
    file.write_text(
        f'[study]\nname = "orsel"\ncrs = "EPSG:2154"\n[records]\npath = "records.csv"\n[scoring]\n{scoring}\n',
        encoding="utf-8",
    )
    return load_study(file)


def run(folder, accepted, scoring="", habitats=None, future=()):
    table = pd.DataFrame(accepted, columns=COLUMNS)
    flagged = pd.DataFrame({"flag_code": "date-in-future", "date": list(future)}, dtype=object)
    write_table(folder / "private/records/flagged.csv", flagged)
    sites = sorted(set(table.loc[table["survey"] == "", "site"]))
    write_table(folder / "private/records/accepted.csv", table)
    lives = [(habitats or {}).get(site, "") for site in sites]
    write_table(folder / "private/tables/sites.csv", pd.DataFrame({"site": sites, "habitat": lives}))
    account = STAGE.run(Context(study_with(folder, scoring), folder, Workers()))
    return account, {name.split("/")[1][:-4]: read_table(folder / name) for name in STAGE.writes(None)}


def row(site, colour, banding, band_class, count, *, species=NEMORALIS, survey="", date="2025-05-01", why=""):
    return (survey, site, date, date, species, colour, banding, band_class, count, why == "", why)


SMALL = [
    row("1", "yellow", "", "unbanded", 12),
    row("1", "pink", "", "mid-banded", 6),
    row("1", "brown", "12345", "many-banded", 2),
    row("1", "pink", "", "many-banded", 30, date="2019-05-01"),
    row("1", "", "", "", 9, species="", why="juvenile"),
    row("2", "yellow", "00300", "mid-banded", 3),
    row("2", "yellow", "00040", "other one-banded", 1),
    row("2", "pink", "1(23)45", "many-banded", 4),
    row("2", "yellow", "", "unbanded", 5, species=HORTENSIS),
    row("1", "yellow", "", "unbanded", 8, survey="old", date="1984"),
    row("1", "pink", "", "unbanded", 2, survey="old", date="1984"),
]


def cell(table, column, **key):
    chosen = table
    for name, value in key.items():
        chosen = chosen[chosen[name] == value]
    assert len(chosen) == 1, key
    return chosen[column].iloc[0]


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    return run(tmp_path_factory.mktemp("small"), SMALL, habitats={"1": "woodland"})


class TestSmallSurvey:
    def test_samples(self, results):
        samples = results[1]["samples"]
        assert samples.to_numpy().tolist() == [
            ["1", NEMORALIS, 20, 2, "2025-05-01", True],
            ["2", NEMORALIS, 8, 1, "2025-05-01", False],
            ["2", HORTENSIS, 5, 1, "2025-05-01", False],
        ]

    @pytest.mark.parametrize(
        ("site", "trait", "count", "total", "enough"),
        [
            ("1", "yellow", 12, 20, True),
            ("1", "unbanded", 12, 20, True),
            ("1", "mid-banded", 6, 8, True),  # among banded shells, not among all twenty
            ("1", "many-banded", 2, 20, True),
            ("1", "effectively unbanded", 0, 2, False),  # two shells have a formula
            ("1", "brown many-banded", 2, 20, True),
            ("2", "mid-banded", 3, 8, False),  # eight shells are too few
            ("2", "fused", 4, 8, False),
            ("2", "yellow mid-banded", 3, 8, False),
        ],
    )
    def test_counts_and_wilson_limits(self, results, site, trait, count, total, enough):
        table = results[1]["frequencies"]
        got = table[(table["site"] == site) & (table["species"] == NEMORALIS) & (table["trait"] == trait)].iloc[0]
        assert (got["count"], got["total"], got["enough"]) == (count, total, enough)
        assert got["frequency"] == pytest.approx(count / total)
        assert (got["low"], got["high"]) == pytest.approx(proportion_confint(count, total, method="wilson"), abs=1e-9)

    def test_species_are_kept_apart_and_the_unscored_is_missing(self, results):
        table = results[1]["frequencies"]
        assert cell(table, "count", site="2", species=HORTENSIS, trait="yellow") == 5
        assert not ((table["species"] == HORTENSIS) & table["trait"].isin(["mid-banded", "fused"])).any()
        assert results[0]["species"][HORTENSIS]["traits_left_out"] == ["mid-banded", "effectively unbanded", "fused"]

    def test_earlier_surveys_stand_apart(self, results):
        table = results[1]["earlier_frequencies"]
        assert set(table["survey"]) == {"old"}
        assert cell(table, "count", trait="yellow", site="1") == 8
        assert cell(table, "total", trait="yellow", site="1") == 10
        assert results[0]["earlier_surveys"] == {"old": {"sites": 1, "shells": 10}}

    def test_the_account_says_what_was_not_used(self, results):
        account = results[0]
        assert account["species"][NEMORALIS]["shells_of_other_visits"] == 30
        assert account["species"][NEMORALIS]["shells_with_formula"] == 10
        assert account["sites_without_habitat"] == 1
        text = " ".join(account["notes"])
        assert "fused rest on the 10 of 28 shells that are scored with a band formula" in text
        assert "30 shells of other visits are not used" in text
        assert account["warnings"] == []

    def test_habitats(self, results):
        table = results[1]["habitat_frequencies"]
        assert set(table["habitat"]) == {"woodland"}
        assert cell(table, "total", species=NEMORALIS, trait="yellow") == 20

    def test_pooled_visits(self, tmp_path):
        account, tables = run(tmp_path, SMALL, 'visits = "pool"')
        assert cell(tables["frequencies"], "total", site="1", trait="yellow", species=NEMORALIS) == 50
        assert account["species"][NEMORALIS]["shells_of_other_visits"] == 0

    def test_jeffreys_and_another_confidence(self, tmp_path):
        _, tables = run(tmp_path, SMALL, 'interval = "jeffreys"\nconfidence = 0.8')
        got = tables["frequencies"].query("site == '1' and trait == 'yellow'").iloc[0]
        expected = proportion_confint(12, 20, alpha=0.2, method="jeffreys")
        assert (got["low"], got["high"]) == pytest.approx(expected, abs=1e-9)

    def test_traits_asked_for_in_vain_are_named(self, tmp_path):
        rows = [row("1", "yellow", "", "unbanded", 30), row("2", "pink", "", "unbanded", 30)]
        account, tables = run(tmp_path, rows, f'species = ["{NEMORALIS}"]\ntraits = ["yellow", "fused"]')
        assert tables["regional"]["trait"].tolist() == ["yellow"]
        assert account["warnings"] == [f"fused: no shell of {NEMORALIS} is scored for it, so it is left out."]

    def test_a_species_without_shells_is_named(self, tmp_path):
        account, tables = run(tmp_path, [row("1", "yellow", "", "unbanded", 30), row("2", "pink", "", "unbanded", 30)])
        assert account["warnings"] == [f"No adult shells of {HORTENSIS} count: it has no frequencies."]
        # All unbanded: how sites differ can't be told, and the row says so.
        regional = tables["regional"].set_index("trait").loc["unbanded"]
        assert regional["not_estimated_because"] == "every shell is of this kind"
        assert np.isnan(regional["rho"])
        assert (regional["low"], regional["high"]) == pytest.approx(proportion_confint(60, 60, method="wilson"))

    def test_no_shells_stop_the_run_with_the_reason(self, tmp_path):
        with pytest.raises(
            StudyError, match=r"accepted\.csv: no adult shell of .* in 1 accepted rows .*often: juvenile"
        ):
            run(tmp_path, [row("1", "", "", "", 3, species="", why="juvenile")])


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    """Thirty sites of one species, some scored with formulas, with real differences between sites."""
    rng = np.random.default_rng(12)
    kinds = [
        ("", "unbanded"), ("00300", "mid-banded"), ("", "mid-banded"), ("12345", "many-banded"),
        ("1(23)45", "many-banded"), ("", "many-banded"), ("00040", "other one-banded"), ("", ""),
    ]  # fmt: skip
    rows, habitats = [], {}
    for number in range(30):
        site = f"S{number:02d}"
        habitats[site] = ("woodland", "hedgerow", "")[number % 3]
        share = np.append(rng.dirichlet([3, 2, 1]) * 0.95, 0.05)  # the last is unscored
        for colour, part in zip(("yellow", "pink", "brown", ""), share, strict=True):
            counts = rng.multinomial(rng.poisson(45 * part), rng.dirichlet([4, 2, 2, 2, 1, 3, 0.3, 0.5]))
            rows += [row(site, colour, f, b, n) for (f, b), n in zip(kinds, counts, strict=True) if n]
    folder = tmp_path_factory.mktemp("survey")
    account, tables = run(folder, rows, f'species = ["{NEMORALIS}"]', habitats)
    return account, tables, pd.DataFrame(rows, columns=COLUMNS), habitats


class TestLargerSurvey:
    def test_colours_and_morphs_add_up(self, survey):
        counts = survey[1]["frequencies"].pivot_table(index="site", columns="trait", values="count")
        totals = survey[1]["frequencies"].pivot_table(index="site", columns="trait", values="total")
        assert (counts["yellow"] + counts["pink"] + counts["brown"] == totals["yellow"]).all()
        morphs = [f"{c} {b}" for c in ("yellow", "pink", "brown") for b in ("unbanded", "mid-banded", "many-banded")]
        rows = survey[2]
        other = rows[(rows["band_class"] == "other one-banded") & (rows["colour"] != "")].groupby("site")["count"].sum()
        assert (counts[morphs].sum(axis=1) + other.reindex(counts.index).fillna(0) == totals[morphs[0]]).all()
        assert (counts["unbanded"] + totals["mid-banded"] == totals["unbanded"]).all()

    def test_regional_numbers_recomputed_from_the_written_counts(self, survey):
        for _, region in survey[1]["regional"].iterrows():
            rows = survey[1]["frequencies"].query("trait == @region.trait and total > 0")
            count, total = rows["count"].to_numpy(), rows["total"].to_numpy()
            assert (region["count"], region["total"], region["sites"]) == (count.sum(), total.sum(), len(rows))
            assert region["frequency_unweighted"] == pytest.approx(count.sum() / total.sum())
            worth = total / (1 + (total - 1) * region["rho"])
            frequency = worth @ (count / total) / worth.sum()
            # Student's deviate as a confidence of the normal one, which is what statsmodels takes.
            deviate = t.ppf(0.975, len(rows) - 1)
            alpha = 2 * (1 - NormalDist().cdf(deviate))
            shells = worth.sum() * (len(rows) - 1) / len(rows)  # the scatter is about a mean fitted to the same sites
            expected = proportion_confint(frequency * shells, shells, alpha=alpha, method="wilson")
            assert region["frequency"] == pytest.approx(frequency, abs=1e-9)
            assert (region["low"], region["high"]) == pytest.approx(expected, abs=1e-6)

    def test_rho_is_the_maximum_likelihood_one(self, survey):
        for trait in ("yellow", "mid-banded", "pink many-banded"):
            region = survey[1]["regional"].set_index("trait").loc[trait]
            rows = survey[1]["frequencies"].query("trait == @trait and total > 0")

            def minus(logits, rows=rows):
                mean, rho = 1 / (1 + np.exp(-logits))
                return -betabinom.logpmf(
                    rows["count"], rows["total"], mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
                ).sum()

            best = minimize(minus, [0, -2], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11})
            assert region["rho"] == pytest.approx(1 / (1 + np.exp(-best.x[1])), abs=1e-6)

    def test_habitats_recomputed(self, survey):
        tables, habitats = survey[1], survey[3]
        region = tables["regional"].set_index("trait").loc["yellow"]
        rows = tables["frequencies"].query("trait == 'yellow'")
        for name in ("hedgerow", "woodland"):
            here = rows[rows["site"].map(habitats) == name]
            worth = here["total"] / (1 + (here["total"] - 1) * region["rho"])
            got = tables["habitat_frequencies"].query("trait == 'yellow' and habitat == @name").iloc[0]
            assert (got["count"], got["total"], got["sites"]) == (here["count"].sum(), here["total"].sum(), 10)
            assert got["frequency"] == pytest.approx((worth * here["frequency"]).sum() / worth.sum(), abs=1e-9)
            assert got["low"] < got["frequency"] < got["high"]

    def test_associations_recomputed_from_the_records(self, survey):
        rows, table = survey[2], survey[1]["associations"]
        scored = rows[(rows["colour"] != "") & (rows["band_class"] != "")]
        banded = scored[scored["band_class"] != "unbanded"]
        for pair, among, (colour, band) in (
            ("brown / unbanded", scored, ("brown", "unbanded")),
            ("yellow / mid-banded", banded, ("yellow", "mid-banded")),
        ):
            cells = pd.crosstab(
                [among["site"], among["colour"] == colour], among["band_class"] == band, among["count"], aggfunc="sum"
            ).fillna(0)
            stacked = np.array(
                [
                    [[cells[b].get((site, c), 0) for b in (True, False)] for c in (True, False)]
                    for site in sorted(set(among["site"]))
                ]
            )
            pooled = table[(table["pair"] == pair) & (table["site"] == "")].iloc[0]
            assert pooled["n"] == stacked.sum()
            a, b, c, d = stacked.sum(axis=0).ravel() / stacked.sum()
            assert pooled["d"] == pytest.approx(a * d - b * c, abs=1e-12)
            assert pooled["r2"] == pytest.approx((a * d - b * c) ** 2 / ((a + b) * (c + d) * (a + c) * (b + d)))
            told = stacked[(stacked.sum(axis=1) > 0).all(axis=1) & (stacked.sum(axis=2) > 0).all(axis=1)]
            peer = StratifiedTable(told.transpose(1, 2, 0))
            assert pooled["p_mantel_haenszel"] == pytest.approx(peer.test_null_odds().pvalue)
            assert pooled["odds_ratio"] == pytest.approx(peer.oddsratio_pooled)
            shown = table[(table["pair"] == pair) & (table["site"] != "")]
            assert len(shown) == (stacked.sum(axis=(1, 2)) >= 20).sum()
            assert shown["p_mantel_haenszel"].isna().all()
            assert pooled["p_homogeneity"] == pytest.approx(peer.test_equal_odds(adjust=True).pvalue)
            assert pooled["odds_ratio_low_sites"] < pooled["odds_ratio"] < pooled["odds_ratio_high_sites"]
            assert pooled["d_prime_low"] < pooled["d_prime"] < pooled["d_prime_high"]
            at = dict(zip(sorted(set(among["site"])), stacked, strict=True))
            for one in shown.dropna(subset=["p_exact"]).to_dict("records"):
                assert one["p_exact"] == pytest.approx(fisher_exact(at[one["site"]]).pvalue)

    def test_alleles_recomputed(self, survey):
        table, frequencies = survey[1]["alleles"], survey[1]["frequencies"]
        sites = frequencies.query("trait == 'yellow' and total >= 20").set_index("site")
        roots = np.sqrt(sites["frequency"])
        mean = table.query("locus == 'colour' and allele == 'yellow' and site == ''").iloc[0]
        assert mean["f_st"] == pytest.approx(roots.var(ddof=0) / (roots.mean() * (1 - roots.mean())))
        # The roots' mean is biased by about -(1 - q²) / 8nq at each site (first order), which the estimate allows for.
        bias = (-(1 - sites["frequency"]) / (8 * sites["total"] * roots)).mean()
        assert mean["frequency"] == pytest.approx(roots.mean() - bias, abs=0.004)
        assert mean["low"] < mean["frequency"] < mean["high"]
        assert 0 < mean["f_st_corrected"] < mean["f_st"]
        own = table.query("locus == 'colour' and site != ''")
        assert np.allclose(own.groupby("site")["frequency"].sum(), 1)
        yellow = own.query("allele == 'yellow'").set_index("site")
        low, high = proportion_confint(sites["count"], sites["total"], method="wilson")
        assert np.allclose(yellow["low"] ** 2, low)
        assert np.allclose(yellow["high"] ** 2, high)
        assert table["assumption"].str.startswith("Hardy-Weinberg").all()
        banding = table.query("locus == 'mid-banding' and site != '' and allele == 'many-banded'").set_index("site")
        mid = frequencies.query("trait == 'mid-banded'").set_index("site").loc[banding.index]
        assert np.allclose(banding["frequency"] ** 2, 1 - mid["frequency"])

    def test_tables_hold_what_is_declared_in_a_fixed_order(self, survey):
        for name, columns in STAGE.columns.items():
            table = survey[1][name.split("/")[1][:-4]]
            assert table.columns.tolist() == list(columns)
        frequencies = survey[1]["frequencies"]
        assert frequencies["site"].is_monotonic_increasing
        first = frequencies[frequencies["site"] == "S00"]["trait"].tolist()
        assert first[:5] == ["yellow", "pink", "brown", "unbanded", "mid-banded"]
        assert survey[1]["regional"]["trait"].tolist() == first


def test_the_order_of_rows_changes_nothing(tmp_path):
    run(tmp_path / "a", SMALL)
    run(tmp_path / "b", SMALL[::-1])
    for name in STAGE.writes(None):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_a_visit_in_the_future_is_not_the_latest_and_that_is_told(tmp_path):
    rows = [
        row("1", "yellow", "", "unbanded", 30),
        row("1", "pink", "", "unbanded", 2, date="2052-06-01"),
        row("1", "pink", "", "unbanded", 1, date="2052-06-01"),
        row("1", "pink", "", "unbanded", 25, date="2021-05-01"),
        row("2", "pink", "", "unbanded", 22, date="2052-06-01"),
    ]
    account, tables = run(tmp_path, rows, f'species = ["{NEMORALIS}"]', future=["2052-06-01"])
    samples = tables["samples"].set_index("site")
    assert samples["visit_used"].to_dict() == {"1": "2025-05-01", "2": "2052-06-01"}  # at 2 there is no other
    assert samples["shells"].to_dict() == {"1": 30, "2": 22}
    assert account["species"][NEMORALIS]["sites_with_future_visit_passed_over"] == 1
    (warning,) = [sentence for sentence in account["warnings"] if "future" in sentence]
    assert "not taken for the latest (site 1)" in warning
    pooled, tables = run(tmp_path, rows, f'species = ["{NEMORALIS}"]\nvisits = "pool"', future=["2052-06-01"])
    assert tables["samples"]["shells"].tolist() == [58, 22]
    assert not any("future" in sentence for sentence in pooled["warnings"])
    plain, _ = run(tmp_path, rows, f'species = ["{NEMORALIS}"]')
    assert not any("future" in sentence for sentence in plain["warnings"])
    json.dumps(account)
