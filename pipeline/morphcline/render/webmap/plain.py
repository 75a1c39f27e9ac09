"""Numbers and texts as short plain JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any


def path_in_degrees(path: Sequence[tuple[float, float]], digits: int = 5) -> list[list[float]]:
    """Return corners as the map library wants them: latitude before longitude."""
    return [[round(float(latitude), digits), round(float(longitude), digits)] for longitude, latitude in path]


def rounded(value: float, digits: int = 4) -> float | None:
    """Return a number to so many decimals, a whole one without any, and None where it is missing."""
    if value is None or math.isnan(value):
        return None
    shorter = round(float(value), digits)
    return int(shorter) if shorter.is_integer() else shorter


def rounded_all(values: Iterable[float], digits: int) -> list[float | None]:
    """Return numbers to so many decimals, None where one is missing."""
    return [rounded(value, digits) for value in values]


def as_script_value(payload: Mapping[str, Any]) -> str:
    """Return JSON that is safe between script tags, whatever text a record holds."""
    text = json.dumps(payload, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char, escaped in (
        ("<", "\\u003c"),
        (">", "\\u003e"),
        ("&", "\\u0026"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ):
        text = text.replace(char, escaped)
    return text
