"""Legends explain what is drawn, and what belongs to the map stands where the grid of panels has room."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from morphcline.language import Language, speaking
from morphcline.render.figures.effects import draw_effects
from morphcline.render.figures.frame import MapFrame, map_sheet
from morphcline.render.figures.keys import frequency_and_error_key, frequency_key, lettered_key, scale_key
from morphcline.render.figures.sheet import Figure, Heading, Sheet, style, text_width_mm

FRAME = MapFrame(0.0, 0.0, 4e4, 3e4, "EPSG:2154", true_north_deg=0.0)


def texts(figure: Figure) -> list[str]:
    return [text.get_text() for axes in figure.sheet.axes for text in axes.texts]


def effects(p: tuple[float, float], high: float = 0.1) -> Figure:
    rows = [
        {"term": f"habitat: {name}", "p_holm": chance, "p_spatial": chance, "effect": 0.05, "low": 0.01, "high": 0.09,
         "effect_naive": 0.05, "low_naive": 0.0, "high_naive": high}
        for name, chance in zip(("scrub", "other"), p, strict=True)
    ]  # fmt: skip
    table = pd.DataFrame(rows).assign(
        species="Cepaea nemoralis", trait="yellow", reference="woodland", sites=50, shells=900
    )
    return draw_effects("effects", "Cepaea nemoralis", table, confidence=0.95, width_mm=190)


@pytest.mark.parametrize(
    ("p", "explained"),
    [
        ((0.01, 0.4), ["Space allowed for, 95% interval", "The same, could be chance"]),
        ((0.01, 0.02), ["Space allowed for, 95% interval"]),
        ((0.3, 0.4), ["Space allowed for, 95% interval; could be chance"]),
    ],
)
def test_the_key_of_effects_explains_what_is_drawn(p: tuple[float, float], explained: list[str]) -> None:
    found = texts(effects(p))
    assert [text for text in found if "pace allowed" in text or "The same" in text] == explained


def test_pooled_habitats_have_a_name_in_every_language() -> None:
    assert "Other habitats: classes with too few sites" in effects((0.3, 0.4)).caption
    with speaking(Language("fr")):
        named = effects((0.3, 0.4)).sheet.axes[0].get_yticklabels()
    assert [label.get_text() for label in named] == ["Fourré", "Autres habitats"]


@pytest.mark.parametrize(("high", "arrows"), [(0.08, 0), (0.9, 2)])
def test_an_interval_beyond_the_panel_ends_in_an_arrowhead(high: float, arrows: int) -> None:
    figure = effects((0.3, 0.4), high)
    heads = [line for line in figure.sheet.axes[0].lines if line.get_marker() == 5]
    assert len(heads) == arrows
    assert ("Arrowheads: the interval goes on beyond the panel." in figure.caption) == bool(arrows)


def test_the_scale_bar_stands_where_a_panel_is_missing() -> None:
    with style():
        wide, _maps = map_sheet(FRAME, [Heading(str(i)) for i in range(6)], [frequency_key()] * 3, 160)
        spared, maps = map_sheet(FRAME, [Heading(str(i)) for i in range(5)], [frequency_key()] * 3, 160)
    assert spared.height_mm < wide.height_mm
    (bar,) = [axes for axes in spared.figure.axes if any(child.artists for child in axes.child_axes)]
    last, above = maps[-1].get_position(), maps[2].get_position()
    place = bar.get_position()
    assert place.x0 >= last.x1
    assert place.x1 <= above.x1 + 0.03
    assert last.y0 <= place.y0 < place.y1 <= last.y1 + 1e-6


def test_a_long_title_of_a_scale_has_its_room() -> None:
    title = "Changement (points de pourcentage)"
    key = scale_key(title, "viridis", [(0.0, "−40"), (1.0, "+40")])
    assert key.width >= 3 + text_width_mm(title)


@pytest.mark.parametrize("make", [frequency_key, frequency_and_error_key])
def test_letters_above_a_key_don_t_stretch_it(make: object) -> None:
    key = make()  # type: ignore[operator]
    lettered = lettered_key(key, ["a", "b"])
    with style():
        sheet = Sheet(100, 40)
        axes = sheet.axes(0, 0, lettered.width, lettered.height)
        axes.set(xlim=(0, lettered.width), ylim=(0, lettered.height))
        lettered.draw(axes)
    assert np.allclose([*axes.get_xlim(), *axes.get_ylim()], [0, lettered.width, 0, lettered.height])
