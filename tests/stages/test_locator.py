"""The small map: where the study lies by the ellipsoid's own sums, what it holds, and that it covers nothing."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from pyproj import Transformer

from morphcline.language import Language, speaking
from morphcline.render.figures.frame import MapFrame, map_sheet
from morphcline.render.figures.keys import frequency_key
from morphcline.render.figures.locator import LEAST_MARK_MM, Locator, locator_key
from morphcline.render.figures.sheet import Heading, style
from morphcline.stages._locator import locator
from morphcline.study import Study, load_study

BOX = (470e3, 6_560e3, 514e3, 6_596e3)
#: GRS 80 and WGS 84: equatorial radius and flattening (published with each).
AXIS_M, FLATTENING = 6_378_137.0, 1 / 298.257223563


def study(folder: Path, publish: str = "", crs: str = "EPSG:2154") -> Study:
    file = folder / "study.toml"
    file.write_text(
        f'[study]\nname = "orsel"\ncrs = "{crs}"\n[records]\npath = "r.csv"\n[publish]\n{publish}', encoding="utf-8"
    )
    return load_study(file)


def made(folder: Path, publish: str = "", crs: str = "EPSG:2154", box: tuple[float, ...] = BOX) -> Locator:
    found = locator(study(folder, publish, crs), box)  # type: ignore[arg-type]
    assert found is not None
    return found


def orthographic(longitude: float, latitude: float, lon_0: float, lat_0: float) -> tuple[float, float]:
    """Snyder (1987), Map Projections: A Working Manual, eqs 20-3 and 20-4, on a sphere of the local radius."""
    lat, lat_0 = math.radians(latitude), math.radians(lat_0)
    turn = math.radians(longitude - lon_0)
    return (
        AXIS_M * math.cos(lat) * math.sin(turn),
        AXIS_M * (math.cos(lat_0) * math.sin(lat) - math.sin(lat_0) * math.cos(lat) * math.cos(turn)),
    )


def test_meridians_and_parallels_lie_where_the_projection_puts_them(tmp_path: Path) -> None:
    found = made(tmp_path)
    lon_0, lat_0 = Transformer.from_crs("EPSG:2154", "EPSG:4326", always_xy=True).transform(492e3, 6_578e3)
    assert found.step_deg == 5
    # Ten degrees away, 700 km at 51° north, only the corners are reached.
    assert sorted({degrees for degrees, _line in found.meridians}) == [-10, -5, 0, 5, 10]
    assert sorted({degrees for degrees, _line in found.parallels}) == [45, 50]
    for degrees, line in found.meridians:
        if abs(degrees) > 5:
            continue
        # Where the parallel of 45° crosses; the sphere differs from the ellipsoid by under a hundredth.
        x, y = orthographic(degrees, 45.0, lon_0, lat_0)
        near = line[np.argmin(np.abs(line[:, 1] - y))]
        assert near[0] == pytest.approx(x, abs=25e3)
    assert np.abs(found.study).max() == pytest.approx(22.4e3, rel=0.05)
    inside = [line for _degrees, line in (*found.meridians, *found.parallels)]
    assert all((np.abs(line) <= [found.half_width + 1, found.half_height + 1]).all() for line in inside)
    assert "it has no coasts" in found.note()
    assert "every 5°" in found.note()


def test_no_small_map_where_none_is_wanted(tmp_path: Path) -> None:
    assert locator(study(tmp_path, "locator = false\n"), BOX) is None


@pytest.mark.parametrize(
    ("crs", "box"),
    [
        ("EPSG:32633", (300e3, 7_900e3, 900e3, 8_600e3)),  # far north, and wide
        ("EPSG:32760", (300e3, 5_000e3, 700e3, 5_400e3)),  # the south, beside the 180th meridian
        ("EPSG:3031", (-100e3, -100e3, 100e3, 100e3)),  # round a pole
        ("EPSG:2154", (100e3, 6_100e3, 1_200e3, 7_100e3)),  # a country
    ],
)
def test_a_study_anywhere_has_a_small_map_that_holds_it(tmp_path: Path, crs: str, box: tuple[float, ...]) -> None:
    found = made(tmp_path, crs=crs, box=box)
    assert (np.abs(found.study) < [found.half_width, found.half_height]).all()
    assert found.meridians
    assert found.parallels
    for degrees, line in (*found.meridians, *found.parallels):
        assert -180 <= degrees <= 180
        assert np.isfinite(line).all()


def write_land(folder: Path, *shapes: shapely.Geometry) -> str:
    gpd.GeoDataFrame(geometry=list(shapes), crs="EPSG:4326").to_file(folder / "land.gpkg")
    return 'locator = "land.gpkg"\n'


def test_a_layer_of_the_users_own_is_drawn_and_shown_whole_when_small(tmp_path: Path) -> None:
    land = made(tmp_path, write_land(tmp_path, shapely.box(-1, 45, 1.5, 47)))
    assert len(land.land) == 1
    # A degree of latitude is 111.1 km at 46° (Snyder 1987, eq. 3-21): from the middle at 46.2° to 45° are 133 km.
    south = -land.land[0][:, 1].min()
    assert south == pytest.approx(1.22 * 111.1e3, rel=0.05)
    assert south < land.half_height < 2 * south
    assert land.source == "land.gpkg"
    assert "on land.gpkg" in land.note()


def test_a_layer_of_the_whole_world_is_cut_to_the_surroundings(tmp_path: Path) -> None:
    world = [shapely.box(-180, -89, 180, 89), shapely.box(100, -40, 150, -10)]
    land = made(tmp_path, write_land(tmp_path, *world))
    assert land.half_height == 600e3
    # The sheet is all land; the far continent isn't there.
    areas = [shapely.Polygon(ring).area for ring in land.land]
    assert len(areas) == 1
    assert areas[0] == pytest.approx(4 * land.half_width * land.half_height, rel=0.01)


def test_the_study_is_seen_however_small_and_the_degrees_have_the_language_s_letters(tmp_path: Path) -> None:
    key = locator_key(made(tmp_path), 17.0)
    with style():
        from matplotlib.figure import Figure

        axes = Figure(figsize=(key.width / 25.4, key.height / 25.4)).add_axes((0, 0, 1, 1))
        axes.set(xlim=(0, key.width), ylim=(0, key.height))
        key.draw(axes)
        inset = axes.child_axes[0]
    mark = inset.patches[0]
    metres_per_mm = (inset.get_ylim()[1] - inset.get_ylim()[0]) / (17.0 - 3.6)
    assert mark.get_width() / metres_per_mm == pytest.approx(LEAST_MARK_MM, rel=0.05)
    assert {text.get_text() for text in inset.texts} >= {"5°W", "0°", "5°E", "45°N", "50°N"}
    with speaking(Language("fr")), style():
        axes = Figure(figsize=(1, 1)).add_axes((0, 0, 1, 1))
        key.draw(axes)
        assert "5° O" in {text.get_text().replace("\u00a0", " ") for text in axes.child_axes[0].texts}


@pytest.mark.parametrize("count", [1, 2, 4, 5, 8, 9])
@pytest.mark.parametrize("width", [90.0, 190.0])
@pytest.mark.parametrize("aspect", [0.5, 0.8, 1.6])
def test_the_small_map_covers_no_panel_no_text_and_no_other_key(
    tmp_path: Path, count: int, width: float, aspect: float
) -> None:
    where = MapFrame(
        470e3, 6_560e3, 514e3, 6_560e3 + 44e3 * aspect, "EPSG:2154", true_north_deg=2.0, locator=made(tmp_path)
    )
    with style():
        sheet, maps = map_sheet(
            where, [Heading("Yellow", "10,703 shells") for _ in range(count)], [frequency_key()], width
        )
        canvas = FigureCanvasAgg(sheet.figure)
        canvas.draw()
    renderer = canvas.get_renderer()
    insets = [child for axes in sheet.figure.axes for child in axes.child_axes]
    (inset,) = [child for child in insets if child.get_xlim()[0] < 0]
    small = inset.get_tightbbox(renderer).padded(-1)
    assert not any(small.overlaps(panel.get_window_extent(renderer)) for panel in maps)
    own = set(inset.findobj(Text))
    others = [text for text in sheet.figure.findobj(Text) if text.get_text().strip() and text not in own]
    assert not [text.get_text() for text in others if small.overlaps(text.get_window_extent(renderer))]
    across, down = sheet.figure.get_size_inches() * 300
    assert small.x0 >= 0
    assert small.y0 >= 0
    assert small.x1 <= across
    assert small.y1 <= down
