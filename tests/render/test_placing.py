"""Labels among data: apart, within their panel, where they were when nothing is in the way, and the same every time."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from morphcline.render.figures.placing import spread
from morphcline.render.figures.sheet import Sheet, style


def panel(places: list[tuple[float, float]], side_mm: float = 60.0) -> tuple[Axes, list[Text]]:
    with style():
        axes = Sheet(side_mm + 10, side_mm + 10).axes(5, 5, side_mm, side_mm)
        axes.set(xlim=(0, 100), ylim=(0, 100))
        labels = [axes.text(x, y, f"{25 * (i % 3 + 1)}%", ha="center", va="center") for i, (x, y) in enumerate(places)]
    return axes, labels


def boxes(axes: Axes, labels: list[Text]) -> list:
    renderer = FigureCanvasAgg(axes.get_figure(root=True)).get_renderer()
    return [label.get_window_extent(renderer) for label in labels if label.get_visible()]


def touching(found: list) -> int:
    return sum(one.overlaps(other) for i, one in enumerate(found) for other in found[:i])


@pytest.mark.parametrize(
    "places",
    [
        [(50, 50), (50, 51), (51, 50)],
        [(1, 50), (99.5, 50), (50, 99.5)],
        [(20, 20), (22, 20), (80, 80), (81, 79), (50, 50)],
        [(99, 99), (98, 98), (97, 99)],
    ],
)
def test_labels_that_touch_or_leave_the_panel_are_moved(places: list[tuple[float, float]]) -> None:
    axes, labels = panel(places)
    before = boxes(axes, labels)
    edge = axes.get_window_extent()
    assert touching(before) or any(b.x0 < edge.x0 or b.x1 > edge.x1 or b.y1 > edge.y1 for b in before)
    with style():
        spread(axes, labels)
    after = boxes(axes, labels)
    assert len(after) == len(labels)
    assert touching(after) == 0
    for box in after:
        assert edge.x0 - 0.5 <= box.x0 <= box.x1 <= edge.x1 + 0.5
        assert edge.y0 - 0.5 <= box.y0 <= box.y1 <= edge.y1 + 0.5
    # Not further than a few of their own lengths from what they name.
    width = max(box.width for box in after)
    for label, place in zip(labels, places, strict=True):
        moved = axes.transData.transform(label.get_position()) - axes.transData.transform(place)
        assert np.hypot(*moved) < 4 * width


def test_labels_with_nothing_in_the_way_stay() -> None:
    places = [(20.0, 20.0), (50.0, 50.0), (80.0, 20.0)]
    axes, labels = panel(places)
    with style():
        spread(axes, labels)
    assert [label.get_position() for label in labels] == places


def test_the_same_labels_come_to_the_same_places() -> None:
    found = []
    for _ in range(2):
        axes, labels = panel([(50, 50), (50, 50), (52, 51)])
        with style():
            spread(axes, labels)
        found.append([label.get_position() for label in labels])
    assert found[0] == found[1]


def test_a_label_without_any_room_is_hidden() -> None:
    axes, labels = panel([(50.0, 50.0)] * 12, side_mm=9.0)
    with style():
        spread(axes, labels)
    shown = boxes(axes, labels)
    assert 1 <= len(shown) < 12
    assert touching(shown) == 0
