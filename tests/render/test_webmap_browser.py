"""The page in a real browser that reaches no host: what it says, choosing, layers, comparing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from made_pages import ATTACK, open_anew
from morphcline.render.webmap import PageData, render_page
from morphcline.render.webmap.payload import palette
from page_reading import by_id, names_in_table, pick, settled, text_of

pytestmark = pytest.mark.browser


def where(page: Any, latitude: float, longitude: float, box: str = "first-frame") -> tuple[int, int]:
    """Return a place's offset from the middle of a map, in pixels."""
    name = "morphmap.maps.first" if box == "first-frame" else "morphmap.maps.second()"
    x, y = page.execute_script(
        f"const m = {name}, p = m.latLngToContainerPoint([{latitude}, {longitude}]), s = m.getSize();"
        "return [p.x - s.x / 2, p.y - s.y / 2];"
    )
    return round(x), round(y)


def hover(page: Any, latitude: float, longitude: float, box: str = "first-frame") -> None:
    frame = page.find_element(By.CSS_SELECTOR, f"#{box} .folium-map")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", frame)
    ActionChains(page).move_to_element(frame).move_to_element_with_offset(
        frame, *where(page, latitude, longitude, box)
    ).perform()


def test_the_page_opens_offline_and_says_what_it_shows(opened: Any) -> None:
    assert opened.title == "Orsel <valley> shell survey: map"
    asked = [
        message["params"]["request"]["url"]
        for entry in opened.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]
    assert [url for url in asked if not url.startswith(("file:", "data:", "about:"))] == []
    assert text_of(opened, "shown") == (
        "Yellow, among shells scored for colour. Cepaea nemoralis: 5 sites, 118 shells, 2019 to 2024. "
        "In the region: 50% (95% interval 41 to 59%)."
    )
    assert len(names_in_table(opened)) == 5
    assert opened.find_elements(By.CSS_SELECTOR, "#first-frame canvas.grid")


def test_text_from_records_runs_nothing(opened: Any) -> None:
    assert ATTACK in names_in_table(opened)
    opened.execute_script("morphmap.show({ site: morphmap.siteNamed(arguments[0]) })", ATTACK)
    assert ATTACK in text_of(opened, "card-told")
    by_id(opened, "search").send_keys("script")
    assert opened.find_elements(By.CSS_SELECTOR, "#search-list li")
    assert opened.title == "Orsel <valley> shell survey: map"
    assert not opened.find_elements(By.CSS_SELECTOR, "main img:not(.leaflet-tile)")


def test_a_site_under_the_pointer_is_told_and_marked_in_map_chart_and_table(opened: Any) -> None:
    hover(opened, 46.15, 5.75)
    tip = opened.find_element(By.CLASS_NAME, "leaflet-tooltip")
    assert tip.text.splitlines() == ["Owl wood", "80% of 25 shells"]
    row = opened.find_element(By.CSS_SELECTOR, "#site-rows tr.pointed")
    assert row.find_element(By.TAG_NAME, "button").text == "Owl wood"
    assert opened.find_elements(By.CSS_SELECTOR, "[data-chart=profile] g circle[stroke-dasharray='3 3']")
    # The other way round: a row's name in focus rings its site on the map.
    button = opened.find_element(By.XPATH, "//*[@id='site-rows']//button[text()='Upper ford']")
    opened.execute_script("arguments[0].focus({ preventScroll: true })", button)
    assert opened.execute_script("return morphmap.maps.views.first.pointed") == 0


def test_the_table_leads_to_the_map_and_opens_the_card(opened: Any) -> None:
    opened.execute_script("morphmap.maps.first.setView([45.0, 4.0], 11, { animate: false })")
    opened.find_element(By.XPATH, "//*[@id='site-rows']//button[text()='Upper ford']").send_keys(Keys.ENTER)
    settled(opened)
    latitude, longitude = opened.execute_script("const c = morphmap.maps.first.getCenter(); return [c.lat, c.lng];")
    assert (latitude, longitude) == (pytest.approx(46.0, abs=0.01), pytest.approx(5.6, abs=0.01))
    assert text_of(opened, "card-told").splitlines() == ["Upper ford", "Yellow: 25% of 20 shells"]
    card = text_of(opened, "card-rest")
    # Counts and intervals of all traits of the species, not of the one chosen alone.
    for told in ("5 of 20", "11 to 47%", "15 of 20", "53 to 89%", "2 of 8", "7.0 to 59%"):
        assert told in card
    assert "woodland on 80% of the ground around; noted as woodland" in card
    assert "10.0 °C" in card
    assert "centre of the 1 km square" in card
    assert "within 718 m of that centre" in card
    assert "Low among low" in card
    assert "Rose: +18 points (−1.0 to +38): 2 of 30 then, 5 of 20 now" in card
    # Nearest by the places published, by hand: (8, 11) km, (16, 0) km, (12, 17) km and (23, 23) km away.
    near = [item.text for item in opened.find_elements(By.CSS_SELECTOR, ".nearest li")]
    assert near == [f"{ATTACK} about 14 km", "Mill bank about 16 km", "Owl wood about 21 km", "Chapel lane about 33 km"]
    opened.find_elements(By.CSS_SELECTOR, ".nearest button")[1].click()
    assert text_of(opened, "card-told").splitlines()[0] == "Mill bank"
    assert "Small sample" in text_of(opened, "card-rest")
    assert opened.execute_script("return document.querySelector('tr.chosen button').textContent") == "Mill bank"


