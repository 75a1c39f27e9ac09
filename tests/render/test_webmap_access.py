"""Whether everybody can use the page: an audit by axe, contrast of what is drawn, narrow screens, motion, print."""

from __future__ import annotations

import base64
import io
import re
from importlib.resources import files
from typing import Any

import pytest
import wcag_contrast_ratio
from selenium.webdriver.common.by import By

from made_pages import open_anew
from morphcline.render.palettes import LOCAL_GROUPS
from morphcline.render.webmap.leaflet import leaflet_style

VIEWS = {
    "as it opens": "",
    "a card open, change": "#symbols=change:1984&centre=1&site=Upper+ford",
    "side by side, standard error, clusters": "#how=beside&with=pink&area=error&symbols=clusters",
    "half and half, steepness": "#how=swipe&with=pink&area=steepness",
    "nothing found": "#trait=mid-banded&find=zzz",
}


def at_width(page: Any, width: int, height: int = 740) -> None:
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 360])
@pytest.mark.parametrize("view", list(VIEWS))
def test_an_audit_finds_nothing(opened: Any, written_page: str, view: str, width: int) -> None:
    at_width(opened, width)
    open_anew(opened, written_page + VIEWS[view])
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    opened.execute_script("for (const part of document.querySelectorAll('details')) { part.open = true; }")
    opened.execute_script(files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8"))
    found = opened.execute_async_script(
        "const done = arguments[0]; axe.run().then(r => done([r.passes.length,"
        "r.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 120))])]));"
    )
    assert found[0] > 20  # the audit did look at the page
    assert found[1] == []


@pytest.mark.browser
@pytest.mark.parametrize("view", list(VIEWS))
def test_a_screen_of_360_pixels_is_not_overflowed(opened: Any, written_page: str, view: str) -> None:
    at_width(opened, 360)
    open_anew(opened, written_page + VIEWS[view])
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    assert opened.execute_script("return document.documentElement.scrollWidth") <= 360
    beyond = opened.execute_script(
        "const held = e => e.closest('.scroll, .folium-map, .skip') !== null;"
        "return [...document.querySelectorAll('body *')].filter(e => !held(e)"
        " && e.getBoundingClientRect().right > 361).map(e => e.outerHTML.slice(0, 80));"
    )
    assert beyond == []
    if view.startswith("side by side"):
        one, other = (opened.find_element(By.ID, name).rect for name in ("first-frame", "second-frame"))
        assert other["y"] > one["y"] + one["height"] - 1
        assert other["x"] == one["x"]


@pytest.mark.browser
def test_a_narrow_screenshot_shows_the_map(opened: Any, written_page: str) -> None:
    from PIL import Image

    at_width(opened, 360, 1400)
    open_anew(opened, written_page)
    opened.execute_async_script("setTimeout(arguments[0], 600)")
    shot = Image.open(io.BytesIO(opened.get_screenshot_as_png())).convert("RGB")
    assert shot.width == 360
    box = opened.find_element(By.ID, "map_survey").rect
    part = shot.crop((int(box["x"]), int(box["y"]), int(box["x"] + box["width"]), int(box["y"] + box["height"])))
    colours = part.getcolors(maxcolors=1_000_000)
    assert colours is not None
    assert len(colours) > 50  # the surface, the sites, the lines


@pytest.mark.browser
def test_nothing_moves_for_those_who_asked_for_it(opened: Any, written_page: str) -> None:
    emulate = {"features": [{"name": "prefers-reduced-motion", "value": "reduce"}]}
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", emulate)
    try:
        open_anew(opened, written_page)
        options = opened.execute_script(
            "const o = morphmap.maps.first.options; return [o.zoomAnimation, o.fadeAnimation, o.inertia]"
        )
        assert options == [False, False, False]
        # A zoom is over at once, and a way to a far site too.
        opened.execute_script("morphmap.maps.first.zoomIn()")
        assert not opened.execute_script("return Boolean(morphmap.maps.first._animatingZoom)")
        opened.execute_script("morphmap.maps.first.setView([40, 0], 12, { animate: false })")
        opened.execute_script("morphmap.show({ site: 0 })")
        assert opened.execute_script("return morphmap.maps.first.getCenter().lat") == pytest.approx(46.0, abs=0.01)
    finally:
        opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


@pytest.mark.browser
def test_printed_it_holds_statement_map_legend_and_all_rows_without_controls(opened: Any) -> None:
    from pypdf import PdfReader

    opened.execute_async_script("setTimeout(arguments[0], 300)")
    paper = {"printBackground": True, "paperWidth": 8.27, "paperHeight": 11.7}
    printed = base64.b64decode(opened.execute_cdp_cmd("Page.printToPDF", paper)["data"])
    leaves = PdfReader(io.BytesIO(printed)).pages
    # Raster, lines and sites of the map, each a picture of its own.
    assert sum(image.image is not None and image.image.width > 600 for image in leaves[0].images) >= 3
    text = " ".join(" ".join(leaf.extract_text() for leaf in leaves).split())
    for told in (
        "Orsel <valley> shell survey", "Yellow, among shells scored for colour.", "Smoothed frequency",
        "Sites: shells judged", "Places are moved.", "Owl wood", "North quarry", "The region as a whole",
    ):  # fmt: skip
        assert told in text
    named = ("Copy a link to this view", "Find a site", "Save these rows", "Name contains", "arrow keys move it")
    for control in named:
        assert control not in text


def on_white(colour: str) -> float:
    red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return float(wcag_contrast_ratio.rgb((red, green, blue), (1.0, 1.0, 1.0)))


def test_every_colour_that_text_is_set_in_has_contrast() -> None:
    style = files("morphcline.render.webmap").joinpath("page.css").read_text(encoding="utf-8")
    variables = dict(part.split(": ") for part in style.split("{", 1)[1].split("}", 1)[0].strip(" ;").split("; "))
    tint = variables["--tint"]
    for name in ("--ink", "--soft", "--accent", "--act"):
        colour = variables[name]
        assert on_white(colour) >= 4.5
        # As far from white as the tint is, the ratio on it is the quotient of the two.
        assert on_white(colour) / on_white(tint) >= 4.5
    assert on_white(variables["--edge"]) >= 4.5


def test_every_symbol_has_an_edge_that_shows_and_a_shape_or_fill_of_its_own() -> None:
    # WCAG 2.2, 1.4.11: 3 : 1 for what is needed to understand a picture.
    assert all(on_white(mark.edge) >= 3 for name, mark in LOCAL_GROUPS.items() if name != "no local signal")
    signals = [mark for name, mark in LOCAL_GROUPS.items() if name not in ("no local signal", "not tested")]
    assert len({mark.marker for mark in signals}) == len(signals)


def test_every_line_and_point_of_the_charts_shows_on_white() -> None:
    folder = files("morphcline.render.webmap").joinpath("script")
    for name in ("profile", "correlogram"):
        code = folder.joinpath(f"{name}.js").read_text(encoding="utf-8")
        lines = set(re.findall(r'stroke: "(#[0-9a-f]{6})"', code)) - {"#ffffff"}
        assert lines
        assert all(on_white(colour) >= 3 for colour in lines), name
    assert on_white("#8c8c8c") >= 3  # a site of the profile
    assert '"#8c8c8c"' in folder.joinpath("profile.js").read_text(encoding="utf-8")


def test_the_library_s_style_brings_no_motion_of_its_own_but_zooming() -> None:
    assert "animation:" not in leaflet_style()
