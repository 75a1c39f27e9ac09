"""What habitat and temperature explain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

import pandas as pd

from morphcline.language import _, many, marked, within
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
from morphcline.render.report.phrases import clauses, limits
from morphcline.render.report.sentences import LEVEL, known, shells_and_sites, sites_in_words
from morphcline.render.report.topics.paired_habitats import paired_habitats, paired_table

#: Models whose skill is told, and their heads.
_SKILLS = {
    "habitat": marked("Habitat"), "temperature": marked("Temperature"), "both": marked("Both"),
    "space": marked("Place alone"), "all": marked("All three"),
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
        What the study lacks, in the language in force.
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = main_rows(rows_of(with_points(tables["environment"], tables["marginal_effects"])))
    shown = [row for row in rows if known(row["estimate"]) and row["term"] != "intercept"]
    section = partial(Section, "environment", _("Habitat and temperature"), notes=list(left_out))
    if not shown:
        nothing = _("Neither habitat nor temperature is known at enough sites, so nothing is said of them.")
        return section(paragraphs=[nothing], figures=figures_named(figures, "landscape"))
    pairs = main_rows(rows_of(tables["habitat_pairs"]))
    points = []
    for species, traits in by_trait(rows).items():
        told = [*_explained(list(traits.values())), *_second_answer(list(traits.values()))]
        told += paired_habitats([row for row in pairs if row["species"] == species], rows)
        points.append(Points(species, told))
    return section(
        paragraphs=[
            _(
                "Neighbouring sites share both their shells and their surroundings, so a test that takes sites for "
                "independent finds associations where there are none. Each p below allows for space; the one that "
                "doesn't stands beside it. An association is not a cause."
            ),
            _(
                "Three tests allow for space. Believe the logistic model with an effect of place: it holds the other "
                "covariates, compares sites as they would be at one place, and takes small samples and rare morphs for "
                "what they are. Least squares on empirical logits do the same by another road, but take few shells, or "
                "few with the trait, for more than they tell. The modified t-test is of the plain correlation with one "
                "covariate: nothing else is held, and all sites weigh alike. Pairs of near sites need no model of "
                "space, but are few."
            ),
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
    heads = (
        _("Points"), _("p, space allowed for"), _("p, least squares"), _("p, modified t"), _("p, space ignored"),
    )  # fmt: skip
    tables = []
    for species in dict.fromkeys(row["species"] for row in shown):
        rows = [row for row in shown if row["species"] == species and row["trait"] in KEY_TRAITS]
        references = list(dict.fromkeys(row["reference"] for row in rows if row["reference"]))
        cells = [
            (
                labels.trait_title(row["trait"]),
                _term(row, named=len(references) > 1),
                _effect_cell(row),
                *(p_cell(row[name]) for name in ("p_spatial", "p_gls", "p_modified_t", "p_naive")),
            )
            for row in rows
        ]
        if cells:
            caption = _effects_caption(species, rows, references, level)
            tables.append(ShownTable(caption, (_("Trait"), _("Term")), heads, cells))
    return tables


def _effect_cell(row: Row) -> str:
    if not known(row["effect"]):
        return "–"
    return f"{points_cell(row['effect'])} ({points_range(row['effect_low'], row['effect_high'])})"


def _effects_caption(species: str, rows: Sequence[Row], references: Sequence[str], level: str) -> str:
    most = max(rows, key=lambda row: float(row["shells"]))
    parts = [
        _("{species}, up to {basis}: habitat classes against {reference} and temperature, each with the others held.")
        if len(references) == 1
        else _("{species}, up to {basis}: habitat classes and temperature, each with the others held.")
    ]
    parts.append(
        _(
            "The mean difference in predicted frequency over the sites, in percentage points with {level} intervals, "
            "by the logistic model that allows for space; its p, the first of those given, is the one to believe. For "
            "{traits}; the others, and coefficients on the logit, are in tables/marginal_effects.csv and "
            "tables/environment.csv."
        )
    )
    return " ".join(parts).format(
        species=species,
        basis=shells_and_sites(most["shells"], most["sites"]),
        reference=labels.habitat_name(references[0]) if references else "",
        level=level,
        traits=labels.listing(labels.trait_name(trait) for trait in KEY_TRAITS),
    )


def _second_answer(traits: Sequence[Sequence[Row]]) -> list[str]:
    """Say where least squares on empirical logits come to another verdict."""
    tests = [
        row for rows in traits for row in rows
        if row["term"] in ("habitat", "temperature_c") and known(row["p_spatial"]) and known(row["p_gls"])
    ]  # fmt: skip
    if not tests:
        return []
    apart = [_two_answers(row) for row in tests if (row["p_spatial"] <= LEVEL) != (row["p_gls"] <= LEVEL)]
    values = {"agree": labels.number(len(tests) - len(apart)), "n": labels.number(len(tests))}
    if not apart:
        return [
            many(
                "Least squares on empirical logits come to the same verdict in {agree} of {n} test.",
                "Least squares on empirical logits come to the same verdict in {agree} of {n} tests.",
                len(tests),
            ).format(**values)
        ]
    return [
        many(
            "Least squares on empirical logits come to the same verdict in {agree} of {n} test; they differ on "
            "{apart}. Such a finding is best called open.",
            "Least squares on empirical logits come to the same verdict in {agree} of {n} tests; they differ on "
            "{apart}. Such a finding is best called open.",
            len(tests),
        ).format(apart=labels.listing(apart), **values)
    ]


def _two_answers(row: Row) -> str:
    if row["term"] == "habitat":
        message = _("{trait} and habitat ({least_squares}; logistic {logistic})")
    else:
        message = _("{trait} and temperature ({least_squares}; logistic {logistic})")
    return message.format(
        trait=labels.trait_name(row["trait"]),
        least_squares=labels.probability(row["p_gls"]),
        logistic=labels.probability(row["p_spatial"]),
    )


def _skill(frame: pd.DataFrame) -> list[ShownTable]:
    groups = by_trait(row for row in rows_of(frame) if row["trait"] in KEY_TRAITS and known(row["skill"]))
    rows = [
        (species, labels.trait_title(trait), *(_percent_of(told, model) for model in _SKILLS))
        for species, traits in groups.items()
        for trait, told in traits.items()
    ]
    caption = _(
        "How well habitat, temperature and place predict blocks of sites left out whole, as the part of the deviance "
        "that they take away; below zero they predict worse than the mean alone. Place: by kriging from the other "
        "blocks, with the variance and range of all sites."
    )
    heads = tuple(_(head) for head in _SKILLS.values())
    return [ShownTable(caption, (_("Species"), _("Trait")), heads, rows)] if rows else []


def _percent_of(rows: Sequence[Row], model: str) -> str:
    skill = next((row["skill"] for row in rows if row["model"] == model), None)
    if skill is None or not known(skill):
        return "–"
    return within("percent", "{number}%").format(number=labels.decimals(100 * skill, 0))


def _explained(traits: Sequence[Sequence[Row]]) -> list[str]:
    """Tell what was seen trait by trait, and what wasn't in a sentence for all traits."""
    told: list[str] = []
    quiet: dict[str, list[Row]] = {"habitat": [], "temperature_c": []}
    for rows in traits:
        classes = [row for row in rows if str(row["term"]).startswith(CLASS_TERM)]
        for term, unseen in quiet.items():
            row = next((row for row in rows if row["term"] == term), None)
            if row is None or not known(row["p_spatial"]):
                continue
            if sentences.is_quiet(row):
                unseen.append(row)
            elif term == "habitat":
                told.append(sentences.habitats(row, classes))
            else:
                told.append(sentences.temperature(row))
    if quiet["habitat"]:
        told.append(
            _("Habitats were not seen to differ, with space allowed for or not, in {traits}.").format(
                traits=labels.listing(_unseen(row) for row in quiet["habitat"])
            )
        )
    if quiet["temperature_c"]:
        told.append(
            _(
                "Warmer and cooler sites were not seen to differ, with space allowed for or not, in {traits}; in "
                "percentage points for each degree Celsius more."
            ).format(traits=labels.listing(_unseen(row) for row in quiet["temperature_c"]))
        )
    return told


def _unseen(row: Row) -> str:
    """Return a trait with its p, and the difference that was estimated where it is one number."""
    numbers = [labels.probability(row["p_spatial"])]
    if known(row.get("effect")):
        span = limits(labels.points(row["effect_low"]), labels.points(row["effect_high"]))
        numbers.insert(0, _("{value}, {limits}").format(value=labels.points(row["effect"]), limits=span))
    if known(row.get("sites")):
        numbers.append(sites_in_words(row["sites"]))
    return _("{trait} ({numbers})").format(trait=labels.trait_name(row["trait"]), numbers=clauses(numbers))


def _term(row: Row, *, named: bool) -> str:
    term = str(row["term"])
    if not term.startswith(CLASS_TERM):
        return _("Per °C")
    habitat = labels.sentence(labels.habitat_name(term.removeprefix(CLASS_TERM)))
    if not named:
        return habitat
    return _("{habitat} against {reference}").format(
        habitat=habitat, reference=labels.habitat_name(str(row["reference"]))
    )
