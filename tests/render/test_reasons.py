"""Reasons that tables hold in English are said in the language in force, numbers kept."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import morphcline
from morphcline.language import Language, again, speaking
from morphcline.records.differentiation import differentiation
from morphcline.render.reasons import REASONS, reason, said_reason
from morphcline.stats import autocorrelation
from morphcline.study.scoring import Scoring

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


def test_why_sites_or_habitats_cannot_be_told_apart_is_said() -> None:
    rows = pd.DataFrame(
        {"site": "A", "species": "Cepaea nemoralis", "trait": ["yellow", "pink"], "count": [10, 14], "total": 24,
         "enough": True}
    )  # fmt: skip
    scoring = Scoring(species=("Cepaea nemoralis",))
    table = differentiation(
        rows, pd.Series({"A": "scrub"}), scoring, rng_of=lambda species, trait: np.random.default_rng(1)
    )
    notes = list(dict.fromkeys(table["note"]))
    with speaking(FRENCH):
        assert [reason(note) for note in notes] == [
            "il y a moins de deux sites", "il y a moins de deux habitats à deux sites",
        ]  # fmt: skip


def test_an_unknown_reason_stays_as_it_is() -> None:
    with speaking(FRENCH):
        assert reason("odd {thing}") == "odd {thing}"
        assert reason("") == ""
        assert again(said_reason("no shell has it")) == "aucune coquille ne le présente"


@pytest.mark.parametrize(
    ("module", "function"),
    [
        ("stats/autocorrelation.py", "_reason"),
        ("stats/clines.py", "_why_not"),
        ("stats/isolation.py", "_why_not"),
        ("stages/surfaces.py", "_why_not"),
    ],
)
def test_every_reason_that_the_program_can_give_is_known(module: str, function: str) -> None:
    tree = ast.parse((Path(morphcline.__file__).parent / module).read_text(encoding="utf-8"))
    (found,) = (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name == function)
    given = [_with_numbers(node.value) for node in ast.walk(found) if isinstance(node, ast.Return)]
    told = [text for text in given if text]
    assert len(told) > 1
    assert [text for text in told if said_reason(text).message not in REASONS] == []


def _with_numbers(node: ast.expr | None) -> str:
    """Return a literal text, with 7 for each value that is put into it."""
    if isinstance(node, ast.JoinedStr):
        parts = ast.iter_child_nodes(node)
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "7" for part in parts)
    assert isinstance(node, ast.Constant), ast.dump(node) if node else "no value"
    return str(node.value)
