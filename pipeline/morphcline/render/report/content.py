"""What the report says, section by section: paragraphs, tables and figures, chosen and ordered; no markup here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from morphcline.records.change_table import OVER_PAIRS
from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.sentences import known

#: Words for the reasons and flags, as headings of the counts; the rows' own sentences stand in the record files.
_CODE_WORDS = {"empty-row": "empty row"}


#: How a habitat class's row of ``environment.csv`` begins.
CLASS_TERM = "habitat: "


@dataclass(frozen=True)
class ShownFigure:
    """A figure as it stands in the report."""

    name: str
    source: str
    caption: str
    alt: str


@dataclass(frozen=True)
class ShownTable:
    """A table of ready texts; columns whose head is in ``numbers`` are set right-aligned."""

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Section:
    """A headed part of the report."""

    anchor: str
    title: str
    paragraphs: list[str] = field(default_factory=list)
    points: list[str] = field(default_factory=list)
    tables: list[ShownTable] = field(default_factory=list)
    figures: list[ShownFigure] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def records(frame: pd.DataFrame, **where: Any) -> list[dict[str, Any]]:
    """Return a table's rows that hold the given values, as mappings."""
    chosen = frame
    for column, value in where.items():
        chosen = chosen[chosen[column] == value]
    return [{str(key): value for key, value in row.items()} for row in chosen.to_dict("records")]


def by_trait(rows: Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], list[Mapping[str, Any]]]:
    """Group rows by species and trait, in the order met."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["species"], row["trait"]), []).append(row)
    return groups


def figures_named(figures: Sequence[ShownFigure], *starts: str) -> list[ShownFigure]:
    """Return the figures whose name starts with one of the words."""
    return [figure for figure in figures if figure.name.startswith(starts)]


def in_words(code: str) -> str:
    """Return a reason or flag code as words."""
    return _CODE_WORDS.get(code, code.replace("-", " "))


def interval(row: Mapping[str, Any]) -> str:
    """Return a row's frequency interval, or a dash."""
    return labels.percent_range(row["low"], row["high"]) if known(row["low"]) else "–"


def came_in(account: Mapping[str, Any]) -> Section:
    """Say what came in and what became of it."""
    section = Section("records", "What came in")
    section.paragraphs.append(
        f"{labels.counted(account['rows'], 'row')} were read: {labels.number(account['accepted'])} accepted and "
        f"{labels.number(account['rejected'])} rejected. The accepted rows hold "
        f"{labels.counted(account['shells_counted'], 'adult shell')} that count, and "
        f"{labels.counted(account['shells_seen_not_counted'], 'more shell')} that were seen but don't: juveniles, "
        "and shells too worn to score."
    )
    section.tables.append(
        ShownTable(
            "Rows by file.",
            ("File", "Survey", "Rows", "Accepted", "Rejected"),
            [
                (
                    str(source["source"]),
                    str(source["survey"] or "this survey") + (" (site table)" if source["kind"] == "sites" else ""),
                    labels.number(source["rows"]),
                    labels.number(source["accepted"]),
                    labels.number(source["rejected"]),
                )
                for source in account["sources"]
            ],
            frozenset({"Rows", "Accepted", "Rejected"}),
        )
    )
    for title, key in (("Rows rejected, by reason.", "rejected_by_reason"), ("Flags, by kind.", "flagged_by_code")):
        counts = account.get(key) or {}
        if counts:
            section.tables.append(
                ShownTable(
                    title,
                    ("Reason" if "reason" in key else "Flag", "Rows"),
                    [(in_words(code), labels.number(n)) for code, n in sorted(counts.items())],
                    frozenset({"Rows"}),
                )
            )
    section.notes.append(
        "Each rejected row stands with its reason in records/rejected.csv, each flagged one in records/flagged.csv; "
        "a flagged row is used, and wants a person's look."
    )
    return section


