"""What each section of the report says, made from the tables and from what the stages report of themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import pandas as pd

from morphcline.records.change_table import OVER_PAIRS
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
    distance_cell,
    figures_named,
    main_rows,
    number_cell,
    p_cell,
    rows_of,
)
from morphcline.render.report.sentences import known

#: How a habitat class's row of ``environment.csv`` begins.
CLASS_TERM = "habitat: "

#: Cline models of less weight than this are left to the table.
LEAST_WEIGHT = 0.01


def came_in(account: Mapping[str, Any], recorders: str) -> Section:
    """Say what came in, from whom, and what became of it."""
    by_file = ShownTable(
        "Rows by file.",
        ("File", "Survey"),
        ("Rows", "Accepted", "Rejected"),
        [
            (
                str(source["source"]),
                str(source["survey"] or "this survey") + (" (table of sites)" if source["kind"] == "sites" else ""),
                *(labels.number(source[key]) for key in ("rows", "accepted", "rejected")),
            )
            for source in account["sources"]
        ],
    )
    counts = [
        ShownTable(caption, (head,), ("Rows",), [(_in_words(code), labels.number(n)) for code, n in sorted(by.items())])
        for caption, head, by in (
            ("Rows rejected, by reason.", "Reason", account["rejected_by_reason"]),
            ("Rows flagged, by what a person should look at.", "Flag", account["flagged_by_code"]),
        )
        if by
    ]
    return Section(
        "records",
        "What came in",
        paragraphs=[
            f"{labels.counted(account['rows'], 'row')} of records were read: {labels.number(account['accepted'])} "
            f"accepted and {labels.number(account['rejected'])} rejected. The accepted rows, earlier surveys among "
            f"them, hold {labels.counted(account['shells_counted'], 'adult shell')} that count and "
            f"{labels.counted(account['shells_seen_not_counted'], 'more shell')} that were seen but don't"
            f"{_not_counted(account['not_counted_by_reason'])}." + (f" {recorders}" if recorders else "")
        ],
        tables=[by_file, *counts],
        notes=[
            "Each rejected row stands with its reason in records/rejected.csv, each flagged one in "
            "records/flagged.csv; a flagged row is used, and wants a person's look."
        ],
    )


def _not_counted(reasons: Mapping[str, int]) -> str:
    parts = [f"{labels.number(shells)} {reason}" for reason, shells in reasons.items() if shells]
    return f" ({labels.listing(parts)})" if parts else ""


def _in_words(code: str) -> str:
    return labels.sentence(code.replace("-", " ").replace("crs", "CRS"))


def found(
    regional: pd.DataFrame, species: str, figures: Sequence[ShownFigure], slug: str, notes: Sequence[str], level: str
) -> Section:
    """Say how frequent each trait is in one species.

    Parameters
    ----------
    regional : DataFrame
    species : str
    figures : sequence of ShownFigure
    slug : str
        The species in figures' names.
    notes : sequence of str
        What the stage says of this species.
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = rows_of(regional, species=species)
    table = ShownTable(
        f"{species}: frequencies over the region. A larger sample counts for more, by as much as the correlation "
        "within sites allows; p is of that correlation being nil.",
        ("Trait",),
        ("Shells", "of", "Sites", "Frequency", f"{level} interval", "Correlation within sites", "p"),
        [
            (
                labels.trait_title(row["trait"]),
                *(labels.number(row[key]) for key in ("count", "total", "sites")),
                labels.percent(row["frequency"]),
                labels.percent_range(row["low"], row["high"]) if known(row["low"]) else "–",
                number_cell(row["rho"], 3),
                p_cell(row["p_overdispersion"]),
            )
            for row in rows
        ],
    )
    main = main_rows(rows)
    return Section(
        f"found-{slug}",
        f"{species}: what was found",
        paragraphs=[sentences.scatter(main)],
        points=[Points("", [sentences.frequency(row) for row in main])],
        figures=figures_named(figures, f"sites_{slug}", f"morphs_{slug}", f"habitat_{slug}"),
        tables=[table],
        notes=notes,
    )


