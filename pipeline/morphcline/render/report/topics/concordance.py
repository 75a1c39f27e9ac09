"""Whether clines coincide, where their centres bend, and what they are along transects."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
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

_SINGLE = ("centre", "width", "bearing")


def concordance(
    pairs: pd.DataFrame, curved: pd.DataFrame, transects: pd.DataFrame, figures: Sequence[ShownFigure], level: str
) -> Section:
    """Say which clines were seen to differ, which centre lines bend, and what holds along transects.

    Parameters
    ----------
    pairs, curved, transects : DataFrame
        ``concordance.csv``, ``curved.csv`` and ``transects.csv``.
    figures : sequence of ShownFigure
    level : str
        Of the intervals, in words: ``"95%"``.
    """
    groups = _pairs(pairs)
    told = [pair for pair in groups if not pair[0]["not_compared_because"]]
    left = [pair[0] for pair in groups if pair[0]["not_compared_because"]]
    points = [Points("Do clines coincide?", [*map(coincide, told), *_not_compared(left)])] if groups else []
    points += [
        Points(f"{species}: centre lines", _centre_lines([row for rows in traits.values() for row in rows]))
        for species, traits in by_trait(main_rows(rows_of(curved))).items()
    ]
    return Section(
        "concordance",
        "Clines compared, and their centres on the map",
        paragraphs=[
            "Traits of the same shells are no independent witnesses: p-values and intervals of differences come from "
            "surveys drawn anew from the fitted clines, with what the traits leave over at a site correlated as found. "
            "They take sites as independent of each other beyond their clines, and are too sure where near sites are "
            "alike in what a cline leaves over. What acts on one trait alone, as a habitat may, moves its cline too, "
            "and is part of the difference. Where no difference was seen a small one may still be there: its interval "
            "says how large. With several pairs compared, one p in twenty falls below 0.05 by chance."
        ]
        if told
        else [],
        points=[*points, *_transect_points(transects)],
        figures=figures_named(figures, "concordance", "centres", "transects"),
        tables=[_table(told, level)] if told else [],
    )


def _pairs(frame: pd.DataFrame) -> list[list[Row]]:
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows_of(frame):
        key = tuple(str(row[name]) for name in ("species", "trait", "second_species", "second_trait"))
        groups.setdefault(key, []).append(row)
    return list(groups.values())


def named(row: Row) -> str:
    """Return a pair's two traits: ``"yellow and unbanded of Cepaea nemoralis"``."""
    first, second = labels.trait_name(row["trait"]), labels.trait_name(row["second_trait"])
    if row["species"] == row["second_species"]:
        return f"{first} and {second} of {row['species']}"
    if first == second:
        return f"{first} of {row['species']} and of {row['second_species']}"
    return f"{first} of {row['species']} and {second} of {row['second_species']}"


def _not_compared(rows: Sequence[Row]) -> list[str]:
    if not rows:
        return []
    return [f"Not compared: {'; '.join(named(row) for row in rows)}. Why stands in tables/concordance.csv."]


def _centre_lines(rows: Sequence[Row]) -> list[str]:
    fitted = [row for row in rows if not row["not_fitted_because"]]
    without = [labels.trait_name(row["trait"]) for row in rows if row["not_fitted_because"]]
    told = [bends(row) for row in fitted]
    if without:
        told.append(f"No centre line: {labels.listing(without)}. Why stands in tables/curved.csv.")
    return told


def coincide(pair: Sequence[Row]) -> str:
    """Say whether two clines were seen to differ, and by how much each of centre, width and bearing does.

    Parameters
    ----------
    pair : sequence of mappings
        The rows of ``concordance.csv`` of one pair that was compared.
    """
    rows = {str(row["parameter"]): row for row in pair}
    whole = rows["all"]
    subject = labels.sentence(named(whole))
    against = (
        f" ({labels.trait_name(whole['second_trait'])} falls where {labels.trait_name(whole['trait'])} rises: the "
        "shells without it are compared)"
        if str(whole["reversed"]) == "True"
        else ""
    )
    single = [rows[name] for name in _SINGLE if name in rows and known(rows[name]["difference"])]
    told = "; ".join(
        f"{row['parameter']} {difference(row)}, {labels.probability(row['p_bootstrap'])}" for row in single
    )
    shared = labels.listing(str(row["parameter"]) for row in single)
    p = labels.probability(whole["p_bootstrap"])
    if whole["p_bootstrap"] > sentences.LEVEL:
        verdict = f"no evidence was seen that their clines differ in {shared} ({p} for all together)"
    else:
        apart = [str(row["parameter"]) for row in single if row["p_bootstrap"] <= sentences.LEVEL]
        where = f", singly in {labels.listing(apart)}" if apart else ", though singly in none of them"
        verdict = f"their clines differ in {shared} taken together ({p}){where}"
    numbers = f"{labels.counted(int(whole['sites']), 'site')}, both traits at {int(whole['sites_both'])}"
    return f"{subject}{against}: {verdict}. Second against first: {told} ({numbers})."


