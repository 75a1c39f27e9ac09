"""The methods name every source that is listed and no other, in each language, and follow the settings."""

from __future__ import annotations

import re
from typing import Any

import pytest

from morphcline.language import ENGLISH, Language, speaking
from morphcline.render.report import methods

FRENCH = Language("fr")
SETTINGS: dict[str, Any] = {
    "scoring": {"visits": "pool", "interval": "wilson", "confidence": 0.95, "min_shells": 20},
    "habitat": {"paired_within_m": 1000.0},
    "surfaces": {"degree": 1, "kernel": "gaussian", "bandwidth": "cross-validated", "cell_m": 500.0,
                 "min_effective_shells": 30.5},
    "steepness": {"permutations": 1999, "level": 0.05},
    "autocorrelation": {"neighbours": 8, "permutations": 999, "level": 0.05},
    "clines": {"axis": "best"},
    "change": {"within_m": 100.0},
}  # fmt: skip


def changed(section: str, **keys: Any) -> dict[str, Any]:
    return SETTINGS | {section: SETTINGS[section] | keys}


#: Settings under which, together, every sentence is said.
EVERY = (
    SETTINGS,
    changed("scoring", visits="latest", interval="jeffreys"),
    changed("surfaces", degree=0, bandwidth=2500.0, barriers="ridge.gpkg", mask="lake.gpkg"),
    changed("surfaces", bandwidth={"neighbours": 30}),
    changed("autocorrelation", neighbours={"within_m": 2000.0}, permutations=99_999),
    changed("clines", axis=72),
    changed("clines", axis="line.gpkg"),
)


def told(language: Language) -> list[list[str]]:
    with speaking(language):
        return [methods.paragraphs(settings) for settings in EVERY]


@pytest.mark.parametrize("language", [ENGLISH, FRENCH], ids=["en", "fr"])
def test_the_sources_named_in_the_methods_are_those_listed(language: Language) -> None:
    text = " ".join(paragraph for paragraphs in told(language) for paragraph in paragraphs)
    cited = set(re.findall(r"((?:le |van )?[A-Z][\w-]+)(?:[^().;:]|al\.){0,60}?\W((?:19|20)\d\d)\b", text))
    listed = {
        (re.match(r"((?:le |van )?\S+) ", source)[1], re.search(r"\b(?:19|20)\d\d\b", source)[0])
        for source in methods.REFERENCES
    }
    assert cited == listed


def test_the_methods_follow_the_settings() -> None:
    text = "\n".join(methods.paragraphs(SETTINGS))
    assert "The bandwidth is the wider of two" in text
    assert "Visits to a site are added up." in text
    assert "less than 30.5 effective shells" in text
    assert "over the 8 nearest neighbours, each site's neighbours weighing 1 together" in text
    assert "up to 19,999 conditional permutations" in text
    assert "barrier" not in text
    _, latest, proportions, nearest, within, bearing, line = ("\n".join(paragraphs) for paragraphs in told(ENGLISH))
    assert "represented by its latest visit" in latest
    assert "Jeffreys's" in latest
    assert "Kernel-weighted proportions" in proportions
    assert "Steepness." not in proportions
    assert "crosses a barrier (ridge.gpkg). Cells whose centre lies in lake.gpkg are blank." in proportions
    assert "The bandwidth is 2.5 km." in proportions
    assert "The bandwidth reaches the 30 nearest sites." in nearest
    assert "over neighbours within 2 km" in within
    assert "up to 99,999 conditional permutations" in within
    assert "along the bearing 072°" in bearing
    assert "along the line given" in line
    assert not any("Pairs of sites" in one for one in methods.paragraphs(SETTINGS | {"habitat": None}))


def test_settings_stand_as_in_a_study_file_without_the_names_that_are_kept_back() -> None:
    settings = {
        "records": {"path": "secret.csv"},
        "habitat": None,
        "clines": {"axis": None, "traits": ["yellow", "fused"]},
        "publish": {
            "names": False, "pseudonym_key": "key.txt", "width_mm": 190.0,
            "sensitive": [
                {"species": None, "sites": ["Old Quarry", "Mill"], "habitat": None, "blur_m": None, "withhold": True},
                {"species": None, "sites": [], "habitat": "garden", "blur_m": 5000.0, "withhold": False},
            ],
        },
    }  # fmt: skip
    assert methods.settings_rows(settings) == [
        ("[habitat]", "left out"),
        ("[clines] traits", "yellow, fused"),
        ("[publish] names", "false"),
        ("[publish] width_mm", "190"),
        ("[publish] sensitive", "sites = 2 sites that are not named here, withhold = true; habitat = garden, "
         "blur_m = 5000, withhold = false"),
    ]  # fmt: skip
    with speaking(FRENCH):
        french = dict(methods.settings_rows(settings))
    assert french["[habitat]"] == "non employé"
    assert "2 sites qui ne sont pas nommés ici" in french["[publish] sensitive"]


def test_it_says_from_where_maps_are_drawn_when_places_are_hidden() -> None:
    def told(blur: float) -> bool:
        return any("squares of 2 km" in one for one in methods.paragraphs(SETTINGS | {"publish": {"blur_m": blur}}))

    assert told(2000.0)
    assert not told(0.0)