def surfaces(frame: pd.DataFrame, bandwidth: Any, figures: Sequence[ShownFigure]) -> Section:
    """Say how frequencies were smoothed and how sure the maps are.

    Parameters
    ----------
    frame : DataFrame
        ``surfaces.csv``.
    bandwidth : str, float or mapping
        As the study asks for it.
    figures : sequence of ShownFigure
    """
    neighbours = bandwidth["neighbours"] if isinstance(bandwidth, Mapping) else None
    return Section(
        "surfaces",
        "Over the region",
        paragraphs=[
            *(
                sentences.surface(main_rows(rows_of(rows)), neighbours=neighbours)
                for _, rows in frame.groupby("species", sort=False)
            ),
            "The paler a colour, the larger its standard error; blank is not known, which is not the same as rare. A "
            "surface shows no edge sharper than about two bandwidths, however steep the cline is.",
        ],
        figures=figures_named(figures, "surface", "bandwidth"),
    )


def alike(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say whether neighbouring sites are alike, over what distance, and where."""
    adjusted = main_rows(rows_of(frame, form="rate-adjusted"))
    raw = {(row["species"], row["trait"]): row for row in rows_of(frame, form="raw")}
    rows = []
    for row in adjusted:
        other = raw.get((row["species"], row["trait"]), {})
        rows.append(
            (
                row["species"],
                labels.trait_title(row["trait"]),
                labels.number(row["sites"]) if known(row["sites"]) else "–",
                number_cell(row["moran_i"], 3),
                p_cell(row["p_permutation"]),
                number_cell(other.get("moran_i"), 3),
                p_cell(other.get("p_permutation")),
            )
        )
    table = ShownTable(
        "Moran's I. The rate-adjusted form allows for unequal samples and is the one to believe; the raw form, of the "
        "frequencies as they stand, is there since readers ask. The nine morphs are in tables/autocorrelation.csv.",
        ("Species", "Trait"),
        ("Sites", "I, rate-adjusted", "p", "I, raw", "p, raw"),
        rows,
    )
    return Section(
        "neighbours",
        "Are neighbouring sites alike?",
        points=[
            Points(species, sentences.neighbours([row for (row, *_) in traits.values()]))
            for species, traits in by_trait(adjusted).items()
        ],
        figures=figures_named(figures, "correlogram", "clusters"),
        tables=[table],
        notes=["Where a test sees nothing, that does not show that nothing is there."],
    )


def clines(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say which traits change along a line, where and how steeply."""
    groups = by_trait(main_rows(rows_of(frame)))
    table = ShownTable(
        f"The models with a weight of evidence (AICc) of {LEAST_WEIGHT} or more among those for a trait. The centre is "
        "counted along the bearing from the middle of the sites; centre and width are given for the model chosen. The "
        "other models, intervals and the nine morphs are in tables/clines.csv.",
        ("Species", "Trait", "Model"),
        ("Bearing", "Centre", "Width", "Weight"),
        [
            (
                species,
                labels.trait_title(trait),
                labels.sentence(labels.model_name(row["model"])),
                labels.bearing(row["bearing_deg"]) if known(row["bearing_deg"]) else "–",
                distance_cell(row["centre_m"]) if _told(row) else "–",
                _width_cell(row) if _told(row) else "–",
                f"{row['weight']:.2f}",
            )
            for species, traits in groups.items()
            for trait, rows in traits.items()
            for row in rows
            if known(row["weight"]) and row["weight"] >= LEAST_WEIGHT
        ],
    )
    return Section(
        "clines",
        "Clines",
        points=[
            Points(species, [sentences.cline(rows) for rows in traits.values()]) for species, traits in groups.items()
        ],
        figures=figures_named(figures, "cline"),
        tables=[table] if table.rows else [],
    )


def _told(row: Row) -> bool:
    """Return whether a model's centre and width describe a cline: the chosen one's, if it has an inflection."""
    return str(row["chosen"]) == "True" and row["model"] != "linear"


def _width_cell(row: Row) -> str:
    if str(row["step"]) == "True":
        return f"under {distance_cell(row['width_high'])}" if known(row["width_high"]) else "–"
    return distance_cell(row["width_m"])


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


def change(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section | None:
    """Say what changed since each earlier survey; None without one."""
    if frame.empty:
        return None
    pooled = main_rows(rows_of(frame, site="", method=OVER_PAIRS))
    return Section(
        "change",
        "Since earlier surveys",
        points=[
            Points(species, [sentences.change(row) for rows in traits.values() for row in rows])
            for species, traits in by_trait(pooled).items()
        ],
        figures=figures_named(figures, "change"),
        notes=[
            "Places of the two surveys were paired by nearness; the test is over pairs of sites, so that sites which "
            "differ for reasons of their own don't pass for change. The test over shells stands beside it in "
            "tables/change.csv."
        ],
    )
