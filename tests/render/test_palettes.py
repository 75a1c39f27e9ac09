"""Colours told apart by everybody, on one fixed scale, judged by published formulas."""

from __future__ import annotations

import itertools
import math

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_rgb

from morphcline.render.palettes import (
    FREQUENCY_MAP,
    INK,
    LINE,
    LOCAL_GROUPS,
    OKABE_ITO,
    PAPER,
    SERIES,
    SOFT_INK,
    TRAIT_MARKS,
    class_marks,
    frequency_colours,
    opacity,
    trait_marks,
)

# Machado, Oliveira & Fernandes (2009), severity 1.0, for linear RGB.
DEFICIENCIES = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip
SIGNALS = ("high among high", "high among low", "low among high", "low among low")


def linear(colour: str) -> np.ndarray:
    value = np.array(to_rgb(colour))
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str = PAPER) -> float:
    """WCAG 2.x contrast ratio."""
    light, dark = sorted((linear(c) @ [0.2126, 0.7152, 0.0722] for c in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def seen(colour: str, vision: str) -> np.ndarray:
    return np.clip(DEFICIENCIES[vision] @ linear(colour), 0, 1)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65) of linear sRGB."""
    to_xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    )
    ratio = to_xyz @ rgb / np.array([0.95047, 1.0, 1.08883])
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])  # fmt: skip


def ciede2000(one: np.ndarray, other: np.ndarray) -> float:
    """CIEDE2000, after Sharma, Wu & Dalal (2005)."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean_c = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean_c**7 / (mean_c**7 + 25**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    dh = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    if c1 * c2 == 0:
        mean_h = h1 + h2
    elif abs(h1 - h2) <= 180:
        mean_h = (h1 + h2) / 2
    else:
        mean_h = (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2
    big_dh = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh / 2))
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1 - 0.17 * math.cos(math.radians(mean_h - 30)) + 0.24 * math.cos(math.radians(2 * mean_h))
        + 0.32 * math.cos(math.radians(3 * mean_h + 6)) - 0.20 * math.cos(math.radians(4 * mean_h - 63))
    )  # fmt: skip
    turn = 30 * math.exp(-(((mean_h - 275) / 25) ** 2))
    r = -2 * math.sqrt(mean_c**7 / (mean_c**7 + 25**7)) * math.sin(math.radians(2 * turn))
    sl = 1 + 0.015 * (mean_l - 50) ** 2 / math.sqrt(20 + (mean_l - 50) ** 2)
    sc, sh = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    dl, dc, dhh = (l2 - l1) / sl, (c2 - c1) / sc, big_dh / sh
    return math.sqrt(dl**2 + dc**2 + dhh**2 + r * dc * dhh)


@pytest.mark.parametrize(
    ("colour", "ratio"),
    # W3C, Web Content Accessibility Guidelines 2.x: contrast with white.
    [("#000000", 21), ("#595959", 7.0047), ("#767676", 4.5422), ("#777777", 4.4781), ("#949494", 3.0335),
     ("#959595", 2.9953), ("#ff0000", 3.9985), ("#0000ff", 8.5925), ("#ffff00", 1.0738), ("#0072B2", 5.1854),
     ("#D55E00", 3.8672), ("#009E73", 3.4211), ("#CC79A7", 3.0610)],
)  # fmt: skip
def test_the_contrast_used_here_is_the_published_one(colour: str, ratio: float) -> None:
    assert contrast(colour) == pytest.approx(ratio, abs=5e-4)


@pytest.mark.parametrize(
    ("one", "other", "difference"),
    # Sharma, Wu & Dalal (2005), supplementary test data.
    [((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425), ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
     ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0), ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
     ((50, 2.5, 0), (73, 25, -18), 27.1492), ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
     ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082)],
)  # fmt: skip
def test_the_difference_used_here_is_the_published_one(one: tuple, other: tuple, difference: float) -> None:
    assert ciede2000(np.array(one), np.array(other)) == pytest.approx(difference, abs=5e-5)


def test_the_simulation_used_here_is_the_published_one() -> None:
    # sRGB red as a deuteranope sees it, by the matrix of Machado et al. (2009).
    red = seen("#ff0000", "deutan")
    srgb = 1.055 * red ** (1 / 2.4) - 0.055
    assert srgb[:2] == pytest.approx([0.64005956, 0.56580694], abs=1e-6)


