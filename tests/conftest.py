"""What all tests share: the ``--slow`` option and hypothesis profiles."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("quick", max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("ci" if os.environ.get("CI") else "quick")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="run the slow tests too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--slow"):
        return
    skip = pytest.mark.skip(reason="slow: give --slow to run it")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Give headless Chromium that can reach no host; skip where there is none, unless CI asks for one."""
    import shutil

    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    program = next(
        (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
    )
    driver = shutil.which("chromedriver")
    if program is None or driver is None:
        if os.environ.get("MORPHCLINE_REQUIRE_BROWSER"):
            pytest.fail("MORPHCLINE_REQUIRE_BROWSER is set, and there is no Chromium with its driver")
        pytest.skip("no Chromium with its driver on this machine")
    options = Options()
    options.binary_location = program
    for flag in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking",
        "--disable-component-update", "--disable-sync", "--no-first-run", "--host-resolver-rules=MAP * ~NOTFOUND",
        "--window-size=1280,1300",
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    session = webdriver.Chrome(options=options, service=Service(driver))
    yield session
    session.quit()
