"""Every example in a docstring is run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import morphcline

MODULES = sorted(
    found.name for found in pkgutil.walk_packages(morphcline.__path__, "morphcline.") if "__main__" not in found.name
)


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.failed == 0


def test_there_are_examples() -> None:
    examples = doctest.DocTestFinder().find(importlib.import_module("morphcline.render.numbers"))
    assert sum(len(test.examples) for test in examples) > 10
