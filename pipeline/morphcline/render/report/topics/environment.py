"""What habitat and temperature explain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    points_cell,
    points_range,
    rows_of,
)
from morphcline.render.report.sentences import LEVEL, known
from morphcline.render.report.topics.paired_habitats import paired_habitats, paired_table

#: Models whose skill is told, and their heads.
_SKILLS = {
    "habitat": "Habitat", "temperature": "Temperature", "both": "Both", "space": "Place alone", "all": "All three",
}  # fmt: skip
#: How a habitat class's row of ``environment.csv`` begins.
CLASS_TERM = "habitat: "


def environment(
    tables: Mapping[str, pd.DataFrame], figures: Sequence[ShownFigure], left_out: Sequence[str], level: str
) -> Section:
    """Say what habitat and temperature explain, once space is allowed for.

    Parameters
    ----------
    tables : mapping
        ``environment``, ``environment_skill``, ``marginal_effects`` and ``habitat_pairs``.
    figures : sequence of ShownFigure
    left_out : sequence of str
        What the study lacks.
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = main_rows(rows_of(with_points(tables["environment"], tables["marginal_effects"])))
    shown = [row for row in rows if known(row["estimate"]) and row["term"] != "intercept"]
    section = partial(Section, "environment", "Habitat and temperature", notes=list(left_out))
    if not shown:
        nothing = "Neither habitat nor temperature is known at enough sites, so nothing is said of them."
        return section(paragraphs=[nothing], figures=figures_named(figures, "landscape"))
    pairs = main_rows(rows_of(tables["habitat_pairs"]))
    points = []
    for species, traits in by_trait(rows).items():
        told = [*_explained(list(traits.values())), *_second_answer(list(traits.values()))]
        told += paired_habitats([row for row in pairs if row["species"] == species], rows)
        points.append(Points(species, told))
    return section(
        paragraphs=[
            "Neighbouring sites share both their shells and their surroundings, so a test that takes sites for "
            "independent finds associations where there are none. Each p below allows for space; the one that doesn't "
            "stands beside it. An association is not a cause.",
            "Three tests allow for space. Believe the logistic model with an effect of place: it holds the other "
            "covariates, compares sites as they would be at one place, and takes small samples and rare morphs for "
            "what they are. Least squares on empirical logits do the same by another road, but take few shells, or few "
            "with the trait, for more than they tell. The modified t-test is of the plain correlation with one "
            "covariate: nothing else is held, and all sites weigh alike. Pairs of near sites need no model of space, "
            "but are few.",
        ],
        points=points,
        figures=[*figures_named(figures, "landscape"), *figures_named(figures, "effects")],
        tables=[*_effects(shown, level), *paired_table(pairs, rows, level), *_skill(tables["environment_skill"])],
    )


def with_points(frame: pd.DataFrame, effects: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``environment.csv`` with the effect in points of each, where there is one."""
    found = effects[["species", "trait", "term", "effect", "low", "high"]]
    found = found.rename(columns={"low": "effect_low", "high": "effect_high"})
    return frame.merge(found, on=["species", "trait", "term"], how="left", validate="one_to_one")


def _effects(shown: Sequence[Row], level: str) -> list[ShownTable]:
    """Return a table a species, of the traits that a summary speaks of."""
    tables = []
    for species in dict.fromkeys(row["species"] for row in shown):
        rows = [row for row in shown if row["species"] == species and row["trait"] in KEY_TRAITS]
        references = list(dict.fromkeys(row["reference"] for row in rows if row["reference"]))
        against = f" (classes against {references[0]})" if len(references) == 1 else ""
        caption = (
            f"{species}: habitat classes{against} and temperature, each with the others held: the mean difference in "
            f"predicted frequency over the sites, in percentage points with {level} intervals, by the logistic model "
            f"that allows for space; believe its p, in the first column of them. For {labels.listing(KEY_TRAITS)}; the "
            "others, and coefficients on the logit, are in tables/marginal_effects.csv and tables/environment.csv."
        )
        cells = [
            (
                labels.trait_title(row["trait"]),
                _term(row, named=len(references) > 1),
                f"{points_cell(row['effect'])} ({points_range(row['effect_low'], row['effect_high'])})",
                *(p_cell(row[name]) for name in ("p_spatial", "p_gls", "p_modified_t", "p_naive")),
            )
            for row in rows
        ]
        heads = ("Points", "p, space allowed for", "p, least squares", "p, modified t", "p, space ignored")
        if cells:
            tables.append(ShownTable(caption, ("Trait", "Term"), heads, cells))
    return tables


def _second_answer(traits: Sequence[Sequence[Row]]) -> list[str]:
    """Say where least squares on empirical logits come to another verdict."""
    tests = [
        row for rows in traits for row in rows
        if row["term"] in ("habitat", "temperature_c") and known(row["p_spatial"]) and known(row["p_gls"])
    ]  # fmt: skip
    if not tests:
        return []
    differ = [row for row in tests if (row["p_spatial"] <= LEVEL) != (row["p_gls"] <= LEVEL)]
    agree = len(tests) - len(differ)
    text = f"Least squares on empirical logits come to the same verdict in {agree} of {len(tests)} tests"
    if not differ:
        return [f"{text}."]
    named = [
        f"{labels.trait_name(row['trait'])} and {'habitat' if row['term'] == 'habitat' else 'temperature'} "
        f"({labels.probability(row['p_gls'])}; logistic {labels.probability(row['p_spatial'])})"
        for row in differ
    ]
    return [f"{text}; they differ on {labels.listing(named)}. Such a finding is best called open."]


def _skill(frame: pd.DataFrame) -> list[ShownTable]:
    groups = by_trait(row for row in rows_of(frame) if row["trait"] in KEY_TRAITS and known(row["skill"]))
    rows = [
        (species, labels.trait_title(trait), *(_percent_of(told, model) for model in _SKILLS))
        for species, traits in groups.items()
        for trait, told in traits.items()
    ]
    caption = (
        "How well habitat, temperature and place predict blocks of sites left out whole, as the part of the deviance "
        "that they take away; below zero they predict worse than the mean alone. Place: by kriging from the other "
        "blocks, with the variance and range of all sites."
    )
    return [ShownTable(caption, ("Species", "Trait"), tuple(_SKILLS.values()), rows)] if rows else []


def _percent_of(rows: Sequence[Row], model: str) -> str:
    skill = next((row["skill"] for row in rows if row["model"] == model), None)
    return "–" if skill is None or not known(skill) else f"{labels.decimals(100 * skill, 0)}%"


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


def _term(row: Row, *, named: bool) -> str:
    term = str(row["term"])
    if term.startswith(CLASS_TERM):
        habitat = labels.sentence(term.removeprefix(CLASS_TERM))
        return f"{habitat} against {row['reference']}" if named else habitat
    return "Per °C"