def difference(row: Row) -> str:
    """Return a difference with its interval, in the words of its parameter."""
    value, low, high = row["difference"], row["low"], row["high"]
    if row["parameter"] == "centre":
        return _interval(_signed(value), _signed(low) if known(low) else "", _signed(high) if known(high) else "")
    if row["parameter"] == "width":
        cells = [f"{cell:.2f}" if known(cell) else "" for cell in (value, low, high)]
        return _interval(f"{cells[0]} times as wide", cells[1], cells[2])
    cells = [f"{cell:+.0f}°".replace("-", "−") if known(cell) else "" for cell in (value, low, high)]
    return _interval(*cells)


def _interval(value: str, low: str, high: str) -> str:
    return f"{value} ({low} to {high})" if low and high else f"{value} (limits not found)"


def _signed(metres: float) -> str:
    return ("+" if metres > 0 else "") + labels.distance(metres)


def _table(pairs: Sequence[Sequence[Row]], level: str) -> ShownTable:
    rows = []
    for pair in pairs:
        for row in pair:
            if row["not_compared_because"]:
                continue
            rows.append(
                (
                    labels.sentence(named(row)),
                    str(row["parameter"]),
                    difference(row) if known(row["difference"]) else "–",
                    p_cell(row["p_bootstrap"]),
                    p_cell(row["p_chi2"]),
                    number_cell(row["aicc_shared"] - row["aicc_own"], 1),
                )
            )
    return ShownTable(
        f"Centre, width and bearing of pairs of clines: difference of the second from the first with its {level} "
        "interval and p by redrawn surveys; beside them, naive p by chi-square, which takes the traits as independent, "
        "and AICc of the shared model less that of own parameters (below 0: sharing is better). Centres count from the "
        "middle of the sites. All numbers are in tables/concordance.csv.",
        ("Pair", "Parameter"),
        ("Difference", "p", "p, naive", "AICc, shared − own"),
        rows,
    )


def bends(row: Row) -> str:
    """Say whether a cline's centre is a straight line on the map.

    Parameters
    ----------
    row : mapping
        A row of ``curved.csv`` that holds numbers.
    """
    trait = labels.sentence(sentences.in_text(row))
    basis = f"{labels.probability(row['p_curved'])}; {sentences.shells_and_sites(row['shells'], row['sites'])}"
    if row["p_curved"] > sentences.LEVEL and row["drawn"] == "":
        return (
            f"{trait}: the centre was not seen to bend ({basis}); a step between sites fits as well as a cline, so "
            "that where it lies can't be told: none is drawn."
        )
    if row["p_curved"] > sentences.LEVEL:
        return f"{trait}: the centre was not seen to bend ({basis}); it is drawn straight."
    if row["drawn"] != "curved":
        return (
            f"{trait}: one straight centre line doesn't describe the sites ({basis}), and no curved one could be "
            "settled on, as with an area effect: none is drawn."
        )
    return (
        f"{trait}: the centre bends ({basis}), by up to {labels.distance(row['bend_m'])} from the straight line "
        "through its ends; it is drawn curved. Seen along one bearing, as in the models above, a bent cline looks "
        "wider than it is, or like a step with tails."
    )


def _transect_points(transects: pd.DataFrame) -> list[Points]:
    points = []
    for name in dict.fromkeys(transects["transect"]):
        here = main_rows(rows_of(transects, transect=name))
        first = here[0]
        heading = (
            f"Transect {name} ({labels.distance(first['length_m'])}; sites within {distance_cell(first['within_m'])})"
        )
        texts = [
            f"{species}: {sentences.lower_first(sentences.cline(rows))}"
            for species, traits in by_trait(here).items()
            for rows in traits.values()
        ]
        points.append(Points(heading, texts))
    return points
