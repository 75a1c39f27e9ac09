"""The report's section on likeness of neighbours."""

from __future__ import annotations

import pandas as pd

from made_french import check_french, texts_of, typeset
from made_rows import NAN, index
from morphcline.render.report.topics import neighbours


def reaches_and_fits() -> tuple[pd.DataFrame, pd.DataFrame]:
    common = {"species": "Cepaea nemoralis", "sites": 120}
    reaches = pd.DataFrame(
        [
            {**common, "trait": "yellow", "p_global": 0.001, "reach_m": 15e3, "reach_low": 13e3, "reach_high": 17e3},
            {**common, "trait": "pink", "p_global": 0.001, "reach_m": 9e3, "reach_low": 4e3, "reach_high": NAN},
            {**common, "trait": "brown", "p_global": 0.4, "reach_m": NAN, "reach_low": NAN, "reach_high": NAN},
        ]
    )
    fits = pd.DataFrame(
        [
            {**common, "trait": "yellow", "nugget_binomial": 0.2, "nugget_small_scale": 0.1, "sill": 0.7,
             "sill_low": 0.4, "practical_range_m": 9e3, "practical_range_low": 3e3, "practical_range_high": NAN},
            {**common, "trait": "pink", "nugget_binomial": 0.2, "nugget_small_scale": 0.1, "sill": NAN,
             "sill_low": 0.4, "practical_range_m": NAN, "practical_range_low": 3e3, "practical_range_high": NAN},
        ]
    )  # fmt: skip
    return reaches, fits


def test_reach_and_scale_are_told_with_their_intervals() -> None:
    reaches, fits = reaches_and_fits()
    told = " ".join(neighbours.alike(pd.DataFrame([index()]), reaches, fits, []).points[0].texts)
    assert "yellow 15 km (13 to 17 km; 120 sites) and pink 9 km (at least 4 km; 120 sites)." in told
    assert "No reach is given for brown" in told
    assert "Yellow: logits are alike out to 9 km (at least 3 km) at a correlation of 0.05 (120 sites)" in told
    assert "20% is the counting of shells and 10% differences at small scale" in told
    assert "The variogram shows no sill in pink" in told


def test_the_section_says_that_unseen_is_not_absent_and_is_said_in_french() -> None:
    rows = [
        index(),
        index(form="raw", moran_i=0.4),
        index(trait="pink", p_permutation=0.31, moran_i=0.01),
        index(trait="brown", moran_i=-0.2, p_permutation=0.045, p_mc_low=0.03, p_mc_high=0.06),
        index(trait="fused", moran_i=NAN, sites=NAN, not_tested_because="the same value at every site"),
    ]
    french = check_french(lambda: texts_of(neighbours.alike(pd.DataFrame(rows), *reaches_and_fits(), [])))
    assert french[-1] == "Qu’un test ne voie rien ne montre pas qu’il n’y a rien."
    told = " ".join(french)
    assert typeset("Non testé : bandes soudées, car tous les sites ont la même valeur.") in told
    assert typeset("jaune (I = 0,45, p = 0,001, 288 sites)") in told
    note = neighbours.alike(pd.DataFrame(rows), pd.DataFrame(), pd.DataFrame(), []).notes
    assert note == ["Where a test sees nothing, that does not show that nothing is there."]
