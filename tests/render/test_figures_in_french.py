"""Figures in French hold no English: neither in what is drawn nor in captions and alternative texts."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from made_figures import ALL, frame, sites, texts
from morphcline.language import Language, speaking
from morphcline.render.figures.plan import draw_plan
from morphcline.render.figures.sheet import Figure, style

#: Read alike in both languages: names of species, grids and the study's own classes, symbols, units, some
#: words, and the French pink, which is how English says that a frequency rose.
SAME = re.compile(
    r"\bCepaea (nemoralis|hortensis)\b|RGF93 v1 / Lambert-93|EPSG:\d+|\bTransect A\b|\bArable\b|\$[^$]*\$|\bF_ST\b|"
    r"^Rose$|\bDistance( \(km\))?|\bCentre\b|\bSites?\b|\bDune\b|\bHabitat\b|\bkm\b",
    re.IGNORECASE,
)
#: Words of English sentences that are no words of French ones.
ENGLISH = re.compile(
    r"\b(the|of|and|with|from|by|is|are|was|were|to|for|in|at|not|its|each|than|which|where|shells?|banded|unbanded|"
    r"yellow|pink|brown|fused|against|towards|width|frequency|interval|samples?|known|none|now|since)\b",
    re.IGNORECASE,
)


def plan_figure() -> Figure:
    places = pd.DataFrame(
        {"rank": [1, 2], "x_m": [920e3, 940e3], "y_m": [6_460_000.0, 6_470_000.0], "lat": [45.1, 45.2],
         "lon": [5.1, 5.2], "reduction_so_far": [0.05, 0.08]}
    )  # fmt: skip
    error = np.linspace(0.02, 0.1, 600).reshape(20, 30)
    extent = (900e3, 960e3, 6_450e3, 6_492e3)
    return draw_plan("map", places, error, extent, sites(), frame(), traits="jaune", shells=30, width_mm=140)


def drawn(draw, language: str) -> tuple[set[str], Figure]:
    """Return the texts on a sheet, each as one line, with those of its ticks as they are printed."""
    with speaking(Language(language)), style():
        figure = draw()
        figure.sheet.canvas.draw()
        return {" ".join(text.get_text().split()) for text in texts(figure)}, figure


def sentences(text: str) -> set[str]:
    return {part for part in re.split(r"(?<=[.])\s", text) if part}


def has_words(text: str) -> bool:
    return bool(re.search(r"[^\W\d_]{2,}", SAME.sub("", text)))


@pytest.mark.parametrize("draw", [*ALL, plan_figure], ids=lambda draw: draw.__name__)
def test_a_figure_in_french_says_nothing_in_english(draw) -> None:
    english, figure = drawn(draw, "en")
    french, translated = drawn(draw, "fr")
    assert not {text for text in french & english if has_words(text)}
    for before, after in ((figure.caption, translated.caption), (figure.alt, translated.alt)):
        assert not {part for part in sentences(after) & sentences(before) if has_words(part)}
        assert len(sentences(after)) >= 2
    for text in (*french, translated.caption, translated.alt):
        assert not ENGLISH.findall(text), text


@pytest.mark.parametrize("draw", [*ALL, plan_figure], ids=lambda draw: draw.__name__)
def test_a_figure_in_french_has_its_marks_in_numbers(draw) -> None:
    """Decimal comma and no comma between thousands (Unicode CLDR, number symbols of fr); degrees of places apart."""
    french, figure = drawn(draw, "fr")
    for text in (*french, figure.caption, figure.alt):
        bare = re.sub(r"\d{2}\.\d{4}|\d\.\d{4}|EPSG:\d+", "", text)
        assert not re.search(r"\d\.\d", bare), text
    assert not any(re.fullmatch(r"[<>]?\d+(,\d+)?%", text) for text in french)
