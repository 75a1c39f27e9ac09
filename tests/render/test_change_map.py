"""The map of change, and what the report says of a shift, its drift and its radius."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection

from morphcline.records.change_table import ON_THE_LOGIT, OVER_PAIRS, OVER_SPACE
from morphcline.render.figures.change_map import ChangePanel, draw_change_map
from morphcline.render.figures.frame import MapFrame
from morphcline.render.report import summary
from morphcline.render.report.topics.change import change


def panel(trait: str = "yellow") -> ChangePanel:
    difference = np.array([0.2, -0.3, 0.0, 0.6])
    pairs = pd.DataFrame(
        {
            "shown_as": ["A", "B", "C", "D"],
            "x_m": [1e3, 2e3, 3e3, 4e3], "y_m": 1e3, "drawn_x_m": [1e3, 2e3, 3e3, 4e3],
            "drawn_y_m": 1e3, "earlier_count": 10, "earlier_total": [30, 40, 10, 60], "later_count": 12,
            "later_total": [30, 10, 40, 60], "earlier_frequency": 0.3, "later_frequency": 0.3 + difference,
            "difference": difference,
        }
    )  # fmt: skip
    return ChangePanel(trait, "1984", pairs, "without an overall direction")


def figure(panels: list[ChangePanel]):
    frame = MapFrame(0, 0, 5e3, 3e3, "EPSG:2154", blur_m=1000.0)
    return draw_change_map("change_map_x", "Cepaea nemoralis", panels, frame, within_m=100.0, width_mm=190.0)


def test_rises_and_falls_differ_in_shape_and_colour_and_precision_in_size() -> None:
    made = figure([panel()])
    drawn = [c for c in made.sheet.axes[0].collections if isinstance(c, PathCollection)]
    circles, hanging, upright = drawn
    assert [len(c.get_offsets()) for c in drawn] == [1, 1, 2]
    assert len({len(c.get_paths()[0].vertices) for c in drawn}) == 2  # circles, and triangles ...
    assert hanging.get_paths()[0].vertices[:, 1].min() < -0.4 < upright.get_paths()[0].vertices[:3, 1].min() + 0.2
    red, _, blue, _ = hanging.get_facecolors()[0]
    assert blue > red
    assert all(colour[0] > colour[2] for colour in upright.get_facecolors())
    # Of 30 and 30 shells, and of 60 and 60: areas as 1 to 2; of 40 and 10 as of 16 and 16.
    sizes = dict(zip(upright.get_offsets()[:, 0], upright.get_sizes(), strict=True))
    assert sizes[4e3] / sizes[1e3] == pytest.approx(2.0)
    assert hanging.get_sizes()[0] / sizes[4e3] == pytest.approx(16 / 60)
    assert circles.get_sizes()[0] == pytest.approx(hanging.get_sizes()[0])


def test_caption_alt_and_data_say_what_is_drawn() -> None:
    made = figure([panel(), panel("brown")])
    assert "4 places seen in both (within 100 m)" in made.caption
    assert "Yellow since 1984: rose at 2, fell at 1 of 4 places, from −30 to +60 points" in made.alt
    assert list(made.data["trait"]) == ["yellow"] * 4 + ["brown"] * 4
    assert list(made.data["site"].iloc[:4]) == ["A", "B", "C", "D"]
    assert "drawn_x_m" not in made.data


def rows(**near: float) -> pd.DataFrame:
    common = {
        "species": "Cepaea nemoralis", "trait": "yellow", "in_text": "yellow, among shells scored for colour",
        "site": "",
        "earlier_survey": "1984", "pairs": 40, "earlier_total": 900, "later_total": 800, "earlier_frequency": 0.4,
        "later_frequency": 0.46,
    }  # fmt: skip
    return pd.DataFrame(
        [
            {**common, "method": OVER_PAIRS, "difference": 0.06, "low": 0.02, "high": 0.1, "p": 0.004,
             "detectable_difference": 0.057},
            {**common, "method": ON_THE_LOGIT, "shift": 0.25, "shift_low": 0.08, "shift_high": 0.42, "p": 0.004,
             "drift_sd": 0.5, "drift_sd_low": 0.2, "drift_sd_high": 0.9, "p_drift": 0.003},
            {**common, "method": OVER_SPACE, "shift": 0.22, "shift_low": -0.1, "shift_high": 0.54, "moran_i": 0.3,
             "effective_pairs": 9.0, **near},
        ]
    )  # fmt: skip


def test_a_shift_that_near_sites_share_is_not_called_sure() -> None:
    section = change(rows(p=0.15, p_moran=0.001), [])
    assert section is not None
    (told,) = section.points[0].texts
    assert "rose since 1984" in told
    assert "standard deviation of 0.50 logits (0.20 to 0.90) beyond what chance makes" in told
    assert "Near sites changed alike (I = 0.30, p = 0.001), so that the pairs are worth some 9 independent ones" in told
    assert "the shift could be such drift (p = 0.15)" in told
    assert list(section.tables[0].rows[0][3:7]) == ["40", "0.25", "0.08 to 0.42", "0.004"]
    assert list(summary._change({"change": rows(p=0.15, p_moran=0.001)})) == []
    assert len(list(summary._change({"change": rows(p=0.01, p_moran=0.001)}))) == 1
    assert len(list(summary._change({"change": rows(p=0.15, p_moran=0.4)}))) == 1


def test_where_no_change_was_seen_it_says_what_would_have_been() -> None:
    quiet = rows(p=0.4, p_moran=0.4)
    quiet.loc[0, "p"] = 0.3
    (told,) = change(quiet, []).points[0].texts
    assert "no change was seen" in told
    assert "a change of 5.7 points or more would have been seen in 80 of 100 such surveys" in told


def test_what_hangs_on_the_radius_is_said() -> None:
    common = {"species": "Cepaea nemoralis", "trait": "yellow", "earlier_survey": "1984"}

    def notes(*found: tuple[float, int, float]) -> str:
        table = pd.DataFrame([{**common, "within_m": metres, "pairs": pairs, "p": p} for metres, pairs, p in found])
        return change(rows(p=0.4, p_moran=0.4), [], table).notes[-1]

    assert notes((50, 9, 0.2), (100, 9, 0.2)) == (
        "Radii from 50 m to 100 m pair the same places, so that nothing depends on it."
    )
    assert "from 9 to 12 pairs" in notes((50, 9, 0.2), (100, 12, 0.3))
    assert "what is seen and what isn't stays the same" in notes((50, 9, 0.2), (100, 12, 0.3))
    assert "whether a change is seen depends on it for yellow in Cepaea nemoralis" in notes(
        (50, 9, 0.2), (100, 12, 0.01)
    )
