"""An order for a figure: what is drawn of what, or why it isn't."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import pandas as pd

from morphcline.render.figures.sheet import Figure


@dataclass(frozen=True)
class Order:
    """A figure to draw and save: a function of nothing that draws it, on one sheet or several, or why there is none."""

    name: str
    draw: Callable[..., Figure | list[Figure]] | None = None
    left_out_because: str = ""


def order(
    name: str, data: object, reason: str, draw: Callable[..., Figure], *arguments: object, **settings: object
) -> Order:
    """Return an order for a figure, or the reason why it has no data."""
    empty = data.empty if isinstance(data, pd.DataFrame) else not data
    if empty:
        return Order(name, left_out_because=reason)
    return Order(name, partial(draw, name, *arguments, **settings))
