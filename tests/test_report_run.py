"""Reports of a whole run in the second language: of the region, of its districts, on paper."""

from __future__ import annotations

import re

import geopandas as gpd
import pandas as pd
import pytest
from pypdf import PdfReader
from shapely.geometry import box

from morphcline import runner
from morphcline.files.tables import read_table
from page_texts import texts_of_page
from test_chain import STUDY, a_study, rows

pytestmark = pytest.mark.slow

DISTRICTS = """language = "fr"
[report]
pdf = true
holder = "Association des coquilles"
[[report.area]]
path = "districts.gpkg"
name_from = "name"
"""
#: Words that no French sentence of a report holds.
ENGLISH = re.compile(
    r"\b(the|of|and|with|from|which|that|is|are|were|was|not|by|for|this|these|than|where|at|shells|their|its)\b"
)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> runner.RunResult:
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed")
    folder = tmp_path_factory.mktemp("french")
    west, east = box(650_000, 6_650_000, 660_000, 6_665_000), box(660_000, 6_650_000, 669_000, 6_665_000)
    lonely = box(700_000, 6_700_000, 701_000, 6_701_000)
    shapes = gpd.GeoDataFrame({"name": ["Ouest", "Est", "Nulle part"]}, geometry=[west, east, lonely], crs="EPSG:2154")
    shapes.to_file(folder / "districts.gpkg")
    return runner.run(a_study(folder, rows(24), STUDY + DISTRICTS))


@pytest.mark.parametrize("name", ["report.html", "reports/ouest.html", "reports/est.html", "reports/nulle-part.html"])
def test_no_english_is_left_in_a_french_report(run: runner.RunResult, name: str) -> None:
    page = (run.folder / name).read_text(encoding="utf-8")
    assert '<html lang="fr">' in page
    assert [text for text in texts_of_page(run.folder / name) if ENGLISH.search(text)] == []


def test_each_report_stands_beside_its_pdf_in_the_same_language(run: runner.RunResult) -> None:
    for name in ("report", "reports/ouest", "reports/est"):
        read = PdfReader(run.folder / f"{name}.pdf")
        assert read.trailer["/Root"]["/Lang"] == "fr"
        assert "Association des coquilles" in " ".join(page.extract_text() for page in read.pages).replace("\n", " ")


def test_districts_share_the_sites_among_them(run: runner.RunResult) -> None:
    sites = read_table(run.folder / "tables/sites.csv")
    exact = read_table(run.folder / "private/tables/sites.csv")
    assert list(exact["district"]) == ["Ouest" if x <= 660_000 else "Est" if x <= 669_000 else "" for x in exact["x_m"]]
    told = sites[sites["district"] != ""].merge(exact, on="site", suffixes=("", "_exact"))
    assert (told["district"] == told["district_exact"]).all()
    counted = read_table(run.folder / "tables/districts.csv")
    yellow = counted[counted["trait"] == "yellow"].set_index("district")
    shells = read_table(run.folder / "tables/frequencies.csv").merge(sites[["site", "district"]], on="site")
    shells = shells[shells["trait"] == "yellow"]
    for district in ("Ouest", "Est"):
        own = shells[shells["district"] == district]
        assert (yellow.loc[district, "count"], yellow.loc[district, "total"]) == (
            own["count"].sum(),
            own["total"].sum(),
        )
        rest = yellow.loc[district, ["rest_total"]].sum()
        assert rest == shells["total"].sum() - own["total"].sum()
    assert pd.isna(yellow.loc["Nulle part", "frequency"])


def test_the_region_lists_its_districts(run: runner.RunResult) -> None:
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert [name for name in ("ouest", "est", "nulle-part") if f'href="reports/{name}.html"' in page] == [
        "ouest", "est", "nulle-part",
    ]  # fmt: skip
