"""Labels among data: those that would touch are moved apart, and none leaves its panel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.text import Text
from numpy.typing import NDArray

#: A number of steps, not a time, so that the same labels always come to stand in the same places.
_STEPS = 300
_ROUNDS = 4
#: Pixels that labels keep between them.
_APART_PX = 3.0


def spread(axes: Axes, labels: Sequence[Text]) -> None:
    """Move labels that touch one another, or leave the panel, to the nearest place where they don't.

    Parameters
    ----------
    axes : matplotlib axes
        Of their final size and limits.
    labels : sequence of Text
        Placed in data coordinates; those that touch none stay where they are. A label for which there is no room is
        hidden: what it says stands at others of its kind and in the caption.

    Notes
    -----
    The moving is adjustText's: labels push each other apart and are pulled back to what they name.
    """
    figure = axes.get_figure(root=True)
    if figure is None or not labels:
        return
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    for _round in range(_ROUNDS):
        touching = _touching(axes, labels, renderer)
        if not touching.any():
            return
        from adjustText import adjust_text

        moved = [label for label, touches in zip(labels, touching, strict=True) if touches]
        still = [label for label, touches in zip(labels, touching, strict=True) if not touches]
        adjust_text(
            moved, ax=axes, objects=still or None, iter_lim=_STEPS, expand=(1.15, 1.3), force_text=(0.3, 0.4),
            avoid_self=False, ensure_inside_axes=True,
        )  # fmt: skip
    # Where pushing ends in a deadlock, the later of two labels that touch gives way.
    for i in range(len(labels)):
        shown = [label for label in labels[: i + 1] if label.get_visible()]
        if _touching(axes, shown, renderer)[-1]:
            labels[i].set_visible(False)


def _touching(axes: Axes, labels: Sequence[Text], renderer: RendererAgg) -> NDArray[np.bool_]:
    """Return which labels touch another or leave the panel."""
    found = [label.get_window_extent(renderer) for label in labels]
    panel = axes.get_window_extent(renderer).padded(1.0)
    out = [box.x0 < panel.x0 or box.x1 > panel.x1 or box.y0 < panel.y0 or box.y1 > panel.y1 for box in found]
    wide = [box.padded(_APART_PX / 2) for box in found]
    pairs = [any(box.overlaps(other) for j, other in enumerate(wide) if j != i) for i, box in enumerate(wide)]
    return np.asarray(np.array(out) | np.array(pairs), dtype=np.bool_)
