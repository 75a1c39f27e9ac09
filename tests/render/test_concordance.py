"""What the report says of compared clines, and what their figures show, follow from the rows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from morphcline.render.figures.concordance import draw_concordance
from morphcline.render.report.topics.concordance import bends, coincide, concordance

NAN = math.nan
N, H = "Cepaea nemoralis", "Cepaea hortensis"


def pair(**changes: Any) -> list[dict[str, Any]]:
    base = {
        "species": N, "trait": "yellow", "second_species": N, "second_trait": "unbanded", "reversed": True,
        "sites": 326, "sites_both": 320, "not_compared_because": "", "p_chi2": 0.04, "aicc_own": 100.0,
        "aicc_shared": 98.4, "residual_correlation": -0.3,
    }  # fmt: skip
    numbers = {
        "centre": (-666.0, -1850.0, 518.0, 0.29),
        "width": (1.449, 0.901, 2.09, 0.12),
        "bearing": (-4.6, -10.9, 1.8, 0.144),
        "all": (NAN, NAN, NAN, 0.21),
    }
    rows = []
    for name, (difference, low, high, p) in numbers.items():
        row = {**base, "parameter": name, "difference": difference, "low": low, "high": high, "p_bootstrap": p}
        rows.append(row | changes.get(name, {}) | {k: v for k, v in changes.items() if k not in numbers})
    return rows


def test_clines_not_seen_to_differ_are_not_said_to_be_the_same() -> None:
    assert coincide(pair()) == (
        f"Yellow and unbanded of {N} (unbanded falls where yellow rises: the shells without it are compared): no "
        "evidence was seen that their clines differ in centre, width and bearing (p = 0.21 for all together). Second "
        "against first: centre −666 m (−1.9 km to +518 m), p = 0.29; width 1.45 times as wide (0.90 to 2.09), "
        "p = 0.12; bearing −5° (−11° to +2°), p = 0.14 (326 sites, both traits at 320)."
    )


def test_clines_that_differ_are_said_to_and_where() -> None:
    told = coincide(pair(all={"p_bootstrap": 0.002}, width={"p_bootstrap": 0.01}, reversed=False))
    assert told.startswith(
        f"Yellow and unbanded of {N}: their clines differ in centre, width and bearing taken together (p = 0.002), "
        "singly in width. "
    )
    told = coincide(pair(all={"p_bootstrap": 0.03}))
    assert "taken together (p = 0.030), though singly in none of them." in told


def test_a_trait_of_two_species_is_named_once() -> None:
    told = coincide(pair(second_species=H, trait="unbanded", reversed=False))
    assert told.startswith(f"Unbanded of {N} and of {H}: ")


def test_a_given_bearing_is_left_out_and_open_limits_are_told() -> None:
    rows = pair(
        bearing={"difference": NAN, "p_bootstrap": NAN, "not_compared_because": "the bearing was given"},
        centre={"low": NAN, "high": NAN},
    )
    told = coincide(rows)
    assert "differ in centre and width (" in told
    assert "centre −666 m (limits not found)" in told
    assert "bearing" not in told


def bend(**changes: Any) -> dict[str, Any]:
    return {
        "species": N, "trait": "yellow", "sites": 326, "shells": 10_703, "p_curved": 0.12, "bend_m": 1768.0,
        "drawn": "straight", "not_fitted_because": "", "not_drawn_because": "",
    } | changes  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, "the centre was not seen to bend (p = 0.12; 10,703 shells from 326 sites); it is drawn straight."),
        ({"p_curved": 0.005, "drawn": "curved"}, "the centre bends (p = 0.005; 10,703 shells from 326 sites), by up to "
         "1.8 km from the straight line through its ends; it is drawn curved. "),
        ({"p_curved": 0.005, "drawn": ""}, "one straight centre line doesn't describe the sites"),
        ({"drawn": ""}, "a step between sites fits as well as a cline, so that where it lies can't be told"),
    ],
)  # fmt: skip
def test_centre_lines_in_words(changes: dict[str, Any], told: str) -> None:
    assert told in bends(bend(**changes))


def test_the_section_lists_what_was_left_out_once() -> None:
    refused = [
        row | {"second_trait": "mid-banded", "not_compared_because": "flat", "difference": NAN} for row in pair()
    ]
    curved = pd.DataFrame([bend(), bend(trait="brown", not_fitted_because="flat"), bend(trait="yellow unbanded")])
    section = concordance(pd.DataFrame(pair() + refused), curved, pd.DataFrame({"transect": []}), [], "95%")
    coinciding, lines = section.points
    assert len(coinciding.texts) == 2
    assert coinciding.texts[1] == (f"Not compared: yellow and mid-banded of {N}. Why stands in tables/concordance.csv.")
    assert [text.split(":")[0] for text in lines.texts] == [
        "Yellow, among shells scored for colour", "No centre line",
    ]  # fmt: skip
    (table,) = section.tables
    assert [row[1] for row in table.rows] == ["centre", "width", "bearing", "all"]
    assert table.rows[0][2:] == ("−666 m (−1.9 km to +518 m)", "0.29", "0.040", "−1.6")
    nothing = concordance(pd.DataFrame(refused), curved, pd.DataFrame({"transect": []}), [], "95%")
    assert not nothing.tables
    assert not nothing.paragraphs


def test_the_figure_marks_what_differs_and_shows_each_interval() -> None:
    figure = draw_concordance(
        "concordance", pd.DataFrame(pair(width={"p_bootstrap": 0.01})), confidence=0.95, width_mm=190.0
    )
    panels = [axes for axes in figure.sheet.axes if axes.get_xlabel()]
    assert [axes.get_xlabel() for axes in panels] == ["Difference (km)", "Ratio", "Difference (degrees)"]
    filled = []
    for axes, value in zip(panels, (-0.666, 1.449, -4.6), strict=True):
        dot = next(line for line in axes.lines if line.get_marker() == "o")
        assert dot.get_xdata()[0] == pytest.approx(value)
        filled.append(dot.get_markerfacecolor() == dot.get_markeredgecolor())
        (interval,) = (c.get_segments()[0] for c in axes.collections if c.get_segments())
        assert np.ptp(interval[:, 0]) > 0
        low, high = axes.get_xlim()
        assert low <= interval[:, 0].min() <= interval[:, 0].max() <= high
    assert filled == [False, True, False]
    assert "326 sites" in figure.caption
    assert "95% intervals" in figure.caption
    assert set(figure.data["parameter"]) == {"centre", "width", "bearing", "all"}
