"""The page in a real browser: searching, the table, links to a view, files of the rows shown, linked charts."""

from __future__ import annotations

import csv
import io
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from made_pages import ATTACK, HORTENSIS, NEMORALIS, many_sites, open_anew
from morphcline.language import Language, speaking
from morphcline.render.webmap import PageData, render_page
from page_reading import by_id, names_in_table, pick, text_of

pytestmark = pytest.mark.browser


def test_search_finds_a_site_by_keyboard(opened: Any) -> None:
    field = by_id(opened, "search")
    field.send_keys("l")
    options = [option.text for option in opened.find_elements(By.CSS_SELECTOR, "#search-list li")]
    # Every name with an l in it, in order: none begins with it.
    assert options == [ATTACK, "Chapel lane", "Mill bank", "Owl wood"]
    assert text_of(opened, "search-told") == "4 sites found"
    field.send_keys(Keys.ARROW_DOWN, Keys.ARROW_DOWN)
    assert field.get_attribute("aria-activedescendant") == "search-option-1"
    field.send_keys(Keys.ENTER)
    assert text_of(opened, "card-told").splitlines() == ["Chapel lane", "Yellow: No shells were judged for this here."]
    assert field.get_attribute("aria-expanded") == "false"
    field.clear()
    field.send_keys("zzz")
    assert text_of(opened, "search-told") == "No site has this in its name."


def test_the_table_sorts_and_filters(opened: Any) -> None:
    head = opened.find_element(By.CSS_SELECTOR, "th[data-sort=frequency]")
    head.find_element(By.TAG_NAME, "button").click()
    assert head.get_attribute("aria-sort") == "descending"
    assert names_in_table(opened) == ["Owl wood", ATTACK, "Mill bank", "North quarry", "Upper ford"]
    head.find_element(By.TAG_NAME, "button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    assert names_in_table(opened)[0] == "Upper ford"
    by_id(opened, "find").send_keys("o")
    assert names_in_table(opened) == ["Upper ford", "North quarry", ATTACK, "Owl wood"]
    assert text_of(opened, "rows-told") == "1 to 4 of 4 sites"
    Select(by_id(opened, "habitat-filter")).select_by_visible_text("woodland")
    assert names_in_table(opened) == ["Upper ford", "Owl wood"]
    least = by_id(opened, "least")
    least.clear()
    least.send_keys("21")
    assert names_in_table(opened) == ["Owl wood"]
    Select(by_id(opened, "group-filter")).select_by_visible_text("Low among low")
    assert names_in_table(opened) == []
    assert text_of(opened, "rows-told") == "0 sites found"
    by_id(opened, "again").click()
    assert len(names_in_table(opened)) == 5


def test_a_link_brings_a_view_back(opened: Any, written_page: str) -> None:
    Select(by_id(opened, "trait")).select_by_visible_text("Pink")
    pick(opened, "how", "swipe")
    Select(by_id(opened, "second")).select_by_value(json.dumps([HORTENSIS, "yellow"], separators=(",", ":")))
    pick(opened, "area", "error")
    by_id(opened, "find").send_keys("ford")
    opened.find_element(By.CSS_SELECTOR, "th[data-sort=total] button").click()
    opened.execute_script("morphmap.show({ site: morphmap.siteNamed('Upper ford'), cut: 30 })")
    opened.execute_script("morphmap.maps.first.setView([46.05, 5.7], 10, { animate: false })")
    address = opened.execute_script("return location.href")
    state = opened.execute_script("return morphmap.state")
    assert "#" in address
    open_anew(opened, address)
    assert opened.execute_script("return morphmap.state") == state
    assert Select(by_id(opened, "trait")).first_selected_option.text == "Pink"
    assert text_of(opened, "card-told").splitlines()[0] == "Upper ford"
    assert names_in_table(opened) == ["Upper ford"]
    assert opened.execute_script("return morphmap.maps.first.getZoom()") == 10
    # A link typed while the page is open is followed too.
    opened.execute_script("location.hash = '#species=Cepaea+hortensis&trait=yellow'")
    WebDriverWait(opened, 5).until(lambda page: HORTENSIS in text_of(page, "shown"))


@pytest.mark.parametrize(
    "garbage",
    ["#", "#%E0%A4%A", "#species=Helix&trait=7&how=sideways&at=a,b,c&site=__proto__&cut=-9&least=x&sort=constructor",
     "#at=1e9,0,99&with=nothing&how=swipe&area=toString&symbols=change:2099", "#<script>alert(1)</script>"],
)  # fmt: skip
def test_a_broken_link_still_shows_something(browser: Any, written_page: str, garbage: str) -> None:
    open_anew(browser, written_page + garbage)
    assert text_of(browser, "shown").startswith("Yellow, among shells scored for colour. Cepaea nemoralis")
    assert browser.execute_script("return morphmap.maps.first.getZoom()") > 1
    assert browser.get_log("browser") == []


def test_the_link_is_shown_where_it_cannot_be_copied(opened: Any) -> None:
    opened.execute_script("Object.defineProperty(navigator, 'clipboard', { value: undefined, configurable: true })")
    by_id(opened, "copy").click()
    field = WebDriverWait(opened, 5).until(
        lambda page: by_id(page, "link") if by_id(page, "link").is_displayed() else None
    )
    assert field.get_attribute("value").endswith("#species=Cepaea+nemoralis&trait=yellow")
    assert opened.execute_script("return document.activeElement.id") == "link"


@pytest.fixture
def saved(opened: Any, tmp_path: Path) -> Iterator[Any]:
    opened.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)})

    def save(button: str, name: str) -> str:
        by_id(opened, button).click()
        for _ in range(50):
            if (tmp_path / name).is_file():
                return (tmp_path / name).read_bytes().decode("utf-8")
            time.sleep(0.1)
        raise AssertionError(f"{name} was not saved: {list(tmp_path.iterdir())}")

    yield save
    opened.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "default"})


