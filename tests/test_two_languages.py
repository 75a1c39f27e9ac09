"""A whole run in French leaves no English: not in the reports, the page, the figures, the notes or the plan.

What stays as it is: the bibliography, keys of the study file, names of files, Latin names, and the study's own words.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from morphcline import noting, planner, runner
from morphcline.catalogue import extracted
from morphcline.language import Language, catalogue_of
from morphcline.study import load_study
from page_texts import texts_of_page

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]
#: What the study says itself, in its own language: title, holder, districts, classes of habitat.
OWN = "Coquilles du val d’Orsel, Association d’Orsel, Lower Middle Upper Tarnhow Common, arable"
#: Names that the catalogue leaves to values: species, CRS, software; files of figures.
NAMES = "Cepaea nemoralis hortensis RGF Lambert EPSG morphcline Leaflet; bandwidth morphs variogram"
#: Placeholders, symbols, keys, names of files, addresses, and the names that the software gives to nameless sites.
NO_WORDS = re.compile(
    r"\{\w+\}|\$[^$]*\$|\[\[?[\w.]+\]?\]|`[^`]*`|[\w./-]+\.(?:csv|gpkg|json|tif|xlsx|html)\b|\bstac/|CC-BY|\S+@\S+|"
    r"\bunnamed \d{4}\b"
)
#: Words of English that are none of French, and so frequent that no sentence does without them.
ENGLISH = re.compile(
    r"\b(?:the|of|and|with|from|by|is|are|was|were|to|for|in|at|not|its|each|than|which|where|that|this|it|as|shells?|"
    r"banded|unbanded|yellow|pink|brown|known|none|now|since|other)\b",
    re.IGNORECASE,
)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the output folder of the demo, its study told to speak French, with notes and plan."""
    folder = tmp_path_factory.mktemp("french")
    text = (ROOT / "config/demo.toml").read_text(encoding="utf-8")
    for before, after in (
        ("../demo_data", (ROOT / "demo_data").as_posix()),
        ('title = "Orsel valley shell survey"', 'title = "Coquilles du val d’Orsel"'),
        ('holder = "Orsel Valley Shell Survey"', 'holder = "Association d’Orsel"'),
        ('title = "Clines of ground colour and of banding"', 'title = "Clines de la couleur et des bandes"'),
        ("permutations = 999", "permutations = 199"),
        ('formats = ["png", "svg", "pdf"]', 'formats = ["svg"]\nlanguage = "fr"'),
    ):
        assert before in text
        text = text.replace(before, after)
    path = folder / "demo.toml"
    path.write_text(text, encoding="utf-8")
    out = folder / "out"
    runner.run(path, out=out)
    noting.make_notes(load_study(path), out=out)
    planner.make_plan(load_study(path), out=out)
    return out


def of_drawing(path: Path) -> list[str]:
    """Return title, description and drawn texts, which stand as comments beside their outlines."""
    svg = path.read_text(encoding="utf-8")
    return [
        html.unescape(text)
        for text in re.findall(r"<!--(.*?)-->|<(?:title|desc|dc:title|dc:description)[^>]*>([^<]+)<", svg, re.DOTALL)
        for text in text
        if text
    ]


def of_script(path: Path) -> Iterator[str]:
    """Return the page's messages and what it says of each trait; keys and encoded numbers are no texts."""
    numbers = re.search(r'id="survey-numbers">(.*?)</script>', path.read_text(encoding="utf-8"), re.DOTALL)
    assert numbers is not None
    payload = json.loads(numbers.group(1))
    assert payload["lang"] == "fr"
    yield from strings(payload["messages"])
    yield from strings(payload["groupNames"])
    yield from payload["sites"]["habitats"]
    for species in payload["species"]:
        for trait in species["traits"]:
            yield from (trait[key] for key in ("title", "among", "statement"))
            yield from (trait[key]["text"] for key in ("profile", "correlogram") if trait[key])


def strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for item in value.values() if isinstance(value, dict) else value:
            yield from strings(item)


