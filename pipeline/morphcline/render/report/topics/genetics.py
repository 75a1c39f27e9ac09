"""What the phenotypes say of alleles, of colour and banding together, and of differences between sites."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from morphcline.render import labels
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
from morphcline.render.report.sentences import LEVEL, known

_LEVELS = {
    "sites": "between sites",
    "habitats": "between habitats",
    "sites within habitats": "between sites of a habitat",
}
_UNSURE = " The test sees a change, but how steep it is isn't known: the slope's interval holds 0."
#: Rows of differentiation.csv that the report shows.
_SHOWN = ("colour", "unbanded", "mid-banded")


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
        "Genetics and association",
        points=points,
        figures=figures_named(figures, "isolation"),
        tables=[_alleles(alleles, level), _differentiation(differ, level)],
        notes=[
            "Allele frequencies rest on Hardy–Weinberg proportions within each site and on the dominance known of "
            "these species; shells alone can test neither. Association and differentiation are of phenotypes as such, "
            "and need no such assumption.",
            "Intervals are by how sites scatter, sites taken for independent draws of the places in the region. Where "
            "near sites are alike they are too narrow for the region itself, and habitats that lie together differ for "
            "that alone: the section on habitat and temperature allows for it.",
            "That sites differ more the farther apart they lie has many causes, among them limited movement, a "
            "cline, a change of habitat across the region, and history; the test doesn't tell them apart. Every site "
            "is in tables/associations.csv and tables/alleles.csv.",
        ],
    )


def association(row: Row) -> str:
    """Say how far two characters go together within sites.

    Parameters
    ----------
    row : mapping
        A row of ``associations.csv`` over all sites.
    """
    first, second = str(row["pair"]).split(" / ")
    among = " among banded shells" if second == "mid-banded" else ""
    if not known(row["d_prime_within"]):
        return ""
    basis = f"{labels.counted(int(row['n']), 'shell')}"
    value = f"D′ = {labels.decimals(row['d_prime_within'])}"
    if not known(row["d_prime_within_low"]):
        pair = f"{labels.sentence(first)} and {second}{among}"
        return f"{pair}, within sites: {value}, too few sites for an interval ({basis})."
    low, high = row["d_prime_within_low"], row["d_prime_within_high"]
    if low > 0:
        words = "go together more than chance makes them"
    elif high < 0:
        words = "go together less than chance makes them"
    else:
        words = "were not seen to go together or apart"
    odds = ""
    if known(row["odds_ratio"]) and known(row["odds_ratio_low_sites"]):
        odds = (
            f"; odds ratio {row['odds_ratio']:.2f}, "
            f"{row['odds_ratio_low_sites']:.2f} to {row['odds_ratio_high_sites']:.2f}"
        )
    return (
        f"{labels.sentence(first)} and {second}{among} {words} within sites: {value} ({labels.decimals(low)} to "
        f"{labels.decimals(high)}{odds}; {basis})."
    )


def differentiation(row: Row) -> str:
    """Say how far sites or habitats differ in one trait.

    Parameters
    ----------
    row : mapping
        A row of ``differentiation.csv``.
    """
    head = f"Differentiation {_LEVELS[row['level']]} in {_of(row['trait'])}"
    if not known(row["fst_corrected"]):
        return f"{head}: not estimated, because {row['note']}."
    within = (
        f" ({labels.decimals(row['low'])} to {labels.decimals(row['high'])}" if known(row["low"]) else " (no interval"
    )
    basis = labels.counted(int(row["sites"]), "site")
    if row["level"] == "habitats":
        basis = f"{labels.counted(int(row['units']), 'habitat')}, {basis}"
    p = f"; {labels.probability(row['p'])}" if known(row["p"]) else ""
    unclear = ", which is not more than chance makes" if known(row["p"]) and row["p"] > LEVEL else ""
    return f"{head}: F_ST = {labels.decimals(row['fst_corrected'])}{within}; {basis}{p}){unclear}."


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
            continue
        if row["not_tested_because"]:
            told.append(
                f"Isolation by distance in {_of(row['trait'])}: not tested, because {row['not_tested_because']}."
            )
            continue
        rises = row["p_mantel"] <= LEVEL
        sign = "rises" if row["slope_per_doubling"] > 0 else "falls"
        words = (
            f"Differentiation in {_of(row['trait'])} {sign} with distance"
            if rises
            else (f"Differentiation in {_of(row['trait'])} was not seen to change with distance")
        )
        interval = f" ({_small(row['low'])} to {_small(row['high'])})" if known(row["low"]) else ""
        told.append(
            f"{words}: {_small(row['slope_per_doubling'])}{interval} for each doubling of distance, as F_ST / "
            f"(1 − F_ST); r = {labels.decimals(row['mantel_r'])}, Mantel's {labels.probability(row['p_mantel'])}, "
            f"{labels.counted(int(row['sites']), 'site')}."
            + (_UNSURE if rises and known(row["low"]) and row["low"] <= 0 <= row["high"] else "")
        )
    return told


def _compared(row: Row) -> str:
    low, high = row["low"], row["high"]
    words = "The two rises were not seen to differ"
    if low > 0 or high < 0:
        words = f"It rises {'faster' if low > 0 else 'more slowly'} in colour than in banding"
    return f"{words}: colour less banding {_small(row['slope_per_doubling'])} ({_small(low)} to {_small(high)})."


def _of(trait: str) -> str:
    return {"colour": "colour", "unbanded": "banding (unbanded or not)", "mid-banded": "mid-banded among banded"}[trait]


def _small(value: float) -> str:
    return labels.decimals(value, 3)


def _alleles(rows: Sequence[Row], level: str) -> ShownTable:
    return ShownTable(
        "Allele frequencies, the mean over sites, by the phenotypes under Hardy–Weinberg proportions. F_ST is of the "
        "allele against the others, freed of sampling error.",
        ("Species", "Locus", "Allele"),
        ("Sites", "Shells", "Frequency", f"{level} interval", "F_ST"),
        [
            (
                row["species"], str(row["locus"]), str(row["allele"]), labels.number(row["sites"]),
                labels.number(row["total"]), number_cell(row["frequency"], 3),
                f"{row['low']:.3f} to {row['high']:.3f}" if known(row["low"]) else "–",
                number_cell(row["f_st_corrected"], 3),
            )
            for row in rows
        ],
    )  # fmt: skip


def _differentiation(rows: Sequence[Row], level: str) -> ShownTable:
    return ShownTable(
        "F_ST of phenotype frequencies, shells treated as copies of an allele; colour: the three colours together. "
        "Other traits are in tables/differentiation.csv.",
        ("Species", "Trait", "Level"),
        ("Sites", "F_ST, uncorrected", "F_ST", f"{level} interval", "p"),
        [
            (
                row["species"], labels.sentence(str(row["trait"])), labels.sentence(str(row["level"])),
                labels.number(row["sites"]), number_cell(row["fst"], 3), number_cell(row["fst_corrected"], 3),
                f"{_small(row['low'])} to {_small(row['high'])}" if known(row["low"]) else "–",
                p_cell(row["p"]),
            )
            for row in rows
        ],
    )  # fmt: skip