def test_the_rows_shown_are_saved_under_the_strict_policy(opened: Any, saved: Any) -> None:
    by_id(opened, "find").send_keys("o")
    rows = list(csv.DictReader(io.StringIO(saved("save-csv", "cepaea-nemoralis_yellow.csv"))))
    assert [row["site"] for row in rows] == [ATTACK, "North quarry", "Owl wood", "Upper ford"]
    names = ("species", "trait", "count", "total", "frequency", "low", "high", "enough")
    assert {name: rows[3][name] for name in names} == {
        "species": NEMORALIS, "trait": "yellow", "count": "5", "total": "20", "frequency": "0.25", "low": "0.112",
        "high": "0.469", "enough": "True",
    }  # fmt: skip
    assert (rows[3]["group"], rows[3]["habitat"], rows[3]["temperature_c"]) == ("low among low", "woodland", "10")
    assert (rows[1]["longitude"], rows[1]["latitude"]) == ("", "")
    features = json.loads(saved("save-geojson", "cepaea-nemoralis_yellow.geojson"))["features"]
    assert features[3]["geometry"] == {"type": "Point", "coordinates": [5.6, 46]}
    assert features[1]["geometry"] is None


def test_the_profile_is_stepped_through_by_keyboard(opened: Any) -> None:
    chart = opened.find_element(By.CSS_SELECTOR, "[data-chart=profile] .chart-frame")
    chart.send_keys(Keys.ARROW_RIGHT)
    told = opened.find_element(By.CSS_SELECTOR, "[data-chart=profile] .told")
    assert told.text == "Mill bank: −11 km, 33% of 3 shells"
    chart.send_keys(Keys.ARROW_RIGHT)
    assert told.text == "Upper ford: −3 km, 25% of 20 shells"
    assert opened.find_element(By.CSS_SELECTOR, "#site-rows tr.pointed button").text == "Upper ford"
    assert opened.execute_script("return morphmap.maps.views.first.pointed") == 0
    chart.send_keys(Keys.ENTER)
    assert text_of(opened, "card-told").splitlines()[0] == "Upper ford"


