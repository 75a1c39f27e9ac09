"""Reasons that tables hold in English are said in the language in force, numbers kept."""

from __future__ import annotations

import numpy as np
import pytest

from morphcline.language import Language, again, speaking
from morphcline.render.reasons import REASONS, reason, said_reason
from morphcline.stats import autocorrelation

FRENCH = Language("fr")


@pytest.mark.parametrize("message", REASONS)
def test_every_reason_is_said_in_french_with_its_numbers(message: str) -> None:
    values = {"found": "3", "needed": "17", "missing": "4", "sites": "29"}
    text = message.format(**values)
    with speaking(FRENCH):
        told = reason(text)
    assert told != text
    assert [value for value in values.values() if f" {value} " in f" {text.replace(';', ' ').replace(',', ' ')} "] == [
        value for value in values.values() if value in told
    ]


def test_a_reason_that_a_computation_gives_is_known() -> None:
    _, (constant,) = autocorrelation.centre(np.ones((12, 1)))
    _, (few,) = autocorrelation.centre(np.arange(4.0)[:, None])
    with speaking(FRENCH):
        assert reason(constant) == "tous les sites ont la même valeur"
        assert reason(few) == "4 sites seulement peuvent être comparés, et il en faut au moins 10"


def test_an_unknown_reason_stays_as_it_is() -> None:
    with speaking(FRENCH):
        assert reason("odd {thing}") == "odd {thing}"
        assert reason("") == ""
        assert again(said_reason("no shell has it")) == "aucune coquille ne le présente"