def found(regional: pd.DataFrame, species: str, figures: Sequence[ShownFigure], slug: str) -> Section:
    """Say how frequent each trait is in one species."""
    section = Section(f"found-{slug}", f"{species}: what was found")
    rows = records(regional, species=species)
    main = set(labels.main_traits(row["trait"] for row in rows))
    section.points += [sentences.frequency(row) for row in rows if row["trait"] in main]
    section.tables.append(
        ShownTable(
            f"{species}: frequencies over the region. Sites with larger samples count for more, by as much as the "
            "correlation within sites allows.",
            ("Trait", "Shells", "of", "Sites", "Frequency", "95% interval", "Within-site correlation", "p"),
            [
                (
                    labels.trait_title(row["trait"]),
                    labels.number(row["count"]),
                    labels.number(row["total"]),
                    labels.number(row["sites"]),
                    labels.percent(row["frequency"]),
                    interval(row),
                    f"{row['rho']:.3f}" if known(row["rho"]) else "–",
                    labels.probability(row["p_overdispersion"]) if known(row["p_overdispersion"]) else "–",
                )
                for row in rows
            ],
            frozenset({"Shells", "of", "Sites", "Frequency", "95% interval", "Within-site correlation", "p"}),
        )
    )
    section.figures += figures_named(figures, f"sites_{slug}", f"morphs_{slug}", f"habitat_{slug}")
    return section


