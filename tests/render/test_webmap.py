"""The page as a file: self-contained, the same each time, safe against text in records, in words without a script."""

from __future__ import annotations

import base64
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from rasterio.transform import from_origin

from made_pages import ATTACK, NEMORALIS, many_sites
from morphcline.language import Language, speaking
from morphcline.render.palettes import frequency_colours
from morphcline.render.webmap import PageData, draw_grid, render_page
from morphcline.render.webmap.cells import MOST_CELLS, pool_into_cells
from morphcline.render.webmap.leaflet import leaflet_script, leaflet_style
from morphcline.render.webmap.payload import PALETTE_STEPS, palette, survey_payload
from morphcline.render.webmap.plain import as_script_value


class Seen(HTMLParser):
    """Collects everything a page could fetch or lead to, and the text outside scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.references: list[str] = []
        self.text = ""
        self._open = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.references += [value or "" for name, value in attrs if name in {"src", "href", "data", "action", "srcset"}]
        self._open = tag

    def handle_endtag(self, tag: str) -> None:
        self._open = ""

    def handle_data(self, data: str) -> None:
        if self._open not in {"script", "style"}:
            self.text += data


def test_the_page_refers_to_nothing_outside(page_data: PageData) -> None:
    page = render_page(page_data)
    assert [found for found in Seen(page).references if not found.startswith(("data:", "#"))] == []
    without_library = page.replace(leaflet_script(), "").replace(leaflet_style(), "")
    assert not re.search(r"https?://(?!www\.w3\.org/)", without_library)
    assert not [url for url in re.findall(r"url\(([^)]*)\)", page) if not url.startswith(("data:", "#"))]
    assert "default-src 'none'" in page
    assert "user-scalable=no" not in page
    assert '<html lang="en">' in page


def test_the_page_is_the_same_each_time(page_data: PageData) -> None:
    assert render_page(page_data) == render_page(page_data)


def test_the_page_says_what_it_shows_without_a_script(page_data: PageData) -> None:
    text = " ".join(Seen(render_page(page_data)).text.split())
    assert "Orsel <valley> shell survey" in text
    assert (
        "Yellow, among shells scored for colour. Cepaea nemoralis: 5 sites, 118 shells, 2019 to 2024. "
        "In the region: 50% (95% interval 41 to 59%)."
    ) in text
    # The region's frequencies stand in the page as well: a row for each species and trait.
    assert re.search(r"Cepaea nemoralis\s*Mid-banded\s*banded shells\s*1\s*2 of 8\s*50%\s*41 to 59%", text)
    assert "The places of 1 site are withheld" in text
    assert "Put live snails back" in text


def test_text_from_records_cannot_leave_the_script(page_data: PageData) -> None:
    page = render_page(page_data)
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


def pixels(source: str) -> np.ndarray:
    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(base64.b64decode(source.removeprefix("data:image/png;base64,")))))


def test_a_surface_lies_where_it_should_and_holds_its_numbers() -> None:
    from pyproj import Transformer

    frequency = np.array([[0.25, np.nan], [0.25, 1.0]])
    error = np.array([[0.05, np.nan], [0.05, 0.9]])
    grid = draw_grid(
        frequency, error, transform=from_origin(900_000, 6_502_000, 1000, 1000), crs="EPSG:2154",
        gradient=np.array([[0.02, np.nan], [0.0, 0.5]]), zone=np.array([[0, np.nan], [1, 2]]), steepest=0.04,
    )  # fmt: skip
    longitude, latitude = Transformer.from_crs("EPSG:2154", "EPSG:4326", always_xy=True).transform(901_000, 6_501_000)
    assert grid.west < longitude < grid.east
    assert grid.south < latitude < grid.north
    assert grid.east - grid.west == pytest.approx(2000 / 78_000, rel=0.1)  # a degree here is some 78 km
    red, green, blue = (pixels(grid.source)[..., band] for band in range(3))
    top_left, bottom_right = (1, 1), (-2, -2)
    # By hand: 0.25 of 250 steps is 62 or 63; 0.05 of 0.25 is 50 of 250; half the scale of 62 steps is 31.
    assert red[top_left] in (62, 63)
    assert green[top_left] == 50
    assert blue[top_left] == 31
    assert (red[bottom_right], green[bottom_right], blue[bottom_right]) == (250, 250, 62 + 128)
    assert (red[1, -2], green[1, -2], blue[1, -2]) == (255, 255, 255)
    assert grid.steep
    assert not draw_grid(frequency, error, transform=from_origin(0, 0, 1, 1), crs="EPSG:2154").steep


def test_counts_and_intervals_come_back_out_of_the_page(page_data: PageData) -> None:
    payload = survey_payload(page_data)
    names, combinations = payload["sites"]["name"], payload["combinations"]
    found = {
        (one["name"], trait["key"], names[site]): combinations[which]
        for one in payload["species"]
        for trait in one["traits"]
        for site, which in enumerate(trait["counts"])
        if which >= 0
    }
    rows = page_data.frequencies
    assert found == {
        (row.species, row.trait, row.site): [row.count_, row.total, row.low, row.high]
        for row in rows.rename(columns={"count": "count_"}).itertuples()
    }


def test_a_withheld_place_is_nowhere_in_the_page(page_data: PageData) -> None:
    sites = survey_payload(page_data)["sites"]
    at = sites["name"].index("North quarry")
    assert [sites[name][at] for name in ("lat", "lon", "x", "y", "blur", "radius")] == [None] * 6


def test_many_sites_give_way_to_squares_that_hold_all_their_shells() -> None:
    data = many_sites(12_000)
    payload = survey_payload(data)
    assert payload["cells"]["sites"] == 12_000
    assert len(payload["sites"]["name"]) <= MOST_CELLS
    for trait in payload["species"][0]["traits"]:
        rows = data.frequencies[data.frequencies["trait"] == trait["key"]]
        drawn = [payload["combinations"][which] for which in trait["counts"] if which >= 0]
        assert sum(count for count, *_ in drawn) == rows["count"].sum()
        assert sum(total for _, total, *_ in drawn) == rows["total"].sum()
        assert sum(trait["pooled"]) == 12_000
        # Sites within a square differ: no interval is made up for it.
        assert {tuple(limits) for _, _, *limits in drawn} == {(None, None)}
    # What occurs many times stands once.
    assert len({tuple(counts) for counts in payload["combinations"]}) == len(payload["combinations"])
    assert "12,000 sites" in payload["species"][0]["traits"][0]["statement"]
    assert "pooled in squares of" in render_page(data)


def test_squares_are_the_smallest_round_ones_that_are_few_enough() -> None:
    places = np.stack(np.meshgrid(np.arange(10), np.arange(10)), axis=-1).reshape(-1, 2) * 1000.0 + 50
    names = [f"s{place}" for place in range(100)]
    sites = pd.DataFrame({"site": names, "x_m": places[:, 0], "y_m": places[:, 1], "blur_m": 0.0})
    rows = pd.DataFrame({"species": NEMORALIS, "trait": "yellow", "site": names, "count": 1, "total": 2})
    # By hand: 100 places a kilometre apart fall into 100 squares of 1 km, 25 of 2 km, 4 of 5 km.
    assert pool_into_cells(sites, rows, most=100).side_m == 100
    cells = pool_into_cells(sites, rows, most=30)
    assert cells.side_m == 2000
    assert len(cells.cells) == 25
    assert set(cells.frequencies["count"]) == {4}
    assert cells.corners()[0].tolist() == [[0, 0], [2000, 0], [2000, 2000], [0, 2000]]
    # Squares that hide places are never cut finer.
    assert pool_into_cells(sites.assign(blur_m=5000.0), rows, most=100).side_m == 5000


def test_the_page_speaks_the_language_in_force(page_data: PageData) -> None:
    with speaking(Language("fr")):
        page = render_page(page_data)
    assert '<html lang="fr">' in page
    text = " ".join(Seen(page).text.split())
    assert "Jaune, parmi les" in text
    assert "Dans la région" in text
    text = text.split("À garder à l’esprit")[0]  # what follows is said by all parts of the package
    # The survey's own sentences were given in English; the page adds none of its own.
    for given in ("Orsel <valley> shell", page_data.wording.blank, page_data.wording.places, page_data.wording.outline):
        text = text.replace(given, "")
    assert re.findall(r"\b(?:the|shells?|steeper|frequency|place|than)\b", text) == []


def test_every_message_of_the_script_has_its_words_in_french() -> None:
    from morphcline.render.webmap.messages import script_messages

    english = script_messages()
    with speaking(Language("fr")):
        french = script_messages()
    alike = {"named", "clauses", "range", "ofShells", "distance"}
    assert english.keys() == french.keys()
    same = {key for key in english if english[key] == french[key]} - alike
    assert same <= {"site", "habitat", "sites"}
    for key, text in english.items():
        for form, words in text.items() if isinstance(text, dict) else [("", text)]:
            other = french[key][form] if isinstance(french[key], dict) else french[key]
            assert set(re.findall(r"\{\w+\}", words)) == set(re.findall(r"\{\w+\}", other)), key


def test_a_survey_without_anything_judged_still_gives_a_page(page_data: PageData) -> None:
    empty = replace(
        page_data, frequencies=page_data.frequencies.iloc[:0], grids={}, profiles={}, correlograms={}, centres={},
        contours={}, change=page_data.change.iloc[:0], regional=page_data.regional.iloc[:0],
    )  # fmt: skip
    assert "No shells were judged for any trait." in render_page(empty)
