"""The page: self-contained, the same each time, safe against text in records, and usable in a real browser offline."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from rasterio.transform import from_origin

from morphcline.render.palettes import frequency_colours
from morphcline.render.webmap import PageData, draw_overlay, render_page
from morphcline.render.webmap.leaflet import leaflet_script, leaflet_style
from morphcline.render.webmap.payload import PALETTE_STEPS, as_script_value, palette

ATTACK = "</script><script>document.title='broken'</script><img src=x onerror=\"document.title='broken'\">"


@pytest.fixture(scope="module")
def data() -> PageData:
    names = ["Upper ford", ATTACK, "Mill bank", "Chapel lane"]
    sites = pd.DataFrame(
        {
            "site": ["a", "b", "c", "d"],
            "name": names,
            "lon": [5.60, 5.70, 5.80, 5.90],
            "lat": [46.0, 46.1, 46.0, 46.2],
            "habitat": ["woodland", "hedgerow", "", "short grass"],
            "temperature_c": [10.0, 10.5, np.nan, 9.5],
        }
    )
    rows = [
        ("Cepaea nemoralis", "yellow", "a", 5, 20, 0.112, 0.469, True),
        ("Cepaea nemoralis", "yellow", "b", 30, 40, 0.598, 0.858, True),
        ("Cepaea nemoralis", "yellow", "c", 1, 3, 0.06, 0.79, False),
        ("Cepaea nemoralis", "mid-banded", "a", 2, 8, 0.07, 0.59, True),
        ("Cepaea hortensis", "yellow", "d", 25, 25, 0.867, 1.0, True),
    ]
    columns = ["species", "trait", "site", "count", "total", "low", "high", "enough"]
    local = pd.DataFrame(
        [("Cepaea nemoralis", "yellow", "b", "high among low")], columns=["species", "trait", "site", "group"]
    )
    frequency = np.linspace(0, 1, 60).reshape(6, 10)
    frequency[0, 0] = np.nan
    overlay = draw_overlay(
        frequency, np.full((6, 10), 0.03), transform=from_origin(890_000, 6_560_000, 5000, 5000), crs="EPSG:2154"
    )
    return PageData(
        title="Orsel <valley> shell survey",
        period="2019 to 2024",
        sites=sites,
        frequencies=pd.DataFrame(rows, columns=columns),
        local=local,
        overlays={("Cepaea nemoralis", "yellow"): overlay},
        rings=[[(5.5, 45.9), (6.0, 45.9), (6.0, 46.3), (5.5, 46.3), (5.5, 45.9)]],
        min_shells=20,
        min_total=5,
        clusters_note="Local Moran's I.",
        places_note="Places are moved.",
        confidence="95%",
    )


class References(HTMLParser):
    """Collects everything a page could fetch or lead to."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in {"src", "href", "data", "action", "srcset"}]


def test_the_page_refers_to_nothing_outside(data: PageData) -> None:
    page = render_page(data)
    references = References()
    references.feed(page)
    assert [found for found in references.found if not found.startswith(("data:", "#"))] == []
    without_library = page.replace(leaflet_script(), "").replace(leaflet_style(), "")
    assert not re.search(r"https?://(?!www\.w3\.org/)", without_library)
    assert not [url for url in re.findall(r"url\(([^)]*)\)", page) if not url.startswith(("data:", "#"))]
    assert "default-src 'none'" in page
    assert "user-scalable=no" not in page
    assert '<html lang="en">' in page


def test_the_page_is_the_same_each_time(data: PageData) -> None:
    assert render_page(data) == render_page(data)


def test_text_from_records_cannot_leave_the_script(data: PageData) -> None:
    page = render_page(data)
    assert "document.title='broken'</script>" not in page
    assert "Orsel &lt;valley&gt; shell survey" in page
    text = as_script_value({"name": ATTACK + "\u2028&"})
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"name": ATTACK + "\u2028&"}


def test_the_library_keeps_its_licence_notice() -> None:
    assert "@preserve" in leaflet_script()
    assert "sourceMappingURL" not in leaflet_script()


def test_the_pages_colours_are_those_of_the_figures() -> None:
    colours = palette()
    assert len(colours) == PALETTE_STEPS
    for place in (0, 20, PALETTE_STEPS - 1):
        red, green, blue, _ = frequency_colours(np.array([place / (PALETTE_STEPS - 1)]))[0].tolist()
        assert colours[place] == f"#{red:02x}{green:02x}{blue:02x}"