def test_a_site_whose_place_is_withheld_is_in_the_table_and_on_no_map(opened: Any) -> None:
    row = opened.find_element(By.XPATH, "//*[@id='site-rows']//tr[th/button[text()='North quarry']]")
    assert "(place withheld)" in row.text
    drawn = opened.execute_script("return [...morphmap.maps.views.first.markers.keys()].map(s => morphmap.siteName(s))")
    assert len(drawn) == 4
    assert "North quarry" not in drawn
    row.find_element(By.TAG_NAME, "button").click()
    assert "place withheld" in text_of(opened, "card-told")
    assert "stands on no map" in text_of(opened, "card-rest")


def test_species_trait_layers_and_map_by_keyboard_alone(opened: Any) -> None:
    trait = by_id(opened, "trait")
    trait.send_keys("Mid")
    assert Select(trait).first_selected_option.text == "Mid-banded"
    assert text_of(opened, "shown").startswith("Mid-banded, among banded shells. Cepaea nemoralis: 1 site, 8 shells")
    assert not opened.find_elements(By.CSS_SELECTOR, "canvas.grid")
    assert "No profile" in text_of(opened, "charts")
    by_id(opened, "species").send_keys("Cepaea h")
    assert text_of(opened, "shown").startswith("Yellow, among shells scored for colour. Cepaea hortensis: 1 site")
    by_id(opened, "species").send_keys(Keys.HOME)
    opened.find_element(By.CSS_SELECTOR, "input[value=frequency]").send_keys(Keys.ARROW_RIGHT)
    assert opened.execute_script("return morphmap.state.symbols") == "clusters"
    assert opened.find_element(By.CSS_SELECTOR, "[data-legend=clusters]").is_displayed()
    # The map: + zooms, N and P step through the sites in the order of the table, Esc lets go.
    box = by_id(opened, "map_survey")
    before = opened.execute_script("return morphmap.maps.first.getZoom()")
    box.send_keys("+")
    settled(opened)
    assert opened.execute_script("return morphmap.maps.first.getZoom()") > before
    # Sorted by name the record that holds markup comes first: a sign sorts before letters.
    told = []
    for key in ("n", "n", "p", "n", "n"):
        box.send_keys(key)
        told.append(text_of(opened, "card-told").splitlines()[0])
    assert told == [ATTACK, "Mill bank", ATTACK, "Mill bank", "Owl wood"]
    box.send_keys(Keys.ESCAPE)
    assert text_of(opened, "card-told") == ""


def test_the_wheel_reads_on_until_the_map_is_in_focus(opened: Any) -> None:
    assert opened.execute_script("return morphmap.maps.first.scrollWheelZoom.enabled()") is False
    by_id(opened, "map_survey").send_keys(Keys.ARROW_LEFT)
    assert opened.execute_script("return morphmap.maps.first.scrollWheelZoom.enabled()") is True
    by_id(opened, "trait").send_keys(Keys.HOME)
    assert opened.execute_script("return morphmap.maps.first.scrollWheelZoom.enabled()") is False


def test_a_survey_with_nothing_judged_opens_without_an_error(browser: Any, tmp_path: Path, page_data: PageData) -> None:
    path = tmp_path / "map.html"
    nothing = replace(page_data, frequencies=page_data.frequencies.iloc[:0], regional=page_data.regional.iloc[:0])
    path.write_text(render_page(nothing), encoding="utf-8")
    open_anew(browser, path.as_uri())
    assert text_of(browser, "shown") == "No shells were judged for any trait."
    assert browser.get_log("browser") == []


