"""A surface is drawn up to the outline of its area, and its contours' labels stay in the map."""

from __future__ import annotations

import matplotlib.figure
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from morphcline.render.figures.edges import cut, to_the_outline
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.surfaces import SurfacePanel, draw_surfaces

#: A raster of 4 x 4 cells of 10 m whose outermost centres lie beyond the outline.
EXTENT = (0.0, 40.0, 0.0, 40.0)
OUTLINE = np.array([[6.0, 6.0], [34.0, 6.0], [34.0, 34.0], [6.0, 34.0]])


def raster() -> np.ndarray:
    values = np.full((4, 4), np.nan)
    values[1:3, 1:3] = [[1.0, 2.0], [3.0, 4.0]]
    return values


def test_cells_beyond_the_outline_hold_the_mean_of_their_neighbours() -> None:
    (wider,), extent, edge = to_the_outline([raster()], EXTENT, [OUTLINE])
    assert extent == (-10.0, 50.0, -10.0, 50.0)
    assert edge is not None
    # By hand: a corner has one neighbour, the cells between two each.
    assert wider[1:5, 1:5].tolist() == [
        [1.0, 1.5, 1.5, 2.0], [2.0, 1.0, 2.0, 3.0], [2.0, 3.0, 4.0, 3.0], [3.0, 3.5, 3.5, 4.0],
    ]  # fmt: skip
    assert np.isnan(wider[0]).all()


def test_a_blank_cell_within_the_outline_stays_blank() -> None:
    blank = raster()
    blank[1, 1] = np.nan
    (wider,), _extent, _edge = to_the_outline([blank], EXTENT, [OUTLINE])
    assert np.isnan(wider[2, 2])
    assert wider[2, 3] == 2.0


def test_a_hole_of_the_area_is_no_part_of_it() -> None:
    values = np.arange(81.0).reshape(9, 9)
    values[4, 4] = np.nan
    outer = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 90.0], [0.0, 90.0]])
    hole = np.array([[38.0, 38.0], [52.0, 38.0], [52.0, 52.0], [38.0, 52.0]])
    (wider,), _extent, edge = to_the_outline([values], (0.0, 90.0, 0.0, 90.0), [outer, hole])
    assert wider[5, 5] == pytest.approx(np.nanmean(values[3:6, 3:6]))
    figure = matplotlib.figure.Figure(figsize=(0.9, 0.9), dpi=100)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    image = axes.imshow(np.zeros((9, 9)), extent=(0, 90, 0, 90), cmap="gray", vmin=0, vmax=1)
    cut(axes, image, edge)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    shade = np.asarray(canvas.buffer_rgba())[..., 0]
    assert (shade[45, 45], shade[45, 20], shade[20, 45]) == (255, 0, 0)


def test_a_raster_that_goes_on_beyond_the_outline_is_left_as_it_is() -> None:
    # A district's border within the region.
    district = np.array([[12.0, 12.0], [18.0, 12.0], [18.0, 28.0], [12.0, 28.0]])
    (same,), extent, edge = to_the_outline([raster()], EXTENT, [district])
    assert extent == EXTENT
    assert edge is None
    assert np.array_equal(same, raster(), equal_nan=True)
    assert to_the_outline([raster()], EXTENT, [])[2] is None


def test_labels_of_contours_stay_in_the_map_of_a_part() -> None:
    # A map of the middle of a surface; contours run through the whole of it.
    side = 60
    across = np.tile(np.linspace(0.1, 0.9, side), (side, 1))
    panel = SurfacePanel(
        trait="yellow", frequency=across, standard_error=np.full((side, side), 0.04), extent=(0.0, 6e4, 0.0, 6e4),
        sites=pd.DataFrame({"drawn_x_m": [3e4], "drawn_y_m": [3e4]}), shells=40, bandwidth="4 km", degree=1,
        kernel="gaussian", pattern="",
    )  # fmt: skip
    frame = MapFrame(2.4e4, 2.6e4, 4.9e4, 3.4e4, "EPSG:2154", true_north_deg=0.0)
    made = draw_surfaces("part", "Cepaea nemoralis", [panel], frame, min_effective_shells=30, width_mm=140)
    renderer = FigureCanvasAgg(made.sheet).get_renderer()
    axes = made.sheet.axes[0]
    written = [text for text in axes.texts if text.get_visible() and text.get_text().endswith("%")]
    assert {text.get_text() for text in written} == {"50%", "75%"}
    room = axes.get_window_extent(renderer).padded(1.0)
    for text in written:
        box = text.get_window_extent(renderer)
        assert room.x0 <= box.x0 < box.x1 <= room.x1
        assert room.y0 <= box.y0 < box.y1 <= room.y1