def test_a_surface_lies_where_it_should() -> None:
    from pyproj import Transformer

    overlay = draw_overlay(
        np.full((4, 4), 0.5),
        np.full((4, 4), 0.01),
        transform=from_origin(900_000, 6_500_000, 1000, 1000),
        crs="EPSG:2154",
    )
    longitude, latitude = Transformer.from_crs("EPSG:2154", "EPSG:4326", always_xy=True).transform(902_000, 6_498_000)
    assert overlay.west < longitude < overlay.east
    assert overlay.south < latitude < overlay.north
    assert overlay.east - overlay.west == pytest.approx(4000 / 78_000, rel=0.1)  # a degree here is some 78 km


def opened(browser: Any, folder: Path, data: PageData) -> Any:
    path = folder / "map.html"
    path.write_text(render_page(data), encoding="utf-8")
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(path.as_uri())
    return browser


@pytest.mark.browser
def test_the_page_works_offline_in_a_browser(browser: Any, tmp_path: Path, data: PageData) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys
    from selenium.webdriver.support.ui import Select

    page = opened(browser, tmp_path, data)
    assert page.title == "Orsel <valley> shell survey: map"
    assert page.get_log("browser") == []
    asked = [
        message["params"]["request"]["url"]
        for entry in page.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []

    shown = page.find_element(By.ID, "shown")
    assert shown.text == ("Yellow, among shells scored for colour: Cepaea nemoralis, 3 sites, 63 shells, 2019 to 2024")
    assert len(page.find_elements(By.CSS_SELECTOR, "#site-rows tr")) == 3
    assert page.find_elements(By.CSS_SELECTOR, ".leaflet-image-layer.surface")

    # The table leads to the map by keyboard; a hover over another site shows that one's card.
    page.find_elements(By.CSS_SELECTOR, "#site-rows button")[2].send_keys(Keys.ENTER)
    card = page.find_element(By.CLASS_NAME, "leaflet-tooltip")
    assert "Upper ford" in card.text
    assert "25% (11% to 47%)" in card.text
    assert "5 of 20 shells" in card.text
    page.execute_async_script("setTimeout(arguments[0], 600)")  # let the map come to rest
    frame = page.find_element(By.ID, "map-frame")
    place = page.execute_script(
        "const p = map_survey.latLngToContainerPoint([46.0, 5.8]);"
        "const r = document.getElementById('map-frame').getBoundingClientRect();"
        "return [p.x - r.width / 2, p.y - r.height / 2];"
    )
    ActionChains(page).move_to_element(frame).move_to_element_with_offset(frame, *map(round, place)).perform()
    assert "Small sample" in page.find_elements(By.CLASS_NAME, "leaflet-tooltip")[-1].text

    # By keyboard alone: trait, species, what the sites show, the surface, the map itself.
    trait = page.find_element(By.ID, "trait")
    trait.send_keys("Mid")
    assert Select(trait).first_selected_option.text == "Mid-banded"
    assert shown.text.startswith("Mid-banded, among banded shells: Cepaea nemoralis, 1 site, 8 shells")
    assert not page.find_elements(By.CSS_SELECTOR, ".leaflet-image-layer.surface")
    page.find_element(By.ID, "species").send_keys("Cepaea h")
    assert shown.text.startswith("Yellow, among shells scored for colour: Cepaea hortensis, 1 site, 25 shells")
    page.find_element(By.CSS_SELECTOR, "input[value=frequency]").send_keys(Keys.ARROW_RIGHT)
    assert page.find_element(By.ID, "legend-clusters").is_displayed()
    before = page.execute_script("return map_survey.getZoom()")
    page.find_element(By.CLASS_NAME, "folium-map").send_keys("+")
    page.execute_async_script("setTimeout(arguments[0], 600)")
    assert page.execute_script("return map_survey.getZoom()") > before
    assert page.get_log("browser") == []


@pytest.mark.browser
def test_text_from_records_runs_nothing_in_a_browser(browser: Any, tmp_path: Path, data: PageData) -> None:
    from selenium.webdriver.common.by import By

    page = opened(browser, tmp_path, data)
    names = [button.text for button in page.find_elements(By.CSS_SELECTOR, "#site-rows button")]
    assert ATTACK in names
    assert page.title != "broken"
    assert not page.find_elements(By.CSS_SELECTOR, "#site-rows img")


@pytest.mark.browser
def test_a_narrow_screen_is_not_overflowed(browser: Any, tmp_path: Path, data: PageData) -> None:
    page = opened(browser, tmp_path, data)
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}
    )
    try:
        width = page.execute_script("return document.documentElement.scrollWidth")
        assert width <= 360
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
