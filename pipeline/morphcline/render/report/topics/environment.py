"""What habitat and temperature explain."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import pandas as pd

from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    KEY_TRAITS,
    Points,
    Row,
    Section,
    ShownFigure,
    ShownTable,
    by_trait,
    figures_named,
    main_rows,
    p_cell,
    rows_of,
)
from morphcline.render.report.sentences import known

#: How a habitat class's row of ``environment.csv`` begins.
CLASS_TERM = "habitat: "


def environment(
    frame: pd.DataFrame, skill: pd.DataFrame, figures: Sequence[ShownFigure], left_out: Sequence[str], level: str
) -> Section:
    """Say what habitat and temperature explain, once space is allowed for.

    Parameters
    ----------
    frame, skill : DataFrame
        ``environment.csv`` and ``environment_skill.csv``.
    figures : sequence of ShownFigure
    left_out : sequence of str
        What the study lacks.
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = main_rows(rows_of(frame))
    shown = [row for row in rows if known(row["estimate"]) and row["term"] != "intercept"]
    section = partial(Section, "environment", "Habitat and temperature", notes=list(left_out))
    if not shown:
        nothing = "Neither habitat nor temperature is known at enough sites, so nothing is said of them."
        return section(paragraphs=[nothing], figures=figures_named(figures, "landscape"))
    table = ShownTable(
        "Odds ratios of habitat classes and of temperature, each with the others held, from the model that allows for "
        f"space. Believe its p. For {labels.listing(KEY_TRAITS)}; the others are in tables/environment.csv.",
        ("Species", "Trait", "Term"),
        ("Odds ratio", f"{level} interval", "p, space allowed for", "p, space ignored"),
        [
            (
                row["species"],
                labels.trait_title(row["trait"]),
                _term(row),
                *sentences.odds(row),
                p_cell(row["p_spatial"]),
                p_cell(row["p_naive"]),
            )
            for row in shown
            if row["trait"] in KEY_TRAITS
        ],
    )
    return section(
        paragraphs=[
            "Neighbouring sites share both their shells and their surroundings, so a test that takes sites for "
            "independent finds associations where there are none. Each p below allows for space; the one that doesn't "
            "stands beside it. An association is not a cause."
        ],
        points=[Points(species, _explained(list(traits.values()))) for species, traits in by_trait(rows).items()],
        figures=figures_named(figures, "landscape"),
        tables=[table, *_skill(skill)],
    )


def _skill(frame: pd.DataFrame) -> list[ShownTable]:
    groups = by_trait(row for row in rows_of(frame) if row["trait"] in KEY_TRAITS and known(row["skill"]))
    rows = [
        (
            species,
            labels.trait_title(trait),
            *(_percent_of(told, model) for model in ("habitat", "temperature", "both")),
        )
        for species, traits in groups.items()
        for trait, told in traits.items()
    ]
    caption = (
        "How well habitat and temperature predict blocks of sites left out whole, as the part of the deviance that "
        "they take away; below zero they predict worse than the mean alone."
    )
    return [ShownTable(caption, ("Species", "Trait"), ("Habitat", "Temperature", "Both"), rows)] if rows else []


def _percent_of(rows: Sequence[Row], model: str) -> str:
    skill = next((row["skill"] for row in rows if row["model"] == model), None)
    return "–" if skill is None or not known(skill) else f"{100 * skill:.0f}%".replace("-", "−")


def _explained(traits: Sequence[Sequence[Row]]) -> list[str]:
    """Tell what was seen trait by trait, and what wasn't in a sentence for all traits."""
    told: list[str] = []
    quiet: dict[str, list[str]] = {"habitats": [], "warmer and cooler sites": []}
    for rows in traits:
        terms = {row["term"]: row for row in rows}
        classes = [row for row in rows if str(row["term"]).startswith(CLASS_TERM)]
        for term, what, say in (
            ("habitat", "habitats", lambda row, classes=classes: sentences.habitats(row, classes)),
            ("temperature_c", "warmer and cooler sites", sentences.temperature),
        ):
            row = terms.get(term)
            if row is None or not known(row["p_spatial"]):
                continue
            if sentences.is_quiet(row):
                quiet[what].append(labels.trait_name(row["trait"]))
            else:
                told.append(say(row))
    told += [
        f"{labels.sentence(what)} were not seen to differ in {labels.listing(listed)}, with space allowed for or not."
        for what, listed in quiet.items()
        if listed
    ]
    return told


def _term(row: Row) -> str:
    term = str(row["term"])
    if term.startswith(CLASS_TERM):
        return f"{labels.sentence(term.removeprefix(CLASS_TERM))} against {row['reference']}"
    return "Temperature, per °C"
