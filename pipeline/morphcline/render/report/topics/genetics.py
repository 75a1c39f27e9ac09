"""What the phenotypes say of alleles, of colour and banding together, and of differences between sites."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.reasons import reason
from morphcline.render.report.parts import (
    Points,
    Row,
    Section,
    ShownFigure,
    ShownTable,
    figures_named,
    number_cell,
    p_cell,
    rows_of,
)
from morphcline.render.report.phrases import clauses, limits
from morphcline.render.report.sentences import LEVEL, known, shells_in_words, sites_in_words

#: Rows of differentiation.csv that the report shows.
_SHOWN = ("colour", "unbanded", "mid-banded")
#: In what alleles and shells differ, as the tables have it.
_CHARACTERS = {
    "colour": marked("colour"),
    "unbanded": marked("banding (unbanded or not)"),
    "mid-banded": marked("mid-banded among banded"),
}
_LOCI = {"colour": marked("colour"), "banding": marked("banding"), "mid-banding": marked("mid-banding")}
_LEVELS = {
    "sites": marked("Sites"), "habitats": marked("Habitats"), "sites within habitats": marked("Sites within habitats"),
}  # fmt: skip


def genetics(tables: Mapping[str, pd.DataFrame], figures: Sequence[ShownFigure], level: str) -> Section | None:
    """Say how colour and banding go together, how sites differ, and whether distance tells by how much.

    Parameters
    ----------
    tables : mapping
        ``associations``, ``alleles``, ``differentiation`` and ``isolation``.
    figures : sequence of ShownFigure
    level : str
        Of the intervals, such as ``"95%"``.

    Returns
    -------
    Section or None
        None where no table has a row.
    """
    alleles = rows_of(tables["alleles"], site="")
    pairs = rows_of(tables["associations"], site="")
    differ = [row for row in rows_of(tables["differentiation"]) if row["trait"] in _SHOWN]
    apart = rows_of(tables["isolation"])
    species = list(dict.fromkeys(row["species"] for rows in (alleles, pairs, differ) for row in rows))
    if not species:
        return None
    points = []
    for name in species:
        own = [[row for row in rows if row["species"] == name] for rows in (pairs, differ, apart)]
        told = [association(row) for row in own[0]]
        told += [differentiation(row) for row in own[1] if row["level"] == "sites"]
        told += [differentiation(row) for row in own[1] if row["level"] == "habitats" and known(row["fst_corrected"])]
        points.append(Points(name, [text for text in (*told, *isolation(own[2])) if text]))
    return Section(
        "genetics",
        _("Genetics and association"),
        points=points,
        figures=figures_named(figures, "isolation"),
        tables=[_alleles(alleles, level), _differentiation(differ, level)],
        notes=[
            _(
                "Allele frequencies rest on Hardy–Weinberg proportions within each site and on the dominance known of "
                "these species; shells alone can test neither. Association and differentiation are of phenotypes as "
                "such, and need no such assumption."
            ),
            _(
                "Intervals are by how sites scatter, sites taken for independent draws of the places in the region. "
                "Where near sites are alike they are too narrow for the region itself, and habitats that lie together "
                "differ for that alone: the section on habitat and temperature allows for it."
            ),
            _(
                "That sites differ more the farther apart they lie has many possible causes, among them limited "
                "movement, a cline, a change of habitat across the region, and history; the test doesn't tell them "
                "apart. Every site is in tables/associations.csv and tables/alleles.csv."
            ),
        ],
    )


def association(row: Row) -> str:
    """Say how far two characters go together within sites.

    Parameters
    ----------
    row : mapping
        A row of ``associations.csv`` over all sites.
    """
    if not known(row["d_prime_within"]):
        return ""
    pair, shells = _pair(str(row["pair"])), shells_in_words(row["n"])
    value = labels.decimals(row["d_prime_within"])
    low, high = row["d_prime_within_low"], row["d_prime_within_high"]
    if not known(low):
        return _("{pair}, within sites: D′ = {value}, too few sites for an interval ({shells}).").format(
            pair=pair, value=value, shells=shells
        )
    numbers = [limits(labels.decimals(low), labels.decimals(high))]
    if known(row["odds_ratio"]) and known(row["odds_ratio_low_sites"]):
        ends = limits(labels.decimals(row["odds_ratio_low_sites"]), labels.decimals(row["odds_ratio_high_sites"]))
        numbers.append(_("odds ratio {ratio}, {limits}").format(ratio=labels.decimals(row["odds_ratio"]), limits=ends))
    if low > 0:
        message = _("{pair} go together within sites more than chance makes them: D′ = {value} ({numbers}).")
    elif high < 0:
        message = _("{pair} go together within sites less than chance makes them: D′ = {value} ({numbers}).")
    else:
        message = _("{pair} were not seen to go together or apart within sites: D′ = {value} ({numbers}).")
    return message.format(pair=pair, value=value, numbers=clauses([*numbers, shells]))


def _pair(pair: str) -> str:
    first, second = pair.split(" / ")
    names = {"first": labels.trait_title(first), "second": labels.trait_name(second)}
    if second == "mid-banded":
        return _("{first} and {second} among banded shells").format(**names)
    return _("{first} and {second}").format(**names)


def differentiation(row: Row) -> str:
    """Say how far sites or habitats differ in one trait.

    Parameters
    ----------
    row : mapping
        A row of ``differentiation.csv``.
    """
    what = _between(str(row["level"])).format(trait=_character(row["trait"]))
    if not known(row["fst_corrected"]):
        return _("{what}: not estimated, because {reason}.").format(what=what, reason=reason(row["note"]))
    numbers = [_range(row) if known(row["low"]) else _("no interval"), _units(row)]
    if known(row["p"]):
        numbers.append(labels.probability(row["p"]))
    if known(row["p"]) and row["p"] > LEVEL:
        message = _("{what}: F_ST = {value} ({numbers}), which could be chance.")
    else:
        message = _("{what}: F_ST = {value} ({numbers}).")
    return message.format(what=what, value=labels.decimals(row["fst_corrected"]), numbers=clauses(numbers))


def _between(level: str) -> str:
    if level == "sites":
        return _("Differentiation between sites in {trait}")
    if level == "habitats":
        return _("Differentiation between habitats in {trait}")
    return _("Differentiation between sites of a habitat in {trait}")


def _range(row: Row) -> str:
    return limits(labels.decimals(row["low"]), labels.decimals(row["high"]))


def _units(row: Row) -> str:
    sites = sites_in_words(row["sites"])
    if row["level"] != "habitats":
        return sites
    return many("{n} habitat, {sites}", "{n} habitats, {sites}", row["units"]).format(
        n=labels.number(row["units"]), sites=sites
    )


def isolation(rows: Sequence[Row]) -> list[str]:
    """Say whether differentiation rises with distance, in colour and in banding, and whether the two differ.

    Parameters
    ----------
    rows : sequence of mappings
        Rows of ``isolation.csv`` of one species.
    """
    told = []
    for row in rows:
        if " less " in row["trait"]:
            if known(row["low"]):
                told.append(_compared(row))
        elif row["not_tested_because"]:
            told.append(
                _("Isolation by distance in {trait}: not tested, because {reason}.").format(
                    trait=_character(row["trait"]), reason=reason(row["not_tested_because"])
                )
            )
        else:
            told.append(_slope(row))
    return told


def _slope(row: Row) -> str:
    seen = row["p_mantel"] <= LEVEL
    if not seen:
        finding = _("Differentiation in {trait} was not seen to change with distance")
    elif row["slope_per_doubling"] > 0:
        finding = _("Differentiation in {trait} rises with distance")
    else:
        finding = _("Differentiation in {trait} falls with distance")
    spans = known(row["low"])
    told = _(
        "{finding}: {slope} ({limits}) for each doubling of distance, as F_ST / (1 − F_ST); r = {r}, Mantel's {p}, "
        "{sites}."
    ).format(
        finding=finding.format(trait=_character(row["trait"])),
        slope=_small(row["slope_per_doubling"]),
        limits=limits(_small(row["low"]), _small(row["high"])) if spans else _("no interval"),
        r=labels.decimals(row["mantel_r"]),
        p=labels.probability(row["p_mantel"]),
        sites=sites_in_words(row["sites"]),
    )
    if seen and spans and row["low"] <= 0 <= row["high"]:
        unsure = _("The test sees a change, but how steep it is isn't known: the slope's interval holds 0.")
        return f"{told} {unsure}"
    return told


def _compared(row: Row) -> str:
    low, high = row["low"], row["high"]
    if low > 0:
        message = _(
            "Differentiation rises faster in colour than in banding: colour less banding {slope} ({limits}; {sites})."
        )
    elif high < 0:
        message = _(
            "Differentiation rises more slowly in colour than in banding: colour less banding {slope} ({limits}; "
            "{sites})."
        )
    else:
        message = _("The two rises were not seen to differ: colour less banding {slope} ({limits}; {sites}).")
    return message.format(
        slope=_small(row["slope_per_doubling"]),
        limits=limits(_small(low), _small(high)),
        sites=sites_in_words(row["sites"]),
    )


def _character(trait: str) -> str:
    return _(_CHARACTERS[trait])


def _small(value: float) -> str:
    return labels.decimals(value, 3)


def _interval_cell(row: Row) -> str:
    return limits(_small(row["low"]), _small(row["high"])) if known(row["low"]) else "–"


def _alleles(rows: Sequence[Row], level: str) -> ShownTable:
    return ShownTable(
        _(
            "Allele frequencies, the mean over sites, by the phenotypes under Hardy–Weinberg proportions. F_ST is of "
            "the allele against the others, corrected for sampling error."
        ),
        (_("Species"), _("Locus"), _("Allele")),
        (_("Sites"), _("Shells"), _("Frequency"), _("{level} interval").format(level=level), "F_ST"),
        [
            (
                row["species"], _locus(row), _allele(row["allele"]), labels.number(row["sites"]),
                labels.number(row["total"]), number_cell(row["frequency"], 3), _interval_cell(row),
                number_cell(row["f_st_corrected"], 3),
            )
            for row in rows
        ],
    )  # fmt: skip


def _locus(row: Row) -> str:
    name = _LOCI[row["locus"]]
    return _(name)


def _level(row: Row) -> str:
    name = _LEVELS[row["level"]]
    return _(name)


def _allele(name: str) -> str:
    return _("banded") if name == "banded" else labels.trait_name(name)


def _differentiation(rows: Sequence[Row], level: str) -> ShownTable:
    return ShownTable(
        _(
            "F_ST of phenotype frequencies, shells treated as copies of an allele; colour: the three colours together. "
            "Other traits are in tables/differentiation.csv."
        ),
        (_("Species"), _("Trait"), _("Level")),
        (_("Sites"), _("F_ST, uncorrected"), "F_ST", _("{level} interval").format(level=level), "p"),
        [
            (
                row["species"], _trait_title(row["trait"]), _level(row),
                labels.number(row["sites"]), number_cell(row["fst"], 3), number_cell(row["fst_corrected"], 3),
                _interval_cell(row), p_cell(row["p"]),
            )
            for row in rows
        ],
    )  # fmt: skip


def _trait_title(trait: str) -> str:
    return labels.sentence(_character(trait)) if trait == "colour" else labels.trait_title(trait)
