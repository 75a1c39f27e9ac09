"""Colours and marks, the same in figures, page and legends; each class has a shape as well as a colour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from morphcline.language import marked

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

#: Text, secondary text (7.0 : 1 on white), lines that carry meaning (4.5 : 1) and lines that only guide the eye.
INK = "#1A1A1A"
SOFT_INK = "#595959"
LINE = "#767676"
GUIDE = "#D0D0D0"
PAPER = "#FFFFFF"

#: Frequencies are drawn with this matplotlib colour map between these limits on every map, so that maps compare.
FREQUENCY_MAP = "cividis"
FREQUENCY_LIMITS = (0.0, 1.0)
#: Temperatures: a map of another hue, so that it isn't taken for a frequency.
TEMPERATURE_MAP = "plasma"
#: Steepness: flat is pale, so that lines and arrows show on it.
STEEPNESS_MAP = "YlOrBr"

#: Okabe & Ito (2008), "Color universal design", without its black.
OKABE_ITO = ("#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")

#: Standard errors of a surface's frequency between which its colour fades, and the opacity at either.
FADE = (0.03, 0.15)
OPACITY = (1.0, 0.28)


@dataclass(frozen=True)
class Mark:
    """A symbol: what it says, and how it looks.

    Parameters
    ----------
    label : str
    marker : str
        A matplotlib marker code; the page draws the shape that bears the same code.
    fill : str
        Hexadecimal colour, or ``"none"`` for a hollow symbol.
    edge : str
    size : float
        Diameter in points.
    """

    label: str
    marker: str
    fill: str
    edge: str = INK
    size: float = 4.5


#: Local association, by the ``group`` of ``local.csv``, in the order of a legend; labels are messages.
LOCAL_GROUPS = {
    "high among high": Mark(marked("High among high"), "o", "#B35806"),
    "high among low": Mark(marked("High among low"), "^", "#F2A93B", size=5.2),
    "low among high": Mark(marked("Low among high"), "v", "#8E7CC3", size=5.2),
    "low among low": Mark(marked("Low among low"), "s", "#2D1160", size=4.2),
    "no local signal": Mark(marked("No local signal"), "o", "#DCDCDC", edge="#949494", size=2.6),
    "not tested": Mark(marked("Not tested"), "o", "none", edge="#666666", size=3.4),
}

#: Lines and points of up to six traits in one panel. Each colour has 3 : 1 or more on white.
SERIES = (
    Mark("", "o", "#0072B2"),
    Mark("", "s", "#D55E00"),
    Mark("", "^", "#009E73"),
    Mark("", "D", "#CC79A7"),
    Mark("", "v", "#000000"),
    Mark("", "P", "#767676"),
)

#: The mark of each trait wherever several traits or classes stand together: the same colour and shape everywhere.
#: Within colour, and within banding, lightness falls step by step, so that grey prints keep them apart; each colour but
#: the palest has 3 : 1 or more on white.
TRAIT_MARKS = {
    "yellow": Mark("yellow", "o", "#BA8B00"),
    "pink": Mark("pink", "s", "#B8447E"),
    "brown": Mark("brown", "D", "#3F2413"),
    "unbanded": Mark("unbanded", "^", "#2FA3A0"),
    "mid-banded": Mark("mid-banded", "v", "#3B6FB6"),
    "many-banded": Mark("many-banded", "P", "#1B1F5E"),
    "other one-banded": Mark("other one-banded", "X", "#D5D5D5"),
    "effectively unbanded": Mark("effectively unbanded", "<", "#767676"),
    "fused": Mark("fused", ">", "#4F7A28"),
}
_OWN = (("h", "#7B3FA0"), ("*", "#C0391B"), ("d", "#1A1A1A"), ("p", "#8A6D3B"))


def trait_marks(traits: Sequence[str]) -> dict[str, Mark]:
    """Return the mark of each trait; the study's own traits, which have none, take those kept for them in turn.

    Parameters
    ----------
    traits : sequence of str
        The study's own in the order of the study file: the same order gives the same marks.

    Examples
    --------
    >>> marks = trait_marks(["pink", "lower three"])
    >>> marks["pink"].marker, marks["lower three"].marker
    ('s', 'h')
    """
    own = [trait for trait in dict.fromkeys(traits) if trait not in TRAIT_MARKS]
    turns = {trait: _OWN[i % len(_OWN)] for i, trait in enumerate(own)}
    return {
        trait: TRAIT_MARKS[trait] if trait in TRAIT_MARKS else Mark(trait, *turns[trait])
        for trait in dict.fromkeys(traits)
    }


_SHAPES = ("o", "s", "^", "D", "v", "P", "X", "<", ">")


def class_marks(names: Sequence[str]) -> dict[str, Mark]:
    """Return a mark for each class of a set such as habitats: colours by turns, and never the same shape with one.

    Parameters
    ----------
    names : sequence of str
        In the order of the legend; the same order gives the same marks.

    Examples
    --------
    >>> marks = class_marks(["woodland", "dune"])
    >>> marks["woodland"].fill, marks["dune"].marker
    ('#E69F00', 's')
    """
    colours = len(OKABE_ITO)
    return {
        name: Mark(name, _SHAPES[(i + i // colours) % len(_SHAPES)], OKABE_ITO[i % colours])
        for i, name in enumerate(names)
    }


def opacity(standard_error: ArrayLike) -> NDArray[np.float64]:
    """Return the opacity of a surface's colour: the surer the frequency, the fuller; 0 where missing."""
    error = np.asarray(standard_error, dtype=np.float64)
    return np.where(np.isnan(error), 0.0, np.interp(np.nan_to_num(error), FADE, OPACITY))


def frequency_colours(frequency: ArrayLike, standard_error: ArrayLike | None = None) -> NDArray[np.uint8]:
    """Return red, green, blue and opacity of frequencies on the fixed scale from 0 to 1.

    Parameters
    ----------
    frequency : array_like
        Missing ones come back wholly transparent: missing is not a low frequency.
    standard_error : array_like, optional
        Of the same shape; the surer, the more opaque.

    Returns
    -------
    array of uint8, the shape of ``frequency`` and a last axis of 4
    """
    import matplotlib

    values = np.asarray(frequency, dtype=np.float64)
    low, high = FREQUENCY_LIMITS
    scaled = np.clip((values - low) / (high - low), 0.0, 1.0)
    colours = np.array(matplotlib.colormaps[FREQUENCY_MAP](np.nan_to_num(scaled), bytes=True), dtype=np.uint8)
    alpha = np.ones(values.shape) if standard_error is None else opacity(standard_error)
    colours[..., 3] = np.rint(255 * np.where(np.isnan(values), 0.0, alpha)).astype(np.uint8)
    return colours
