"""The page of a small invented survey, written and open in a browser that reaches no host."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from made_pages import open_anew, survey_page
from morphcline.render.webmap import PageData, render_page


@pytest.fixture(scope="session")
def page_data() -> PageData:
    """Give what the page shows."""
    return survey_page()


@pytest.fixture(scope="session")
def written_page(page_data: PageData, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Give the address of the survey's page as a file."""
    path = tmp_path_factory.mktemp("page") / "map.html"
    path.write_text(render_page(page_data), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def opened(browser: Any, written_page: str) -> Iterator[Any]:
    """Give the browser with the page freshly open at 1280 pixels, its logs empty, no script error at the end."""
    open_anew(browser, written_page)
    yield browser
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert browser.get_log("browser") == []
