"""What all tests share: the ``--slow`` option and hypothesis profiles."""

from __future__ import annotations

import os

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