def test_the_correlogram_tells_significance_by_its_points_filling(opened: Any) -> None:
    fills = opened.execute_script(
        "return [...document.querySelectorAll('[data-chart=correlogram] .chart circle[r=\"5\"]')]"
        ".map(c => c.getAttribute('fill'))"
    )
    assert fills == ["#0b4f8a", "#ffffff", "#ffffff"]
    chart = opened.find_element(By.CSS_SELECTOR, "[data-chart=correlogram] .chart-frame")
    chart.send_keys(Keys.HOME)
    told = opened.find_element(By.CSS_SELECTOR, "[data-chart=correlogram] .told").text
    assert told == "0 m to 4 km: Moran's I 0.60, 12 pairs of sites, significant"
    opened.find_element(By.CSS_SELECTOR, "[data-chart=correlogram] summary").click()
    cells = [
        cell.text for cell in opened.find_elements(By.CSS_SELECTOR, "[data-chart=correlogram] tbody tr:last-child td")
    ]
    assert cells == ["8.0 to 12.0", "−0.30", "9", "not significant"]


def test_ticks_of_a_short_axis_are_told_apart(opened: Any) -> None:
    ticks = (
        "const chart = morphmap.frame(600, { from: 0, to: arguments[0], low: 0, high: 1, xTitle: '', yTitle: '',"
        " yText: () => '' });"
        "return [...chart.picture.querySelectorAll('text')].map(t => t.textContent).filter(Boolean);"
    )
    assert opened.execute_script(ticks, 0.2) == ["0", "0.05", "0.1", "0.15", "0.2"]
    assert opened.execute_script(ticks, 3000) == ["0", "500", "1,000", "1,500", "2,000", "2,500", "3,000"]


def test_a_chosen_row_stays_the_current_one_when_it_was_pointed_at(opened: Any) -> None:
    opened.execute_script("morphmap.show({ site: 0 }); morphmap.tell('hover', 0); morphmap.tell('hover', null);")
    row = opened.find_element(By.CSS_SELECTOR, "#site-rows tr.chosen")
    assert row.get_attribute("aria-current") == "true"


def test_the_page_in_french(browser: Any, tmp_path: Path, page_data: PageData) -> None:
    path = tmp_path / "map.html"
    with speaking(Language("fr")):
        path.write_text(render_page(page_data), encoding="utf-8")
    open_anew(browser, path.as_uri())
    assert browser.execute_script("return document.documentElement.lang") == "fr"
    browser.execute_script("morphmap.show({ site: morphmap.siteNamed('Upper ford') })")
    assert (
        by_id(browser, "card-told").find_element(By.TAG_NAME, "p").text.replace("\u202f", " ")
        == "Jaune : 25 % de 20 coquilles"
    )
    assert "10,0\u00a0°C" in by_id(browser, "card-rest").get_property("textContent")
    assert browser.get_log("browser") == []


@pytest.mark.slow
def test_thousands_of_sites_come_a_page_at_a_time_and_more_as_squares(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "map.html"
    path.write_text(render_page(many_sites(10_000)), encoding="utf-8")
    open_anew(browser, path.as_uri())
    assert browser.execute_script("return morphmap.maps.views.first.markers.size") == 10_000
    assert len(names_in_table(browser)) == 100
    assert text_of(browser, "rows-told") == "1 to 100 of 10,000 sites"
    by_id(browser, "page-next").click()
    assert text_of(browser, "rows-told") == "101 to 200 of 10,000 sites"
    browser.execute_script("morphmap.show({ site: morphmap.siteNamed('S009999') })")
    assert text_of(browser, "rows-told").startswith("9,901 to 10,000")
    path.write_text(render_page(many_sites(10_001)), encoding="utf-8")
    open_anew(browser, path.as_uri())
    assert "too many to tell apart" in text_of(browser, "cells-note")
    drawn = browser.execute_script("return morphmap.maps.views.first.markers.size")
    assert 0 < drawn <= 3000
    assert browser.get_log("browser") == []
