"""The figure of isolation by distance and the report's section on genetics: what they say, and what they keep quiet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from made_french import check_french, texts_of, typeset
from morphcline.records.alleles import ALLELES
from morphcline.records.associations import ASSOCIATIONS
from morphcline.records.differentiation import DIFFERENTIATION
from morphcline.records.isolation_tables import ISOLATION, ISOLATION_BINS
from morphcline.render.figures.isolation import draw_isolation
from morphcline.render.report.topics import genetics

SPECIES = "Cepaea nemoralis"
LINE = {
    "species": SPECIES, "trait": "colour", "sites": 80, "pairs": 3160, "pairs_at_one_place": 0, "differentiation": 0.2,
    "mantel_r": 0.3, "slope_per_doubling": 0.05, "low": 0.03, "high": 0.08, "middle_m": 4000.0, "p_mantel": 0.001,
    "p_error": 0.001, "permutations": 999, "note": "", "not_tested_because": "",
}  # fmt: skip
ASSOCIATED = {
    "species": SPECIES, "site": "", "pair": "yellow / mid-banded", "n": 1200, "d_prime_within": -0.4,
    "d_prime_within_low": -0.5, "d_prime_within_high": -0.3, "odds_ratio": 0.25, "odds_ratio_low_sites": 0.2,
    "odds_ratio_high_sites": 0.31,
}  # fmt: skip
DIFFER = {
    "species": SPECIES, "trait": "colour", "level": "habitats", "fst": 0.02, "fst_corrected": -0.001, "low": -0.004,
    "high": 0.02, "p": 0.4, "units": 5, "sites": 80, "shells": 2400, "note": "",
}  # fmt: skip


def classes() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "species": SPECIES, "trait": np.repeat(["colour", "unbanded"], 3), "distance_class": [1, 2, 3] * 2,
            "from_m": [0, 1000, 4000] * 2, "to_m": [1000, 4000, 9000] * 2, "middle_m": [600.0, 2000.0, 6000.0] * 2,
            "pairs": [40, 400, 2720] * 2, "differentiation": [0.05, 0.1, 0.2, 0.06, 0.07, 0.1],
            "low": [0.0, 0.08, 0.17, 0.01, 0.05, 0.08], "high": [0.1, 0.12, 0.24, 0.12, 0.09, 0.12],
        }
    )  # fmt: skip


def test_the_figure_draws_every_class_and_says_what_it_rests_on() -> None:
    figure = draw_isolation("isolation", pd.DataFrame([LINE]), classes(), confidence=0.95, width_mm=140)
    assert len(figure.data) == 6
    assert "Cepaea nemoralis: 80 sites, 3,160 pairs" in figure.caption
    assert "95% of resampled surveys" in figure.caption
    assert "0.05 at 600 m, 0.20 at 6 km, n = 80 sites" in figure.alt
    (panel,) = figure.sheet.axes
    low, high = panel.get_ylim()
    assert low < 0
    assert high > 0.24
    assert panel.get_xscale() == "log"
    shown = [text.get_text() for text in panel.get_legend().get_texts()]
    assert shown == ["Colour (all three)", "Banding (unbanded or not)"]


def test_association_within_sites() -> None:
    told = genetics.association(ASSOCIATED)
    assert told == (
        "Yellow and mid-banded among banded shells go together within sites less than chance makes them: D′ = −0.40 "
        "(−0.50 to −0.30; odds ratio 0.25, 0.20 to 0.31; 1,200 shells)."
    )
    unsure = {**ASSOCIATED, "d_prime_within_high": 0.1}
    assert "were not seen to go together or apart" in genetics.association(unsure)
    assert "too few sites" in genetics.association({**ASSOCIATED, "d_prime_within_low": np.nan})
    assert genetics.association({**ASSOCIATED, "d_prime_within": np.nan}) == ""


def test_differentiation_has_no_negative_zero_and_says_when_it_is_chance() -> None:
    assert genetics.differentiation(DIFFER) == (
        "Differentiation between habitats in colour: F_ST = 0.00 (0.00 to 0.02; 5 habitats, 80 sites; p = 0.40), which "
        "could be chance."
    )
    nothing = {**DIFFER, "fst_corrected": np.nan, "note": "all shells are alike"}
    assert genetics.differentiation(nothing).endswith("not estimated, because all shells are alike.")


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, "Differentiation in colour rises with distance: 0.050 (0.030 to 0.080) for each doubling"),
        ({"p_mantel": 0.3}, "was not seen to change with distance"),
        ({"low": -0.01}, "the slope's interval holds 0"),
        ({"not_tested_because": "fewer than 10 sites"}, "not tested, because fewer than 10 sites"),
        (
            {"trait": "colour less unbanded"},
            "Differentiation rises faster in colour than in banding: colour less banding 0.050",
        ),
        ({"trait": "colour less unbanded", "low": -0.1}, "The two rises were not seen to differ"),
    ],
)
def test_isolation(changed: dict, words: str) -> None:
    (told,) = genetics.isolation([{**LINE, **changed}])
    assert words in told


def test_the_section_names_its_assumption_and_is_left_out_without_rows() -> None:
    empty = {
        "associations": pd.DataFrame(columns=list(ASSOCIATIONS)), "alleles": pd.DataFrame(columns=list(ALLELES)),
        "differentiation": pd.DataFrame(columns=list(DIFFERENTIATION)),
        "isolation": pd.DataFrame(columns=list(ISOLATION)),
    }  # fmt: skip
    assert genetics.genetics(empty, [], "95%") is None
    section = genetics.genetics({**empty, "associations": pd.DataFrame([ASSOCIATED])}, [], "95%")
    assert section is not None
    assert "Hardy–Weinberg" in " ".join(section.notes)
    assert "cause" in " ".join(section.notes)
    assert list(ISOLATION_BINS)[:2] == ["species", "trait"]


def test_the_section_is_said_in_french() -> None:
    differ = [
        DIFFER,
        {**DIFFER, "level": "sites", "p": 0.001, "trait": "unbanded"},
        {**DIFFER, "level": "sites within habitats", "trait": "mid-banded"},
        {**DIFFER, "level": "sites", "fst_corrected": np.nan, "note": "all shells are alike"},
        {**DIFFER, "level": "sites", "fst_corrected": np.nan, "note": "fewer than two sites"},
    ]
    alleles = [
        {"species": SPECIES, "site": "", "locus": locus, "allele": allele, "sites": 92, "total": 2908,
         "frequency": 0.135, "low": 0.107, "high": 0.169, "f_st_corrected": np.nan}
        for locus, allele in (("colour", "brown"), ("banding", "banded"), ("mid-banding", "mid-banded"))
    ]  # fmt: skip
    less = {**LINE, "trait": "colour less unbanded"}
    apart = [
        LINE, {**LINE, "p_mantel": 0.3, "trait": "unbanded"}, {**LINE, "slope_per_doubling": -0.05, "low": -0.1},
        {**LINE, "trait": "mid-banded", "not_tested_because": "fewer than 10 sites"}, less, {**less, "low": -0.1},
        {**less, "low": -0.1, "high": -0.02},
    ]  # fmt: skip
    pairs = [
        ASSOCIATED,
        {**ASSOCIATED, "pair": "yellow / unbanded", "d_prime_within_low": np.nan},
        {**ASSOCIATED, "d_prime_within_low": 0.1, "d_prime_within_high": 0.2, "odds_ratio": np.nan},
        {**ASSOCIATED, "d_prime_within_high": 0.2},
    ]
    tables = {
        "associations": pd.DataFrame(pairs), "alleles": pd.DataFrame(alleles), "differentiation": pd.DataFrame(differ),
        "isolation": pd.DataFrame(apart),
    }  # fmt: skip

    def texts() -> list[str]:
        section = genetics.genetics(tables, [], "95%")
        assert section is not None
        return list(texts_of(section))

    told = " ".join(check_french(texts))
    assert typeset("Différenciation entre habitats, « couleur » : F_ST = 0,00 (0,00 à 0,02 ; 5 habitats, 80 ") in told
    assert typeset("ensemble moins souvent que ne le voudrait le hasard au sein des sites : D′ = −0,40 (−0,50") in told
