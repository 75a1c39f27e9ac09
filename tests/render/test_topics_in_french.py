"""Change, clines, concordance, selection, steepness and surfaces are told in French, every text of them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from typing import Any

import pandas as pd
import pytest

from made_french import FRENCH, check_french, texts_of
from morphcline.language import speaking
from morphcline.records.change_table import ON_THE_LOGIT, OVER_PAIRS, OVER_SPACE
from morphcline.render.report.parts import Section
from morphcline.render.report.topics.change import change
from morphcline.render.report.topics.clines import clines
from morphcline.render.report.topics.concordance import bends, coincide, concordance
from morphcline.render.report.topics.selection import held_by
from morphcline.render.report.topics.steepness import steepness, together_sentences, trait_sentence
from morphcline.render.report.topics.surfaces import surfaces

NAN = math.nan
N = "Cepaea nemoralis"


def changed(method: str, **changes: Any) -> dict[str, Any]:
    return {
        "species": N, "trait": "yellow", "site": "", "method": method, "earlier_survey": "1984", "pairs": 79,
        "earlier_total": 3120, "later_total": 2950, "earlier_frequency": 0.24, "later_frequency": 0.31,
        "difference": 0.07, "low": 0.02, "high": 0.12, "p": 0.004, "detectable_difference": 0.06, "shift": 0.45,
        "shift_low": 0.28, "shift_high": 0.62, "drift_sd": 0.31, "drift_sd_low": 0.2, "drift_sd_high": NAN,
        "p_drift": 0.003, "moran_i": 0.24, "p_moran": 0.01, "effective_pairs": 31.4,
    } | changes  # fmt: skip


def change_sections() -> Iterator[Section | None]:
    rows = [changed(method) for method in (OVER_PAIRS, ON_THE_LOGIT, OVER_SPACE)]
    rows += [changed(method, trait="fused", p=0.3, p_drift=0.4) for method in (OVER_PAIRS, ON_THE_LOGIT, OVER_SPACE)]
    radius = pd.DataFrame(
        [{"species": N, "trait": "yellow", "earlier_survey": "1984", "within_m": metres, "pairs": pairs, "p": p}
         for metres, pairs, p in ((50.0, 79, 0.2), (1200.0, 81, 0.01))]
    )  # fmt: skip
    yield change(pd.DataFrame(rows), [], radius, "95 %")
    yield change(pd.DataFrame(rows), [], radius.assign(p=0.01), "95 %")
    yield change(pd.DataFrame(rows), [], radius.assign(pairs=79), "95 %")
    yield change(pd.DataFrame([changed(OVER_PAIRS), changed(OVER_SPACE, p=NAN)]), [])


def cline(**changes: Any) -> dict[str, Any]:
    return {
        "species": N, "trait": "yellow", "model": "sigmoid", "sites": 312, "shells": 10_201, "bearing_deg": 64.2,
        "bearing_low": 60.4, "bearing_high": 68.0, "centre_m": -3200.0, "centre_low": -3700.0, "centre_high": -2800.0,
        "width_m": 8900.0, "width_low": 7000.0, "width_high": 11_200.0, "p_min": 0.15, "p_max": 0.84, "weight": 0.93,
        "converged": True, "not_fitted_because": "", "direction": "along", "p_flat": 0.002, "chosen": True,
        "step": False, "residual_moran_i": 0.02, "residual_moran_p": 0.4, "spacing_m": 500.0, "fails": False,
        "p_fit": 0.4, "residual_share": 0.1, "transect": "A", "length_m": 12_400.0, "within_m": 500.0,
    } | changes  # fmt: skip


def cline_rows() -> pd.DataFrame:
    return pd.DataFrame(
        [cline(), cline(model="flat", weight=0.05, chosen=False),
         cline(trait="unbanded", width_low=NAN, width_high=980.0, step=True)]
    )  # fmt: skip


def pair(**changes: Any) -> list[dict[str, Any]]:
    base = {
        "species": N, "trait": "yellow", "second_species": N, "second_trait": "unbanded", "reversed": True,
        "sites": 326, "sites_both": 320, "not_compared_because": "", "p_chi2": 0.04, "aicc_own": 100.0,
        "aicc_shared": 98.4,
    }  # fmt: skip
    numbers = {
        "centre": (-666.0, -1850.0, 518.0, 0.29),
        "width": (1.449, 0.901, 2.09, 0.12),
        "bearing": (-4.6, -10.9, 1.8, 0.144),
        "all": (NAN, NAN, NAN, 0.21),
    }
    return [
        base | {"parameter": name, "difference": value, "low": low, "high": high, "p_bootstrap": p} | changes
        for name, (value, low, high, p) in numbers.items()
    ]


def bend(**changes: Any) -> dict[str, Any]:
    return {
        "species": N, "trait": "yellow", "sites": 326, "shells": 10_703, "p_curved": 0.12, "bend_m": 1768.0,
        "drawn": "straight", "not_fitted_because": "",
    } | changes  # fmt: skip


def concordance_sections() -> Iterator[Section]:
    other = "Cepaea hortensis"
    pairs = [
        *pair(), *pair(second_trait="fused", p_bootstrap=0.01, reversed=False),
        *pair(second_species=other, second_trait="yellow"), *pair(second_species=other, low=NAN),
        *pair(second_trait="mid-banded", not_compared_because="flat"),
    ]  # fmt: skip
    curved = [
        bend(), bend(trait="unbanded", drawn=""), bend(trait="fused", p_curved=0.01, drawn="curved"),
        bend(trait="pink", p_curved=0.01, drawn=""), bend(trait="brown", not_fitted_because="flat"),
    ]  # fmt: skip
    yield concordance(pd.DataFrame(pairs), pd.DataFrame(curved), cline_rows(), [], "95 %")


def selection_sections() -> Iterator[Section | None]:
    names = (
        "heterozygote disadvantage", "step in selection", "step in selection, dominance", "gradient in selection",
        "neutral mixing",
    )  # fmt: skip
    limits = ((0.0123, 0.2), (0.00003, NAN), (NAN, 0.031), (NAN, NAN), (1234.0, 56_789.0))
    yield held_by(
        pd.DataFrame(
            {
                "species": N, "trait": "unbanded", "explanation": names, "read_as": "morph",
                "quantity": ["s", "s", "s", "b per km", "generations"], "low": [low for low, _ in limits],
                "high": [high for _, high in limits], "dispersal_low_m": 5.0, "dispersal_high_m": 20.0, "note": "",
            }
        )
    )  # fmt: skip


def steep(**changes: Any) -> dict[str, Any]:
    return {
        "species": N, "trait": "yellow", "sites": 326, "shells": 10703, "surface_per_km": 0.0643,
        "at_least_per_km": 0.0549, "gradient_per_km": 0.0887, "low": 0.0362, "high": 0.1365, "bearing_deg": 50.2,
        "bearing_se_deg": 6.4, "steep_cells": 1017, "steep_area_km2": 254.25, "p": 0.001, "steeper_cells": 156,
        "steeper_area_km2": 3.94, "p_even_slope": 0.002, "not_measured_because": "",
    } | changes  # fmt: skip


def coinciding(**changes: Any) -> dict[str, Any]:
    return {
        "species": N, "trait": "yellow", "other_trait": "unbanded", "both_km2": 250.0, "likeness": 0.97,
        "likeness_expected": 0.81, "p": 0.002, "p_holm": 0.026,
    } | changes  # fmt: skip


def steepness_sections() -> Iterator[Section]:
    rows = [
        steep(), steep(trait="fused", low=0.0), steep(trait="pink", low=0.0, at_least_per_km=0.0, bearing_deg=NAN),
        steep(trait="brown", steeper_cells=0, surface_per_km=0.0002), steep(trait="unbanded", steep_cells=0),
        steep(trait="mid-banded", not_measured_because="3 samples can show it; a surface needs 5"),
    ]  # fmt: skip
    for together in ([coinciding(), coinciding(other_trait="fused")], [coinciding(p_holm=0.4)]):
        yield steepness(pd.DataFrame(rows), pd.DataFrame(together), [], level=0.05, confidence=0.95)


def surface_sections() -> Iterator[Section]:
    rows = pd.DataFrame(
        {"species": N, "trait": ["yellow", "unbanded"], "bandwidth_m": [2500.0, 4000.0], "degree": 1,
         "kernel": "gaussian", "cells": 9000, "cells_blank": [0, 12], "not_smoothed_because": ""}
    )  # fmt: skip
    family = {"traits": ["yellow", "pink"], "one_site_m": 900.0, "blocks_m": 2500.0, "used": "blocks"}
    for clustered, masked in ((True, 1), (False, 1200)):
        ways = {"families": [family], "blocks": 30, "spacing_m": 300.0, "map_m": 1600.0, "clustered": clustered}
        settings = {"bandwidth": "cross-validated", "barriers": "ridge.gpkg", "mask": "lake.gpkg"}
        yield surfaces(rows, settings, [], {"species": {N: ways}, "cells_masked": masked})


@pytest.mark.parametrize(
    "make",
    [change_sections, lambda: iter([clines(cline_rows(), [])]), concordance_sections, selection_sections,
     steepness_sections, surface_sections],
    ids=["change", "clines", "concordance", "selection", "steepness", "surfaces"],
)  # fmt: skip
def test_no_text_stays_in_english(make: Callable[[], Iterator[Section | None]]) -> None:
    told = check_french(lambda: [text for section in make() if section for text in texts_of(section)])
    for text in told:
        assert not re.search(r"\d\.\d", text), text


def plain(text: str) -> str:
    """Return a French text with all its spaces alike."""
    return text.replace("\u202f", " ").replace("\u00a0", " ")


def test_what_is_said_of_clines_compared() -> None:
    with speaking(FRENCH):
        written = coincide(pair())
        apart = plain(coincide(pair(p_bootstrap=0.01, reversed=False)))
    assert "\u202f; largeur" in written
    assert "comparées)\u00a0: rien" in written
    assert plain(written) == (
        f"Jaune et sans bandes chez {N} (« sans bandes » diminue là où « jaune » augmente : ce sont les coquilles sans "
        "ce caractère qui sont comparées) : rien n’indique que leurs clines diffèrent par le centre, la largeur et "
        "l’azimut (p = 0,21 pour l’ensemble). Du premier au second : centre −666 m (−1,9 km à +518 m), p = 0,29 ; "
        "largeur × 1,45 (0,90 à 2,09), p = 0,12 ; azimut −5° (−11° à +2°), p = 0,14 (326 sites ; sites où les deux "
        "caractères sont évalués : 320)."
    )
    assert "pris ensemble (p = 0,010) et, pris séparément, par le centre, la largeur et l’azimut." in apart


def test_what_is_said_of_centre_lines() -> None:
    with speaking(FRENCH):
        told = plain(bends(bend(p_curved=0.005, drawn="curved")))
    assert "le centre est courbe (p = 0,005 ; 10 703 coquilles" in told
    assert "s’écarte jusqu’à 1,8 km de la droite qui joint ses extrémités" in told


def test_what_is_said_of_steepness() -> None:
    with speaking(FRENCH):
        told = plain(trait_sentence(steep()))
        missing = plain(trait_sentence(steep(not_measured_because="3 samples can show it; a surface needs 5")))
        (together,) = map(plain, together_sentences([coinciding()]))
    assert (
        "pente plus forte que n’en laissent attendre des échantillons placés au hasard, sur 254 km² (p = 0,001" in told
    )
    assert "s’élève de 6,4 points de pourcentage par km vers 050° (erreur type : 6°)" in told
    assert "Corrigée du lissage, elle s’y élève de 8,9 (3,6 à 14). Sur 3,9 km², la pente dépasse aussi" in told
    assert missing.endswith(
        "pente non mesurée, car seuls 3 échantillons peuvent le montrer, et il en faut 5 pour une surface."
    )
    assert "jaune et sans bandes (forte pente des deux sur 250 km² ; ressemblance de 0,97, pour 0,81 atten" in together
    assert "sur 1 paire d’une couleur" in together


def test_cells_of_selection_have_the_marks_of_the_language() -> None:
    with speaking(FRENCH):
        (section,) = selection_sections()
    assert section is not None
    (table,) = section.tables
    assert [plain(cell) for cell in table.rows[0][2:]] == [
        "0,012 à 0,2", "au moins 3,0 × 10⁻⁵", "au plus 0,031", "–", "1 200 à 57 000",
    ]  # fmt: skip