def of_plain_text(path: Path) -> list[str]:
    """Return the lines; those of the list of figures whose heads are the figures' file names, without these."""
    return [line for line in path.read_text(encoding="utf-8").splitlines() if not re.fullmatch(r"## [\w-]+", line)]


def without_names(text: str) -> str:
    """Return a text without placeholders, names of files and of keys, and symbols."""
    return NO_WORDS.sub(" ", text)


def words(text: str) -> set[str]:
    return {word.casefold() for word in re.findall(r"[^\W\d_]{3,}", without_names(text))}


@cache
def vocabulary() -> frozenset[str]:
    """Return the words of the French catalogue, of the study and of names."""
    french = [text for message in catalogue_of(Language("fr")) if message.id for text in forms(message.string)]
    return frozenset(words(" ".join([*french, OWN, NAMES])))


def forms(text: Any) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(text or ())


@cache
def english_messages() -> frozenset[str]:
    """Return the texts between the values of every message, of two words or more, that French doesn't share."""
    shipped = catalogue_of(Language("fr"))
    french = " | ".join(text for message in shipped if message.id for text in forms(message.string))
    pieces = {
        piece.strip(" .,:;()")
        for message in extracted()
        if message.id
        for text in forms(message.id)
        for piece in re.split(r"\{\w*\}|\n", text)
    }
    return frozenset(
        piece for piece in pieces if re.search(r"[A-Za-z]{2,}\W+[A-Za-z]{2,}", piece) and piece not in french
    )


def left_in_english(texts: Iterable[str]) -> list[str]:
    """Return the texts that hold a word of no French message, one that only English has, or an English message."""
    found = []
    for text in dict.fromkeys(texts):
        said = without_names(text)
        strange = words(said) - vocabulary()
        if strange or ENGLISH.search(said) or any(piece in said for piece in english_messages()):
            found.append(f"{text.strip()[:200]} {sorted(strange)}")
    return found


READ: dict[str, tuple[str, Callable[[Path], Iterable[str]]]] = {
    "report": ("report.html", texts_of_page),
    "districts": ("reports/*.html", texts_of_page),
    "page": ("map.html", texts_of_page),
    "its script": ("map.html", of_script),
    "figures": ("figures/*.svg", of_drawing),
    "captions": ("figures/*.txt", of_plain_text),
    "list of figures": ("figures/README.md", of_plain_text),
    "notes as pages": ("private/notes/*.html", texts_of_page),
    "notes as texts": ("private/notes/*.txt", of_plain_text),
    "plan": ("plan/plan.html", texts_of_page),
    "its map": ("plan/map.svg", of_drawing),
    "its caption": ("plan/map.txt", of_plain_text),
}


@pytest.mark.parametrize("part", READ)
def test_no_english_is_left_in_what_a_french_run_writes(run: Path, part: str) -> None:
    pattern, read = READ[part]
    paths = sorted(run.glob(pattern))
    assert paths
    texts = [text for path in paths for text in read(path)]
    assert len(words(" ".join(texts))) > 20  # there was something to read
    assert left_in_english(texts) == []


@pytest.mark.parametrize("part", READ)
def test_what_a_french_run_writes_is_set_as_french_is(run: Path, part: str) -> None:
    """A space before a colon, commas in numbers, curved apostrophes; places are written for a device to read."""
    pattern, read = READ[part]
    english = re.compile(r"[^\s\u00a0\u202f]:\s|\w'\w|[“”]|(?<![\d.])\d+\.\d+(?![\d.])")
    texts = {text for path in sorted(run.glob(pattern)) for text in read(path)}
    kept = re.compile(rf"{NO_WORDS.pattern}|-?\d+\.\d{{4}}\b|CC-BY-4\.0|F_ST")
    assert [text[:200] for text in texts if english.search(kept.sub(" ", text))] == []


def test_english_would_be_found() -> None:
    for text in ("The whole region", "Other", "Steeper than chance", "3 sites", "12 shells"):
        assert bool(left_in_english([text])) is (text != "3 sites")
