"""Whether clines coincide, where their centres bend, and what they are along transects."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from morphcline.language import _, many, marked, within
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
_PARAGRAPH = marked(
    "Traits of the same shells are no independent witnesses: p-values and intervals of differences come from surveys "
    "simulated from the fitted clines, in which what the traits leave unexplained at a site is correlated as found. "
    "They take sites as independent of each other beyond their clines, and are too sure where near sites are alike in "
    "what a cline leaves unexplained. What acts on one trait alone, as a habitat may, moves its cline too, and is "
    "part of the difference. Where no difference was seen a small one may still be there: its interval says how "
    "large. With several pairs compared, one p in twenty falls below 0.05 by chance."
)
_TABLE = marked(
    "Centre, width and bearing of pairs of clines: difference of the second from the first with its {level} interval "
    "and p by simulated surveys; beside them, naive p by chi-square, which takes the traits as independent, and AICc "
    "of the shared model less that of own parameters (below 0: sharing is better). Centres count from the middle of "
    "the sites. All numbers are in tables/concordance.csv."
)
_ALIKE = marked("{pair}: no evidence was seen that their clines differ in {parameters} ({p} for all together).")
_APART = marked("{pair}: their clines differ in {parameters} taken together ({p}), singly in {single}.")
_APART_TOGETHER = marked(
    "{pair}: their clines differ in {parameters} taken together ({p}), though singly in none of them."
)
_STEP = marked(
    "{trait}: the centre was not seen to bend ({p}; {basis}); a step between sites fits as well as a cline, so that "
    "where it lies can't be told: none is drawn."
)
_STRAIGHT = marked("{trait}: the centre was not seen to bend ({p}; {basis}); it is drawn straight.")
_NO_LINE = marked(
    "{trait}: one straight centre line doesn't describe the sites ({p}; {basis}), and no curved one could be settled "
    "on, as with an area effect: none is drawn."
)
_BENT = marked(
    "{trait}: the centre bends ({p}; {basis}), by up to {distance} from the straight line through its ends; it is "
    "drawn curved. Seen along one bearing, as in the models above, a bent cline looks wider than it is, or like a step "
    "with tails."
)


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
    points = [Points(_("Do clines coincide?"), [*map(coincide, told), *_not_compared(left)])] if groups else []
    points += [
        Points(
            _("{species}: centre lines").format(species=species),
            _centre_lines([row for rows in traits.values() for row in rows]),
        )
        for species, traits in by_trait(main_rows(rows_of(curved))).items()
    ]
    return Section(
        "concordance",
        _("Clines compared, and their centres on the map"),
        paragraphs=[_(_PARAGRAPH)] if told else [],
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
        return _("{trait} and {other} of {species}").format(trait=first, other=second, species=row["species"])
    if first == second:
        return _("{trait} of {species} and of {other_species}").format(
            trait=first, species=row["species"], other_species=row["second_species"]
        )
    return _("{trait} of {species} and {other} of {other_species}").format(
        trait=first, species=row["species"], other=second, other_species=row["second_species"]
    )


def _parameter(name: str) -> str:
    """Return a parameter as it stands in a table."""
    return {
        "centre": within("parameter of a cline", "centre"),
        "width": within("parameter of a cline", "width"),
        "bearing": within("parameter of a cline", "bearing"),
        "all": within("parameter of a cline", "all"),
    }[name]


def _differing(names: Sequence[str]) -> str:
    """Return parameters as they stand after "clines differ in"."""
    words = {
        "centre": within("clines differ in", "centre"),
        "width": within("clines differ in", "width"),
        "bearing": within("clines differ in", "bearing"),
    }
    return labels.listing(words[name] for name in names)


def _not_compared(rows: Sequence[Row]) -> list[str]:
    if not rows:
        return []
    pairs = labels.clauses(named(row) for row in rows)
    return [_("Not compared: {pairs}. Why stands in tables/concordance.csv.").format(pairs=pairs)]


def _centre_lines(rows: Sequence[Row]) -> list[str]:
    fitted = [row for row in rows if not row["not_fitted_because"]]
    without = [labels.trait_name(row["trait"]) for row in rows if row["not_fitted_because"]]
    told = [bends(row) for row in fitted]
    if without:
        told.append(
            _("No centre line: {traits}. Why stands in tables/curved.csv.").format(traits=labels.listing(without))
        )
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
    single = [rows[name] for name in _SINGLE if name in rows and known(rows[name]["difference"])]
    apart = [str(row["parameter"]) for row in single if row["p_bootstrap"] <= sentences.LEVEL]
    values = {
        "pair": _pair(whole),
        "parameters": _differing([str(row["parameter"]) for row in single]),
        "p": labels.probability(whole["p_bootstrap"]),
    }
    if whole["p_bootstrap"] > sentences.LEVEL:
        verdict = _(_ALIKE).format(**values)
    elif apart:
        verdict = _(_APART).format(**values, single=_differing(apart))
    else:
        verdict = _(_APART_TOGETHER).format(**values)
    numbers = many(
        "Second against first: {differences} ({sites} site, both traits at {both}).",
        "Second against first: {differences} ({sites} sites, both traits at {both}).",
        whole["sites"],
    ).format(
        differences=labels.clauses(map(_single_difference, single)),
        sites=labels.number(whole["sites"]),
        both=labels.number(whole["sites_both"]),
    )
    return f"{verdict} {numbers}"


def _pair(whole: Row) -> str:
    """Return a pair at the start of a sentence, with what is compared where the one falls as the other rises."""
    pair = labels.sentence(named(whole))
    if str(whole["reversed"]) != "True":
        return pair
    return _("{pair} ({second} falls where {first} rises: the shells without it are compared)").format(
        pair=pair, second=labels.trait_name(whole["second_trait"]), first=labels.trait_name(whole["trait"])
    )


def _single_difference(row: Row) -> str:
    message = {
        "centre": _("centre {difference}, {p}"),
        "width": _("width {difference}, {p}"),
        "bearing": _("bearing {difference}, {p}"),
    }[str(row["parameter"])]
    return message.format(difference=difference(row), p=labels.probability(row["p_bootstrap"]))


def difference(row: Row) -> str:
    """Return a difference with its interval, in the words of its parameter."""
    value, low, high = row["difference"], row["low"], row["high"]
    if row["parameter"] == "centre":
        return _interval(*(_signed(end) if known(end) else "" for end in (value, low, high)))
    if row["parameter"] == "width":
        ratio, *ends = (labels.decimals(end, 2) if known(end) else "" for end in (value, low, high))
        return _interval(_("{ratio} times as wide").format(ratio=ratio), *ends)
    return _interval(*(_turn(end) if known(end) else "" for end in (value, low, high)))


def _interval(value: str, low: str, high: str) -> str:
    if low and high:
        return _("{value} ({low} to {high})").format(value=value, low=low, high=high)
    return _("{value} (limits not found)").format(value=value)


def _signed(metres: float) -> str:
    return ("+" if metres > 0 else "") + labels.distance(metres)


def _turn(degrees: float) -> str:
    return ("+" if round(degrees) > 0 else "") + labels.decimals(degrees, 0) + "°"


def _table(pairs: Sequence[Sequence[Row]], level: str) -> ShownTable:
    rows = []
    for pair in pairs:
        for row in pair:
            if row["not_compared_because"]:
                continue
            rows.append(
                (
                    labels.sentence(named(row)),
                    _parameter(str(row["parameter"])),
                    difference(row) if known(row["difference"]) else "–",
                    p_cell(row["p_bootstrap"]),
                    p_cell(row["p_chi2"]),
                    number_cell(row["aicc_shared"] - row["aicc_own"], 1),
                )
            )
    return ShownTable(
        _(_TABLE).format(level=level),
        (_("Pair"), _("Parameter")),
        (_("Difference"), "p", _("p, naive"), _("AICc, shared − own")),
        rows,
    )


def bends(row: Row) -> str:
    """Say whether a cline's centre is a straight line on the map.

    Parameters
    ----------
    row : mapping
        A row of ``curved.csv`` that holds numbers.
    """
    values = {
        "trait": labels.sentence(sentences.in_text(row)),
        "p": labels.probability(row["p_curved"]),
        "basis": sentences.shells_and_sites(row["shells"], row["sites"]),
    }
    if row["p_curved"] > sentences.LEVEL:
        return _(_STEP if row["drawn"] == "" else _STRAIGHT).format(**values)
    if row["drawn"] != "curved":
        return _(_NO_LINE).format(**values)
    return _(_BENT).format(**values, distance=labels.distance(row["bend_m"]))


def _transect_points(transects: pd.DataFrame) -> list[Points]:
    points = []
    for name in dict.fromkeys(transects["transect"]):
        here = main_rows(rows_of(transects, transect=name))
        length, within_m = labels.distance(here[0]["length_m"]), distance_cell(here[0]["within_m"])
        for species, traits in by_trait(here).items():
            heading = _("Transect {name}, {species} ({length}; sites within {distance})").format(
                name=name, species=species, length=length, distance=within_m
            )
            points.append(Points(heading, [sentences.cline(rows) for rows in traits.values()]))
    return points