def test_an_exact_place_is_said_to_be_one(opened: Any) -> None:
    opened.execute_script("morphmap.show({ species: 'Cepaea hortensis', site: morphmap.siteNamed('Chapel lane') })")
    assert "Shown at its exact place." in text_of(opened, "card-rest")
    assert "within 10 m of the point shown" in text_of(opened, "card-rest")


def test_focus_is_seen(opened: Any) -> None:
    opened.execute_script("document.activeElement.blur()")
    seen = []
    for _ in range(8):
        ActionChains(opened).send_keys(Keys.TAB).perform()
        seen.append(opened.execute_script(
            "const e = document.activeElement, s = getComputedStyle(e);"
                "return [e.id || e.value, s.outlineStyle, parseFloat(s.outlineWidth)]"
        ))  # fmt: skip
    assert seen[0][0] == "skip"
    assert all(style == "solid" and width >= 2 for _, style, width in seen), seen
    # The link to the map, past the choices.
    by_id(opened, "skip").send_keys(Keys.ENTER)
    assert opened.execute_script("return document.activeElement.id") == "map_survey"
    assert opened.execute_script("return location.hash") in ("", "#species=Cepaea+nemoralis&trait=yellow")


#: Pixels are read from a copy: the browser warns of those who read the same canvas again and again.
COPY = (
    "const copy = new OffscreenCanvas(c.width, c.height).getContext('2d', {willReadFrequently: true});"
    "copy.drawImage(c, 0, 0);"
)


def pixel(page: Any, latitude: float, longitude: float, pane: str = "first-area") -> list[int]:
    """Return red, green, blue and opacity (0 to 255) of a raster's picture at a place."""
    return list(page.execute_script(
        f"const map = morphmap.maps.first, c = map.getPane('{pane}').querySelector('canvas');"
        + COPY +
        f"const p = map.latLngToLayerPoint([{latitude}, {longitude}]).subtract(L.DomUtil.getPosition(c));"
        "return [...copy.getImageData(Math.round(p.x), Math.round(p.y), 1, 1).data];"
    ))  # fmt: skip


def test_surface_error_and_steepness_are_drawn_as_the_legend_says(opened: Any) -> None:
    settled(opened)
    at = (46.10, 5.85)
    values = opened.execute_script(f"return morphmap.maps.views.first.area.valuesAt({{lat: {at[0]}, lng: {at[1]}}})")
    expected = palette()[round(values["frequency"] * 63)]
    red, green, blue, opacity = pixel(opened, *at)
    # An error of 20 points is past the palest: 28% of full colour; canvases keep a few units of colour then.
    assert values["error"] == pytest.approx(0.2, abs=0.001)
    assert opacity == pytest.approx(0.28 * 255, abs=1)
    assert [red, green, blue] == [pytest.approx(int(expected[i : i + 2], 16), abs=3) for i in (1, 3, 5)]
    assert opened.find_elements(By.XPATH, "//*[@class='level' and text()='50%']")
    pick(opened, "area", "error")
    settled(opened)
    assert [part.get_attribute("data-legend") for part in opened.find_elements(By.CSS_SELECTOR, "[data-legend]")
            if part.is_displayed()] == ["frequency", "error", "sites", "outline"]  # fmt: skip
    dense = opened.execute_script(dark(46.10, 5.85))
    sparse = opened.execute_script(dark(46.10, 5.60))
    assert dense > 3 * sparse  # by texture, whatever the colour
    pick(opened, "area", "steepness")
    settled(opened)
    assert "4.0 or more" in opened.find_element(By.CSS_SELECTOR, "[data-legend=steepness]").text
    assert pixel(opened, *at)[3] == 255
    pick(opened, "area", "none")
    assert not opened.find_elements(By.CSS_SELECTOR, "canvas.grid")


def dark(latitude: float, longitude: float) -> str:
    """Return a script for the share of dark pixels in a square of 24 around a place."""
    return (
        "const map = morphmap.maps.first, c = map.getPane('first-area').querySelector('canvas');"
        + COPY
        + f"const p = map.latLngToLayerPoint([{latitude}, {longitude}]).subtract(L.DomUtil.getPosition(c));"
        "const d = copy.getImageData(Math.round(p.x) - 12, Math.round(p.y) - 12, 24, 24).data;"
        "let n = 0; for (let i = 0; i < d.length; i += 4) { if (d[i + 3] > 200 && d[i] < 110) { n += 1; } }"
        "return n / 576;"
    )


