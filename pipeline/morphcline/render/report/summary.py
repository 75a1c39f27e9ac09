"""The head of the report: three to five findings, chosen by a rule that stands beside them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

import pandas as pd

from morphcline.language import _, again, many
from morphcline.records.change_table import OVER_PAIRS, OVER_SPACE
from morphcline.render import labels
from morphcline.render.report import certainty, sentences
from morphcline.render.report.certainty import Finding
from morphcline.render.report.parts import Row, by_trait, leading_traits, rows_of
from morphcline.render.report.phrases import in_points
from morphcline.render.report.sentences import LEVEL, known
from morphcline.render.report.topics.environment import CLASS_TERM, with_points

#: Species whose frequencies the head tells, and the fewest findings that it holds where there are so many.
MOST_SPECIES = 2
FEWEST = 3

#: A finding with what ranks it among others of its kind: small before large.
Ranked = tuple[tuple[float, ...], Finding]


def findings(tables: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """Return three to five findings: frequencies, then of clines, habitats and changes the surest of each.

    Parameters
    ----------
    tables : mapping
        ``regional``, ``clines``, ``environment``, ``marginal_effects`` and ``change``.
    """
    kinds: tuple[Callable[[Mapping[str, pd.DataFrame]], Iterable[Ranked]], ...] = (_clines, _environment, _change)
    told = _frequencies(tables["regional"])[:MOST_SPECIES]
    for kind in kinds:
        told += [finding for _rank, finding in sorted(kind(tables), key=lambda ranked: ranked[0])[:1]]
    return told if len(told) >= FEWEST else [*told, *_unseen(tables)][:FEWEST]


def rule() -> str:
    """Say by which rule the findings are chosen."""
    return _(
        "Chosen by rule: how frequent the leading traits are in the two species with most shells; then, of their "
        "clines and differences between habitats, and of the changes of every trait but the nine morphs, as far as "
        "tests support them, the one of each kind with the smallest p, and of equal ones that with most shells. Where "
        "these are fewer than three, what was looked for and not seen."
    )


def in_words(finding: Finding) -> str:
    """Return how sure a finding is, in the language in force."""
    return again(finding.certainty)


def _leading(rows: Iterable[Row]) -> list[Row]:
    listed = list(rows)
    leading = leading_traits(str(row["trait"]) for row in listed)
    return [row for row in listed if row["trait"] in leading]


def _frequencies(regional: pd.DataFrame) -> list[Finding]:
    told: list[tuple[float, Finding]] = []
    for species, traits in by_trait(_leading(rows_of(regional))).items():
        rows = [row for (row, *_rest) in traits.values() if known(row["low"]) and known(row["frequency"])]
        if not rows:
            continue
        most = max(rows, key=lambda row: float(row["total"]))
        finding = certainty.of_frequencies(sentences.several_frequencies(species, rows, most), rows)
        told.append((-float(most["total"]), finding))
    return [finding for _rank, finding in sorted(told, key=lambda item: item[0])]


def _clines(tables: Mapping[str, pd.DataFrame]) -> Iterator[Ranked]:
    for species, traits in by_trait(_leading(rows_of(tables["clines"]))).items():
        for rows in traits.values():
            best = sentences.chosen_model(rows)
            if best is None or best["model"] == "flat" or str(best.get("fails")) == "True" or not known(best["p_flat"]):
                continue
            low, high = float(best["width_low"]), float(best["width_high"])
            sure = certainty.of_cline(float(best["p_flat"]), float(best["weight"]), low, high)
            rank = (float(best["p_flat"]), -round(float(best["weight"]), 2), -float(best["shells"]))
            yield rank, Finding(_cline(species, best, rows), sure)


def _cline(species: str, best: Row, rows: list[Row]) -> str:
    whole = all(known(best[name]) for name in ("bearing_deg", "width_low", "width_high", "p_min", "p_max"))
    if not whole or best["model"] == "linear":
        return _("{species}: {sentence}").format(species=species, sentence=sentences.lower_first(sentences.cline(rows)))
    return _(
        "{species}: the frequency of {trait} rises from {low} to {high} towards {bearing} ({compass}), over a width of "
        "{width} ({basis}; {weight} of the weight of evidence)."
    ).format(
        species=species,
        trait=labels.trait_name(best["trait"]),
        low=labels.percent(best["p_min"]),
        high=labels.percent(best["p_max"]),
        bearing=labels.bearing(best["bearing_deg"]),
        compass=labels.compass(best["bearing_deg"]),
        width=labels.distance_and_limits(best["width_m"], best["width_low"], best["width_high"]),
        weight=labels.percent(best["weight"]),
        basis=sentences.shells_and_sites(best["shells"], best["sites"]),
    )


def _environment(tables: Mapping[str, pd.DataFrame]) -> Iterator[Ranked]:
    frame = with_points(tables["environment"], tables["marginal_effects"])
    number = {(row["species"], row["trait"]): row for row in rows_of(tables["regional"])}
    for species, traits in by_trait(_leading(rows_of(frame))).items():
        for trait, rows in traits.items():
            joint = next((row for row in rows if row["term"] == "habitat"), None)
            if joint is None or not known(joint["p_spatial"]) or joint["p_spatial"] > LEVEL:
                continue
            classes = [row for row in rows if str(row["term"]).startswith(CLASS_TERM) and known(row["effect"])]
            sure = [row for row in classes if known(row["p_holm"]) and row["p_holm"] <= LEVEL]
            if not sure:
                continue
            surest = min(sure, key=lambda row: float(row["p_holm"]))
            counted = number[species, trait]
            yield (
                (float(joint["p_spatial"]), -float(counted["total"])),
                Finding(
                    _habitat(species, joint, surest, counted),
                    certainty.of_difference(
                        surest["p_holm"], surest["effect"], surest["effect_low"], surest["effect_high"]
                    ),
                ),
            )


def _habitat(species: str, joint: Row, surest: Row, counted: Row) -> str:
    return _(
        "{species}: {points} percentage points ({low} to {high}) in the frequency of {trait}, {habitat} against "
        "{reference}, with place and temperature held; habitats together {p} ({basis})."
    ).format(
        species=species,
        **in_points(surest["effect"], surest["effect_low"], surest["effect_high"]),
        trait=labels.trait_name(joint["trait"]),
        habitat=labels.habitat_name(str(surest["term"]).removeprefix(CLASS_TERM)),
        reference=labels.habitat_name(str(surest["reference"])),
        p=labels.probability(joint["p_spatial"]),
        basis=sentences.shells_and_sites(counted["total"], counted["sites"]),
    )


def _change(tables: Mapping[str, pd.DataFrame]) -> Iterator[Ranked]:
    frame = tables["change"]
    if frame.empty:
        return
    doubtful = {
        (row["species"], row["trait"], row["earlier_survey"])
        for row in rows_of(frame, site="", method=OVER_SPACE)
        if known(row["p_moran"]) and row["p_moran"] <= LEVEL and row["p"] > LEVEL
    }
    for row in rows_of(frame, site="", method=OVER_PAIRS):
        told = row["trait"] in labels.main_traits([row["trait"]]) and known(row["p"]) and row["p"] <= LEVEL
        if not told or (row["species"], row["trait"], row["earlier_survey"]) in doubtful:
            continue
        sure = certainty.of_difference(row["p"], row["difference"], row["low"], row["high"])
        yield (float(row["p"]), -float(row["later_total"])), Finding(_changed(row), sure)


def _changed(row: Row) -> str:
    pairs = int(row["pairs"])
    return _(
        "{species}: {points} percentage points ({low} to {high}) in the frequency of {trait} since {survey}, {then} "
        "then and {now} now ({pairs}; {p})."
    ).format(
        species=row["species"],
        **in_points(row["difference"], row["low"], row["high"]),
        trait=labels.trait_name(row["trait"]),
        survey=row["earlier_survey"],
        then=labels.percent(row["earlier_frequency"]),
        now=labels.percent(row["later_frequency"]),
        pairs=many("{n} pair of places", "{n} pairs of places", pairs).format(n=labels.number(pairs)),
        p=labels.probability(row["p"]),
    )


def _unseen(tables: Mapping[str, pd.DataFrame]) -> Iterator[Finding]:
    """Yield what was looked for in the traits of most shells and not seen."""
    frame = tables["change"]
    told = [] if frame.empty else _leading(rows_of(frame, site="", method=OVER_PAIRS))
    quiet = [row for row in told if known(row["p"]) and row["p"] > LEVEL]
    if quiet:
        row = max(quiet, key=lambda row: float(row["later_total"]))
        yield _not_seen(str(row["species"]), sentences.change(row))
    flat = []
    for species, traits in by_trait(_leading(rows_of(tables["clines"]))).items():
        for rows in traits.values():
            best = sentences.chosen_model(rows)
            if best is not None and best["model"] == "flat":
                flat.append((float(best["shells"]), species, rows))
    if flat:
        _shells, species, rows = max(flat, key=lambda item: item[0])
        yield _not_seen(species, sentences.cline(rows))


def _not_seen(species: str, sentence: str) -> Finding:
    text = _("{species}: {sentence}").format(species=species, sentence=sentences.lower_first(sentence))
    return Finding(text, certainty.UNCERTAIN)
