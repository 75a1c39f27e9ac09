"""A district's report: what is told of it, what isn't, and how the page is built."""

from __future__ import annotations

import math
import re
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pandas as pd
import pytest

from morphcline.language import Language, speaking
from morphcline.render.report.district_page import DistrictData, render_district
from morphcline.render.report.parts import ShownFigure
from morphcline.render.report.topics import district

NAN = math.nan
SPECIES = "Cepaea nemoralis"


def row(**changes: Any) -> dict[str, Any]:
    return {
        "district": "West", "species": SPECIES, "trait": "yellow", "denominator": "shells scored for colour",
        "count": 60, "total": 400, "sites": 12, "frequency": 0.15, "low": 0.11, "high": 0.2, "rho": 0.05,
        "rho_of": "district", "rest_count": 500, "rest_total": 1000, "rest_sites": 40, "rest_frequency": 0.5,
        "rest_low": 0.45, "rest_high": 0.55, "difference": -0.35, "difference_low": -0.42, "difference_high": -0.28,
        "p": 1e-6, "p_holm": 2e-6, "not_told_because": "",
    } | changes  # fmt: skip


NOTHING = dict.fromkeys(("frequency", "low", "high", "rho", "difference", "p", "p_holm"), NAN)


def tables(*rows: dict[str, Any], sites: int = 2) -> dict[str, pd.DataFrame]:
    names = [f"OV-{number:03d}" for number in range(1, sites + 1)]
    habitats = [
        {"district": "West", "species": SPECIES, "trait": "yellow", "habitat": "woodland", "count": 30, "total": 200,
         "sites": 6, "frequency": 0.15, "low": 0.1, "high": 0.21}
    ]  # fmt: skip
    return {
        "districts": pd.DataFrame(list(rows)),
        "district_habitats": pd.DataFrame(habitats),
        "sites": pd.DataFrame(
            {"site": names, "habitat": "woodland", "habitat_noted": "scrub", "seen_not_counted": 3, "blur_m": 1000.0,
             "x_m": 0.0, "y_m": 0.0}
        ),
        "samples": pd.DataFrame({"site": names, "species": SPECIES, "shells": 25, "enough": True}),
        "accepted": pd.DataFrame({"site": names}),
        "flagged": pd.DataFrame({"site": names, "flag_code": "habitat-disagrees"}),
    }  # fmt: skip


def data(told: dict[str, pd.DataFrame], **changes: Any) -> DistrictData:
    settings = {
        "scoring": {"species": [SPECIES], "confidence": 0.95},
        "publish": {"blur_m": 1000.0},
        "report": {"holder": "Orsel society", "contact": "shells@orsel.example", "licence": "CC-BY-4.0"},
    }
    return DistrictData(
        **{
            "name": "West", "title": "Orsel survey", "period": "2024", "settings": settings, "tables": told,
            "figures": [ShownFigure("sites_cepaea-nemoralis", "data:,", "A map of sites.", "Sites as circles.")],
            "crossing": [], "fitted": True, "larger_square_m": None, "among": "Yellow is counted among shells.",
            "region": "../report.html", "version": "1",
        }
        | changes
    )  # fmt: skip


def text_of(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page.partition("</style>")[2]))


def test_the_difference_from_the_rest_comes_with_interval_n_and_how_sure() -> None:
    page = text_of(render_district(data(tables(row(), row(trait="unbanded", p_holm=0.3)))))
    assert (
        "−35 percentage points (−42 to −28) in the frequency of yellow from the rest of the region, 15% here (400 "
        "shells from 12 sites) and 50% elsewhere (1,000 shells from 40 sites; p &lt; 0.001 by Holm's correction over "
        "districts). [well supported]"
    ) in page.replace("&#39;", "'")
    assert "no difference was seen" in page


def test_no_difference_seen_is_not_called_none() -> None:
    (told,) = district.findings([row(p_holm=0.4)])[1:]
    assert told.text == (
        "Cepaea nemoralis: no difference from the rest of the region was seen in yellow, which doesn't show that there "
        "is none (smallest p = 0.40)."
    )
    assert told.certainty == "uncertain"


def test_too_few_shells_are_counted_and_given_no_percentage() -> None:
    few = row(count=3, total=9, sites=1, not_told_because="fewer shells than a sample needs", **NOTHING)
    page = text_of(render_district(data(tables(few))))
    assert "too few shells or sites for a frequency (9 shells from 1 site). [uncertain]" in page
    assert "Too few shells or sites for a frequency: yellow 3 of 9 shells from 1 site." in page
    assert not re.search(r"33\.?\d*%", page)


def test_a_district_without_sites_says_so() -> None:
    page = text_of(render_district(data(tables(row(total=0, **NOTHING), sites=0), figures=[])))
    assert "No site of the survey is known to lie in this district" in page


def test_squares_larger_than_the_district_and_clines_that_cross_it_are_told() -> None:
    cline = {"species": SPECIES, "trait": "yellow", "width_m": 7000.0, "width_low": 4300.0, "width_high": 10_000.0}
    crossing = [cline | {"shells": 1000, "sites": 50}]
    page = text_of(render_district(data(tables(row()), larger_square_m=1000.0, crossing=crossing)))
    assert "The square that hides a site here, 1 km on a side, is larger than the district itself" in page
    assert "over the region the cline is 7 km (4.3 to 10 km) wide (1,000 shells from 50 sites)." in page
    assert "No centre line of a cline passes through" in text_of(render_district(data(tables(row()))))


class _Landmarks(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_the_page_has_a_language_landmarks_headed_tables_and_alternative_texts() -> None:
    found = _Landmarks()
    found.feed(render_district(data(tables(row()))))
    names = [tag for tag, _ in found.tags]
    assert ("html", {"lang": "en"}) in found.tags
    assert names.count("main") == names.count("header") == names.count("h1") == 1
    assert all(attributes.get("scope") == "col" for tag, attributes in found.tags if tag == "th")
    assert all(attributes.get("alt") for tag, attributes in found.tags if tag == "img")
    assert names.count("table") == names.count("caption") > 0
    levels = [int(tag[1]) for tag in names if re.fullmatch(r"h[1-4]", tag)]
    assert all(after <= before + 1 for before, after in pairwise(levels))
    links = [attributes["href"] for tag, attributes in found.tags if tag == "a"]
    assert links == ["../report.html"]


def test_holder_contact_and_licence_are_named() -> None:
    page = render_district(data(tables(row())))
    for told in ("Data held by Orsel society.", "Questions go to shells@orsel.example.", "data: CC-BY-4.0."):
        assert told in page


#: Words that no French sentence of a report holds.
ENGLISH = re.compile(r"\b(the|of|and|with|from|which|that|is|are|were|was|not|by|for|this|these|than|where|at)\b")


@pytest.mark.parametrize("told", [row(), row(p_holm=0.4), row(count=3, total=9, sites=1, **NOTHING)])
def test_in_french_nothing_of_the_page_stays_english(told: dict[str, Any]) -> None:
    with speaking(Language("fr")):
        page = render_district(data(tables(told | {"denominator": "coquilles"}), title="Orsel", among="", figures=[]))
    assert '<html lang="fr">' in page
    shown = text_of(page.partition('id="cautions"')[0].replace("shells@orsel.example", ""))
    assert ENGLISH.findall(shown) == []
    assert "points de pourcentage" in shown or "trop peu de coquilles" in shown
