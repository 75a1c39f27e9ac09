"""What the legend is made of: scales and classes with their words; the script draws their samples as it draws maps."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.change_map import CHANGE_MAP, FULL
from morphcline.render.palettes import FADE, STEEPNESS_MAP, opacity
from morphcline.render.webmap.messages import group_names
from morphcline.render.webmap.payload import ERROR_CLASSES, other_palette, palette

_SIZES = (10, 30, 100)


def legend_parts() -> dict[str, Any]:
    """Return scales (colours, and marks from 0 to 1 with their words), grades, classes and sizes."""
    return {
        "frequency": {
            "colours": palette(),
            "marks": [*((at, labels.number(100 * at)) for at in (0.0, 0.25, 0.5, 0.75)), (1.0, labels.percent(1.0))],
        },
        "steepness": {"colours": other_palette(STEEPNESS_MAP), "marks": [(at, "") for at in (0.0, 0.5, 1.0)]},
        "change": {
            "colours": other_palette(CHANGE_MAP),
            "marks": [(at, labels.points((2 * at - 1) * FULL)) for at in (0.0, 0.25, 0.5, 0.75, 1.0)],
        },
        "grades": _grades(),
        "errors": _errors(),
        "sizes": [(shells, labels.number(shells)) for shells in _SIZES],
        "groups": group_names(),
    }


def _grades() -> list[tuple[float, str]]:
    """Return samples of the fade: as full as it gets, in between, as pale as it gets."""
    middle = sum(FADE) / 2
    words = (
        _("{points} points or less").format(points=_points(FADE[0])),
        _("{points} points").format(points=_points(middle)),
        _("{points} points or more").format(points=_points(FADE[1])),
    )
    shades = opacity(np.array([FADE[0], middle, FADE[1]])).round(2).tolist()
    return list(zip(shades, words, strict=True))


def _errors() -> list[str]:
    """Return the classes of standard errors in words, from the surest."""
    between = [
        _("{low} to {high} points").format(low=_points(low), high=_points(high))
        for low, high in pairwise(ERROR_CLASSES)
    ]
    first = _("{points} points or less").format(points=_points(ERROR_CLASSES[0]))
    return [first, *between, _("more than {points} points").format(points=_points(ERROR_CLASSES[-1]))]


def _points(share: float) -> str:
    return labels.number(round(100 * share))
