"""The head of the report: a few findings, each of them one that its test or its weight of evidence supports."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from morphcline.records.change_table import OVER_PAIRS, OVER_SPACE
from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import KEY_TRAITS, by_trait, rows_of
from morphcline.render.report.sentences import LEVEL, known
from morphcline.render.report.topics.environment import CLASS_TERM, with_points

MOST_OF_A_KIND = 2


def findings(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Return sentences for the head of the report: frequencies, clines, habitat, change.

    Parameters
    ----------
    tables : mapping
        ``regional``, ``clines``, ``environment``, ``marginal_effects`` and ``change``.
    """
    return [
        *_frequencies(tables["regional"]),
        *_clines(tables["clines"])[:MOST_OF_A_KIND],
        *_environment(with_points(tables["environment"], tables["marginal_effects"]))[:1],
        *_change(tables["change"])[:MOST_OF_A_KIND],
    ]


def _frequencies(regional: pd.DataFrame) -> list[str]:
    told = []
    for species, traits in by_trait(rows_of(regional)).items():
        parts = [
            f"{labels.trait_in_text(trait)} {labels.percent(row['frequency'])} "
            f"({labels.percent_range(row['low'], row['high'])})"
            for trait, (row, *_) in traits.items()
            if trait in KEY_TRAITS and known(row["low"])
        ]
        if parts:
            told.append(f"{species}: {'; '.join(parts)}.")
    return told


def _clines(frame: pd.DataFrame) -> list[str]:
    told = []
    for species, traits in by_trait(rows_of(frame)).items():
        for trait, rows in traits.items():
            best = sentences.chosen_model(rows)
            if trait in KEY_TRAITS and best is not None and best["model"] != "flat":
                told.append(f"{species}: {sentences.lower_first(sentences.cline(rows))}")
    return told


def _environment(frame: pd.DataFrame) -> list[str]:
    told = []
    for species, traits in by_trait(rows_of(frame)).items():
        for trait, rows in traits.items():
            joint = next((row for row in rows if row["term"] == "habitat"), None)
            if trait in KEY_TRAITS and joint and known(joint["p_spatial"]) and joint["p_spatial"] <= LEVEL:
                classes = [row for row in rows if str(row["term"]).startswith(CLASS_TERM)]
                told.append(f"{species}: {sentences.lower_first(sentences.habitats(joint, classes))}")
    return told


def _change(frame: pd.DataFrame) -> list[str]:
    if frame.empty:
        return []
    doubtful = {
        (row["species"], row["trait"], row["earlier_survey"])
        for row in rows_of(frame, site="", method=OVER_SPACE)
        if known(row["p_moran"]) and row["p_moran"] <= LEVEL and row["p"] > LEVEL
    }
    return [
        f"{row['species']}: {sentences.lower_first(sentences.change(row))}"
        for row in rows_of(frame, site="", method=OVER_PAIRS)
        if row["trait"] in (*KEY_TRAITS, "brown")
        and known(row["p"])
        and row["p"] <= LEVEL
        and (row["species"], row["trait"], row["earlier_survey"]) not in doubtful
    ]