def test_text_and_lines_stand_out_from_paper() -> None:
    assert contrast(INK) >= 7
    assert contrast(SOFT_INK) >= 7
    assert contrast(LINE) >= 4.5
    for mark in SERIES:
        assert contrast(mark.fill) >= 3
    for mark in LOCAL_GROUPS.values():
        assert max(contrast(mark.edge), contrast(mark.fill) if mark.fill != "none" else 0) >= 3


@pytest.mark.parametrize("vision", DEFICIENCIES)
def test_local_groups_differ_in_colour_whatever_the_vision(vision: str) -> None:
    fills = [mark.fill for mark in LOCAL_GROUPS.values() if mark.fill != "none"]
    colours = [lab(seen(fill, vision)) for fill in fills]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(colours, 2)) >= 25
    assert min(ciede2000(a, b) for a, b in itertools.combinations(colours, 2)) >= 12


def test_signals_differ_in_shape_too() -> None:
    assert len({LOCAL_GROUPS[name].marker for name in SIGNALS}) == len(SIGNALS)


@pytest.mark.parametrize("vision", DEFICIENCIES)
def test_frequencies_grow_lighter_whatever_the_vision(vision: str) -> None:
    colours = [matplotlib.colors.to_hex(frequency_colours(f)[:3] / 255) for f in np.linspace(0, 1, 21)]
    lightness = [lab(seen(colour, vision))[0] for colour in colours]
    assert np.all(np.diff(lightness) > 0)


def test_series_and_classes_never_share_colour_and_shape() -> None:
    assert len({mark.marker for mark in SERIES}) == len({mark.fill for mark in SERIES}) == len(SERIES)
    marks = class_marks([f"class {i}" for i in range(30)])
    assert len({(mark.marker, mark.fill) for mark in marks.values()}) == 30


def test_okabe_and_ito_as_matplotlib_has_them() -> None:
    if "okabe_ito" not in matplotlib.color_sequences:
        pytest.skip("this matplotlib has no such sequence")
    known = {matplotlib.colors.to_hex(colour).upper() for colour in matplotlib.color_sequences["okabe_ito"]}
    assert set(OKABE_ITO) <= known | {"#000000"}


@given(st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_a_frequency_has_its_colour_whatever_else_is_on_the_map(frequencies: list[float]) -> None:
    expected = matplotlib.colormaps[FREQUENCY_MAP](np.array(frequencies), bytes=True)
    assert np.array_equal(frequency_colours(frequencies), expected)


def test_missing_is_not_a_low_frequency() -> None:
    colours = frequency_colours([0.0, np.nan, 1.0], standard_error=[0.01, 0.01, np.nan])
    assert colours[:, 3].tolist() == [255, 0, 0]


@given(st.floats(0, 0.5), st.floats(0, 0.5))
def test_the_surer_the_fuller(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert opacity(low) >= opacity(high) > 0
    assert opacity(np.nan) == 0


@pytest.mark.parametrize(
    "together", [("yellow", "pink", "brown"), ("unbanded", "mid-banded", "many-banded", "other one-banded")]
)
def test_traits_that_share_a_circle_are_told_apart_with_any_eyes_and_in_grey(together: tuple[str, ...]) -> None:
    fills = [TRAIT_MARKS[trait].fill for trait in together]
    for vision in DEFICIENCIES:
        for one, other in itertools.combinations(fills, 2):
            # A difference of 10 is seen at a glance (common practice, no single source).
            assert ciede2000(lab(seen(one, vision)), lab(seen(other, vision))) > 14
    # CIE lightness alone, which is what a grey print keeps.
    lightness = sorted(lab(linear(fill))[0] for fill in fills)
    assert np.diff(lightness).min() > 12


def test_every_trait_has_a_colour_and_a_shape_of_its_own_fit_for_a_line_on_white() -> None:
    marks = trait_marks([*TRAIT_MARKS, "lower three", "three-banded"])
    assert len({mark.fill for mark in marks.values()}) == len(marks)
    assert len({mark.marker for mark in marks.values()}) == len(marks)
    # WCAG 2.1, 1.4.11: graphical objects. The palest is only ever a slice with an edge.
    assert all(contrast(mark.fill) >= 3 for name, mark in marks.items() if name != "other one-banded")
