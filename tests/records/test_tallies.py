"""Which visits count, and counts of shells by trait, by hand and against the slow obvious way."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from morphcline.records.tallies import choose_visits, rows_that_count, tally
from morphcline.scoring.traits import standard_traits

TRAITS = {trait.name: trait for trait in standard_traits()}


def rows(*lines, columns):
    table = pd.DataFrame(lines, columns=columns)
    defaults = {
        "survey": "", "site": "A", "species": "Cepaea nemoralis", "visit": "", "date": "", "colour": "",
        "band_class": "", "banding": "", "count": 1, "counted": True,
    }  # fmt: skip
    return table.assign(**{name: value for name, value in defaults.items() if name not in table})


SHELLS = rows(
    ("A", "yellow", "unbanded", "00000", 4),
    ("A", "yellow", "mid-banded", "00300", 3),
    ("A", "pink", "many-banded", "1(23)45", 2),
    ("A", "pink", "many-banded", "00345", 5),
    ("A", "brown", "unbanded", "", 6),  # three-class score: no formula
    ("A", "", "other one-banded", "00040", 1),  # too faded to call its colour
    ("A", "yellow", "", "", 7),  # colour alone
    ("A", "yellow", "unbanded", "00000", 1),  # the same kind in another row
    ("B", "pink", "mid-banded", "", 9),
    columns=["site", "colour", "band_class", "banding", "count"],
)
#: Worked by hand from the rows above: counts at A and B, and what they are counted among.
BY_HAND = {
    "yellow": ([15, 0], [28, 9]),  # 4 + 3 + 7 + 1 of all but the faded one
    "pink": ([7, 9], [28, 9]),
    "brown": ([6, 0], [28, 9]),
    "unbanded": ([11, 0], [22, 9]),  # 4 + 6 + 1; the seven without a banding score are out
    "mid-banded": ([3, 9], [11, 9]),  # banded: 3 + 2 + 5 + 1
    "many-banded": ([7, 0], [22, 9]),
    "effectively unbanded": ([14, 0], [16, 0]),  # 00000, 00300, 00345, 00040 of those with a formula
    "fused": ([2, 0], [11, 0]),  # of banded shells with a formula
    "yellow unbanded": ([5, 0], [21, 9]),  # of those scored for both
    "pink mid-banded": ([0, 9], [21, 9]),
}


class TestTally:
    @pytest.mark.parametrize("trait", BY_HAND)
    def test_by_hand(self, trait):
        count, total = tally(SHELLS).count_and_total(TRAITS[trait])
        assert_array_equal(count, BY_HAND[trait][0])
        assert_array_equal(total, BY_HAND[trait][1])

    def test_two_by_two_by_hand(self):
        counts = tally(SHELLS)
        assert_array_equal(
            counts.two_by_two(TRAITS["yellow"], TRAITS["unbanded"]), [[[5, 3], [6, 7]], [[0, 0], [0, 9]]]
        )
        # Among banded shells with a colour: 3 yellow mid-banded, 7 pink many-banded.
        assert_array_equal(counts.two_by_two(TRAITS["yellow"], TRAITS["mid-banded"])[0], [[3, 0], [0, 7]])
        assert_array_equal(counts.with_formula(), [16, 0])

    @given(
        st.lists(
            st.tuples(
                st.sampled_from("AB"),
                st.sampled_from(["yellow", "pink", "brown", ""]),
                st.sampled_from(
                    [
                        ("", ""), ("unbanded", ""), ("unbanded", "00000"), ("mid-banded", "00300"), ("many-banded", ""),
                        ("many-banded", "12345"), ("many-banded", "(12)3(45)"), ("other one-banded", "00040"),
                    ]
                ),
                st.integers(1, 30),
            ),
            min_size=1,
            max_size=25,
        )
    )  # fmt: skip
    def test_parts_make_the_whole(self, lines):
        table = rows(*((s, c, b[0], b[1], n) for s, c, b, n in lines), columns=SHELLS.columns[:5])
        counts = tally(table)
        got = {name: counts.count_and_total(trait) for name, trait in TRAITS.items()}
        assert_array_equal(sum(got[colour][0] for colour in ("yellow", "pink", "brown")), got["yellow"][1])
        one_banded = counts._sum(np.array([k[0] != "" and k[1] == "other one-banded" for k in counts.kinds]))
        morphs = [
            got[f"{c} {b}"] for c in ("yellow", "pink", "brown") for b in ("unbanded", "mid-banded", "many-banded")
        ]
        assert_array_equal(sum(count for count, _ in morphs) + one_banded, morphs[0][1])
        assert_array_equal(got["mid-banded"][1] + got["unbanded"][0], got["unbanded"][1])
        # The slow way: shell by shell.
        for name, trait in TRAITS.items():
            for place, site in enumerate(counts.samples["site"]):
                shells = [(c, *b) for s, c, b, n in lines if s == site for _ in range(n)]
                verdicts = [trait.judge(*shell) for shell in shells]
                assert got[name][0][place] == verdicts.count(True)
                assert got[name][1][place] == len(verdicts) - verdicts.count(None)


class TestVisits:
    VISITS = rows(
        ("A", "spring", "2023-04-02", 10),
        ("A", "summer", "2024-06", 20),
        ("A", "summer", "2024-06", 5),
        ("A", "", "", 40),
        ("B", "2024", "2024", 7),  # some day of 2024: before any day that is named
        ("B", "2024-01-03", "2024-01-03", 8),
        ("C", "first", "2020-05-01/2020-05-09", 3),
        ("C", "second", "2020-05-08", 2),
        ("D", "a", "2020", 1),
        ("D", "b", "2020", 2),
        ("E", "", "", 6),
        columns=["site", "visit", "date", "count"],
    )

    def test_latest_by_hand(self):
        used, samples = choose_visits(self.VISITS, "latest")
        assert samples["site"].tolist() == list("ABCDE")
        assert samples["visit_used"].tolist() == ["summer", "2024-01-03", "first", "b", ""]
        assert samples["shells"].tolist() == [25, 8, 3, 2, 6]
        assert samples["visits"].tolist() == [3, 2, 2, 2, 1]
        assert samples["shells_not_used"].tolist() == [50, 7, 2, 1, 0]
        assert used["count"].sum() == 44

    def test_pool_by_hand(self):
        used, samples = choose_visits(self.VISITS, "pool")
        assert samples["shells"].tolist() == [75, 15, 5, 3, 6]
        assert samples["visit_used"].tolist()[0] == "spring; summer"
        assert samples["shells_not_used"].tolist() == [0] * 5
        assert len(used) == len(self.VISITS)

    def test_a_date_in_the_future_is_no_latest_unless_it_is_all_there_is(self):
        table = rows(
            ("A", "2024-05-01", "2024-05-01", 20),
            ("A", "2042-06-01", "2042-06-01", 3),
            ("B", "2042-06-01", "2042-06-01", 4),
            ("C", "first", "2023", 5),
            ("C", "second", "2042-06-01", 6),  # mistyped in one row of a visit that is dated well in another
            ("C", "second", "2024-06-01", 7),
            columns=["site", "visit", "date", "count"],
        )
        future = (table["date"] == "2042-06-01").to_numpy()
        _, samples = choose_visits(table, "latest", in_future=future)
        assert samples["visit_used"].tolist() == ["2024-05-01", "2042-06-01", "second"]
        assert samples["shells"].tolist() == [20, 4, 13]
        assert samples["shells_not_used"].tolist() == [3, 0, 5]
        assert samples["future_not_used"].tolist() == [True, False, False]
        _, pooled = choose_visits(table, "pool", in_future=future)
        assert pooled["shells"].tolist() == [23, 4, 18]
        assert not pooled["future_not_used"].any()
        _, believed = choose_visits(table, "latest")
        assert believed["visit_used"].tolist() == ["2042-06-01", "2042-06-01", "second"]

    def test_species_and_surveys_have_their_own_latest_visit(self):
        table = rows(
            ("", "Cepaea nemoralis", "2020", 5),
            ("", "Cepaea hortensis", "2021", 3),
            ("old", "Cepaea nemoralis", "1984", 9),
            columns=["survey", "species", "date", "count"],
        ).assign(visit=lambda table: table["date"])
        _, samples = choose_visits(table, "latest")
        assert samples[["survey", "species", "shells"]].to_numpy().tolist() == [
            ["", "Cepaea hortensis", 3],
            ["", "Cepaea nemoralis", 5],
            ["old", "Cepaea nemoralis", 9],
        ]


def test_only_counted_shells_of_studied_species_count():
    table = rows(
        ("Cepaea nemoralis", True), ("Cepaea nemoralis", False), ("Arianta arbustorum", True), ("", False),
        columns=["species", "counted"],
    )  # fmt: skip
    assert rows_that_count(table, ("Cepaea nemoralis",)).index.tolist() == [0]