def test_values_under_the_pointer_are_told(opened: Any) -> None:
    settled(opened)
    hover(opened, 46.10, 5.85)
    told = text_of(opened, "here")
    assert told.startswith("Yellow: ")
    assert "standard error 20 points" in told
    assert "gradient 2.0 points per km" in told


def test_change_and_centre_line_are_layers_with_their_legend(opened: Any) -> None:
    pick(opened, "symbols", "change:1984")
    by_id(opened, "centre").click()
    legend = opened.find_element(By.CSS_SELECTOR, "section.legend").text
    assert "rose; the larger, the greater the change" in legend
    assert "halfway between the frequencies of its two ends" in legend
    marks = opened.execute_script(
        "return [...morphmap.maps.views.first.markers.values()]"
        ".map(m => [m.options.shape, m.options.radius, m.options.weight])"
    )
    # By hand: +18 points and not sure, −16 points and sure; the direction by shape, the size by difference.
    assert marks == [["^", pytest.approx(3.5 + 8 * 0.1833 / 0.4, rel=0.01), 1],
                     ["v", pytest.approx(3.5 + 8 * 0.16 / 0.4, rel=0.01), 2.5]]  # fmt: skip
    assert opened.find_elements(By.CSS_SELECTOR, ".leaflet-first-lines-pane path[stroke-dasharray='9 4'], "
                                ".leaflet-first-lines path, [class*=first-lines] path")  # fmt: skip
    heads = [head.text for head in opened.find_elements(By.CSS_SELECTOR, "#sites-table thead th") if head.text]
    assert "Change, points" in heads


def test_side_by_side_maps_move_together_each_with_its_own_trait(opened: Any) -> None:
    pick(opened, "how", "beside")
    Select(by_id(opened, "second")).select_by_visible_text("Pink")
    settled(opened)
    assert text_of(opened, "first-title") == "Yellow, Cepaea nemoralis"
    assert text_of(opened, "second-title") == "Pink, Cepaea nemoralis"
    assert text_of(opened, "shown-second").startswith("Compared with: Pink, among shells scored for colour.")
    assert opened.execute_script("return [...morphmap.maps.views.second.markers.keys()]") == [1, 0]
    centres = (
        "return [morphmap.maps.first, morphmap.maps.second()]"
        ".map(m => [m.getCenter().lat, m.getCenter().lng, m.getZoom()])"
    )
    by_id(opened, "map_second").send_keys(Keys.ARROW_LEFT)
    settled(opened)
    one, other = opened.execute_script(centres)
    assert one == pytest.approx(other, abs=1e-3)
    opened.execute_script("morphmap.maps.first.setView([46.05, 5.7], 10, { animate: false })")
    one, other = opened.execute_script(centres)
    assert one == pytest.approx([46.05, 5.7, 10], abs=1e-3)
    assert other == pytest.approx(one, abs=1e-3)
    assert len(opened.find_elements(By.CSS_SELECTOR, "[data-chart]")) == 4
    row = opened.find_element(By.XPATH, "//*[@id='site-rows']//tr[th/button[text()='Upper ford']]")
    assert "75%" in row.text  # the second trait's frequency


def test_swiping_cuts_the_second_trait_off_by_keyboard(opened: Any) -> None:
    pick(opened, "how", "swipe")
    assert text_of(opened, "first-title") == "Left: Yellow, Cepaea nemoralis"
    assert text_of(opened, "swiped-title") == "Right: Pink, Cepaea nemoralis"
    cut = by_id(opened, "cut")
    for _ in range(5):
        cut.send_keys(Keys.ARROW_RIGHT)
    assert opened.execute_script("return morphmap.state.cut") == 55
    left, right, width, corner = opened.execute_script(
        "const m = morphmap.maps.first, edge = n => m.getPane(n).style.clipPath.match(/-?[\\d.]+px/g).map(parseFloat);"
        "return [edge('first-sites'), edge('swiped-sites'), m.getSize().x, m.containerPointToLayerPoint([0, 0]).x];"
    )
    # Corners of the strips, left to right: 0 to 55% of the width, and 55% to all of it.
    assert (left[0], left[2]) == (pytest.approx(corner), pytest.approx(corner + 0.55 * width, abs=0.5))
    assert (right[0], right[2]) == (pytest.approx(corner + 0.55 * width, abs=0.5), pytest.approx(corner + width))
    assert "Where Yellow on the left meets Pink on the right" in cut.get_attribute("aria-label")