def surfaces(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say how frequencies were smoothed and how sure the maps are."""
    section = Section("surfaces", "Over the region")
    for species, rows in frame.groupby("species", sort=False):
        first = rows.iloc[0]
        if not known(first["bandwidth_m"]):
            section.paragraphs.append(f"{species}: too few sites to draw a surface.")
            continue
        kind = "local logistic fits" if first["degree"] == 1 else "kernel-weighted proportions"
        section.paragraphs.append(
            f"{species}: {kind} with a {first['kernel']} kernel of {labels.distance(first['bandwidth_m'])}, from "
            f"{labels.counted(int(first['sites']), 'site')}. Of {labels.counted(int(first['cells']), 'cell')} in the "
            f"area, {labels.number(first['cells_blank'])} stay blank for want of shells near them."
        )
    section.paragraphs.append(
        "The paler a colour, the larger its standard error; blank is not known, which is not the same as rare."
    )
    section.figures += figures_named(figures, "surface", "bandwidth")
    return section


def alike(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say whether neighbouring sites are alike, over what distance, and where."""
    section = Section("neighbours", "Are neighbouring sites alike?")
    adjusted = records(frame, form="rate-adjusted")
    main = set(labels.main_traits(row["trait"] for row in adjusted))
    for (species, trait), (row, *_) in by_trait(adjusted).items():
        if trait in main:
            section.points.append(f"{species}. {sentences.autocorrelation(row)}")
    raw = {(row["species"], row["trait"]): row for row in records(frame, form="raw")}
    section.tables.append(
        ShownTable(
            "Moran's I of all traits. The rate-adjusted form allows for unequal samples and is the one to believe; the "
            "raw form, of the frequencies as they stand, is there since readers ask.",
            ("Species", "Trait", "Sites", "I, rate-adjusted", "p", "I, raw", "p (raw)"),
            [
                (
                    row["species"],
                    labels.trait_title(row["trait"]),
                    labels.number(row["sites"]) if known(row["sites"]) else "–",
                    _statistic(row),
                    _p(row),
                    _statistic(raw.get((row["species"], row["trait"]))),
                    _p(raw.get((row["species"], row["trait"]))),
                )
                for row in adjusted
            ],
            frozenset({"Sites", "I, rate-adjusted", "p", "I, raw", "p (raw)"}),
        )
    )
    section.figures += figures_named(figures, "correlogram", "clusters")
    return section


def _statistic(row: Mapping[str, Any] | None) -> str:
    return f"{row['moran_i']:.3f}".replace("-", "−") if row and known(row["moran_i"]) else "not tested"


def _p(row: Mapping[str, Any] | None) -> str:
    return labels.probability(row["p_permutation"]) if row and known(row["p_permutation"]) else "–"


def clines(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section:
    """Say which traits change along a line, where and how steeply."""
    section = Section("clines", "Clines")
    groups = by_trait(records(frame))
    main = set(labels.main_traits(trait for _, trait in groups))
    for (species, trait), rows in groups.items():
        if trait in main:
            section.points.append(f"{species}. {sentences.cline(rows)}")
    shown = []
    for (species, trait), rows in groups.items():
        for row in rows:
            if known(row["weight"]):
                shown.append(
                    (
                        species,
                        labels.trait_title(trait),
                        labels.sentence(labels.model_name(row["model"])),
                        labels.bearing(row["bearing_deg"]) if known(row["bearing_deg"]) else "–",
                        labels.distance(row["centre_m"]).replace("-", "−") if known(row["centre_m"]) else "–",
                        labels.distance(row["width_m"]) if known(row["width_m"]) else "–",
                        f"{row['weight']:.2f}",
                    )
                )
    section.tables.append(
        ShownTable(
            "Every model fitted, with its weight of evidence among the models for that trait (AICc). Intervals are in "
            "tables/clines.csv.",
            ("Species", "Trait", "Model", "Bearing", "Centre", "Width", "Weight"),
            shown,
            frozenset({"Bearing", "Centre", "Width", "Weight"}),
        )
    )
    section.figures += figures_named(figures, "cline")
    return section


def environment(frame: pd.DataFrame, left_out: Sequence[str]) -> Section:
    """Say what habitat and temperature explain, once space is allowed for."""
    section = Section("environment", "Habitat and temperature")
    section.notes += list(left_out)
    everything = records(frame)
    main = set(labels.main_traits(row["trait"] for row in everything))
    groups = {key: rows for key, rows in by_trait(everything).items() if key[1] in main}
    if not groups:
        section.paragraphs.append("No habitat or temperature was known, so nothing is said of them.")
        return section
    section.paragraphs.append(
        "Neighbouring sites share both their shells and their surroundings, so a test that takes sites for independent "
        "finds associations where there are none. Each p below allows for space; the one that doesn't stands beside "
        "it. An association is not a cause."
    )
    for (species, _), rows in groups.items():
        terms = {row["term"]: row for row in rows}
        classes = [row for row in rows if row["term"].startswith(CLASS_TERM)]
        if "habitat" in terms:
            section.points.append(f"{species}. {sentences.habitats(terms['habitat'], classes)}")
        if "temperature_c" in terms:
            section.points.append(f"{species}. {sentences.temperature(terms['temperature_c'])}")
    shown = [row for rows in groups.values() for row in rows if known(row["estimate"]) and row["term"] != "intercept"]
    section.tables.append(
        ShownTable(
            "Odds ratios of habitat classes and temperature, each with the others held, from the model that allows for "
            "space. Believe its p.",
            ("Species", "Trait", "Term", "Odds ratio", "95% interval", "p, space allowed for", "p, space ignored"),
            [
                (
                    row["species"],
                    labels.trait_title(row["trait"]),
                    _term(row),
                    *sentences.odds(row),
                    labels.probability(row["p_spatial"]) if known(row["p_spatial"]) else "–",
                    labels.probability(row["p_naive"]) if known(row["p_naive"]) else "–",
                )
                for row in shown
            ],
            frozenset({"Odds ratio", "95% interval", "p, space allowed for", "p, space ignored"}),
        )
    )
    return section


def _term(row: Mapping[str, Any]) -> str:
    term = str(row["term"])
    if term.startswith(CLASS_TERM):
        return f"{labels.sentence(term.removeprefix(CLASS_TERM))} against {row['reference']}"
    return "Temperature, per °C"


def change(frame: pd.DataFrame, figures: Sequence[ShownFigure]) -> Section | None:
    """Say what changed since each earlier survey; None without one."""
    if frame.empty:
        return None
    section = Section("change", "Since earlier surveys")
    pooled = records(frame, site="", method=OVER_PAIRS)
    main = set(labels.main_traits(row["trait"] for row in pooled))
    section.points += [f"{row['species']}. {sentences.change(row)}" for row in pooled if row["trait"] in main]
    section.figures += figures_named(figures, "change")
    section.notes.append(
        "Places of the two surveys were paired by nearness; the test is over pairs of sites, so that sites which "
        "differ for reasons of their own don't pass for change. The test over shells is in tables/change.csv beside it."
    )
    return section


def in_short(sections: Sequence[Section], regional: pd.DataFrame) -> Section:
    """Choose three to five findings for the head of the report."""
    summary = Section("short", "In short")
    for species, rows in regional.groupby("species", sort=False):
        wanted = [row for row in records(rows) if row["trait"] in {"yellow", "unbanded", "mid-banded"}]
        parts = [
            f"{labels.trait_in_text(row['trait'])} {labels.percent(row['frequency'])} "
            f"({labels.percent_range(row['low'], row['high'])})"
            for row in wanted
        ]
        if parts:
            summary.points.append(f"{species}: {'; '.join(parts)}.")
    for anchor, most in (("clines", 2), ("environment", 1), ("change", 1)):
        for section in sections:
            if section.anchor == anchor:
                telling = [text for text in section.points if _tells_something(text)]
                summary.points.extend(telling[:most])
    return summary


def _tells_something(text: str) -> bool:
    nothing = ("no cline", "could be chance", "not tested", "no change", "were not seen", "was not estimated")
    return not any(words in text for words in nothing)
