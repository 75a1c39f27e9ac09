"""Sentences made from rows of the tables: the effect first, then its interval, then on how much it rests.

Nothing is called a cause. Where a test finds nothing, the sentence says that none was seen, not that none is there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from morphcline.render import labels

Row = Mapping[str, Any]

LEVEL = 0.05


def known(value: Any) -> bool:
    """Return whether a cell holds a number."""
    return value is not None and not (isinstance(value, float) and math.isnan(value)) and value != ""


def shells_and_sites(shells: float, sites: float) -> str:
    """Return ``"3,120 shells from 288 sites"``."""
    return f"{labels.counted(int(shells), 'shell')} from {labels.counted(int(sites), 'site')}"


def in_text(row: Row) -> str:
    """Return a row's trait with its denominator."""
    return str(row["in_text"]) if "in_text" in row else labels.trait_in_text(row["trait"])


def subject(row: Row) -> str:
    """Return a row's trait so that a verb can follow: ``"Yellow (among shells scored for colour)"``."""
    name, comma, among = in_text(row).partition(", ")
    return labels.sentence(f"{name} ({among})" if comma else name)


def lower_first(text: str) -> str:
    """Return text with a small letter at its start, to follow a colon."""
    return text[:1].lower() + text[1:]


def frequency(row: Row) -> str:
    """Say a regional frequency, its interval and on how much it rests.

    Parameters
    ----------
    row : mapping
        A row of ``regional.csv``.
    """
    if not known(row["frequency"]):
        return f"{labels.sentence(in_text(row))}: not estimated."
    return (
        f"{labels.sentence(in_text(row))}: {labels.percent(row['frequency'])} "
        f"({labels.percent_range(row['low'], row['high'])}; {shells_and_sites(row['total'], row['sites'])})."
    )


def scatter(rows: Sequence[Row]) -> str:
    """Say in which traits sites differ by more than chance.

    Parameters
    ----------
    rows : sequence of mappings
        Rows of ``regional.csv`` of one species.
    """
    tested = [row for row in rows if known(row["p_overdispersion"])]
    beyond = [labels.trait_name(row["trait"]) for row in tested if row["p_overdispersion"] <= LEVEL]
    within = [labels.trait_name(row["trait"]) for row in tested if row["p_overdispersion"] > LEVEL]
    parts = []
    if beyond:
        parts.append(
            f"Sites differ by more than chance alone would make them in {labels.listing(beyond)}; the intervals allow "
            "for that scatter, but not for near sites being alike."
        )
    if within:
        parts.append(f"In {labels.listing(within)} they were not seen to differ beyond chance.")
    if tested:
        parts.append("This test leaves out where the sites lie.")
    else:
        parts.append("Whether sites differ beyond chance could not be tested.")
    return " ".join(parts)


def surface(rows: Sequence[Row], *, neighbours: int | None = None) -> str:
    """Say how one species was smoothed.

    Parameters
    ----------
    rows : sequence of mappings
        Rows of ``surfaces.csv`` of one species, of the traits that figures show.
    neighbours : int, optional
        Where the bandwidth follows the sites: the sites it reaches.
    """
    drawn = [row for row in rows if known(row["bandwidth_m"])]
    if not drawn:
        because = next((row["not_smoothed_because"] for row in rows if row["not_smoothed_because"]), "")
        return f"{rows[0]['species']}: no surface" + (f", because {because}." if because else ".")
    first = drawn[0]
    kind = "local logistic fits" if first["degree"] == 1 else "kernel-weighted proportions"
    widths = "; ".join(
        f"{labels.distance(metres)} for {labels.listing(labels.trait_name(row['trait']) for row in alike)}"
        for metres, alike in _by_bandwidth(drawn).items()
    )
    blank = [row for row in drawn if row["cells_blank"]]
    cells = labels.counted(int(first["cells"]), "cell")
    tail = f"No trait leaves any of the {cells} of the area blank."
    if blank:
        parts = [f"{labels.number(row['cells_blank'])} for {labels.trait_name(row['trait'])}" for row in blank]
        tail = f"Of {cells} in the area some stay blank, for want of shells near them: {labels.listing(parts)}."
    reach = f"a bandwidth that reaches the {neighbours} nearest sites (median " if neighbours else "a bandwidth of "
    kernel = f"{str(first['kernel']).capitalize()} kernel"
    return f"{first['species']}: {kind}, {kernel}, with {reach}{widths}{')' if neighbours else ''}. {tail}"


def _by_bandwidth(rows: Sequence[Row]) -> dict[float, list[Row]]:
    groups: dict[float, list[Row]] = {}
    for row in rows:
        groups.setdefault(float(row["bandwidth_m"]), []).append(row)
    return groups


def neighbours(rows: Sequence[Row]) -> list[str]:
    """Say in which traits neighbouring sites are alike.

    Parameters
    ----------
    rows : sequence of mappings
        Rate-adjusted rows of ``autocorrelation.csv`` of one species.
    """
    tested = [row for row in rows if known(row["moran_i"])]
    clear = [row for row in tested if row["p_permutation"] <= LEVEL]
    told = []
    for words, chosen in (
        ("more alike than chance makes them", [row for row in clear if row["moran_i"] > row["expected"]]),
        ("less alike than chance makes them", [row for row in clear if row["moran_i"] < row["expected"]]),
        ("not seen to be more alike than chance makes them", [row for row in tested if row not in clear]),
    ):
        if chosen:
            told.append(f"Neighbouring sites are {words} in {labels.listing(_index(row) for row in chosen)}.")
    told += [
        f"Not tested: {labels.trait_name(row['trait'])}, because {row['not_tested_because']}."
        for row in rows
        if not known(row["moran_i"])
    ]
    return told


def _index(row: Row) -> str:
    numbers = (
        f"I = {labels.decimals(row['moran_i'])}, {labels.probability(row['p_permutation'])}, {int(row['sites'])} sites"
    )
    if known(row.get("p_mc_low")) and row["p_mc_low"] <= LEVEL < row["p_mc_high"]:
        numbers += f"; so few permutations can't tell which side of {LEVEL:g} it lies"
    return f"{labels.trait_name(row['trait'])} ({numbers})"


def chosen_model(rows: Sequence[Row]) -> Row | None:
    """Return the row of ``clines.csv`` that the stage chose for a trait, or None when nothing could be fitted."""
    return next((row for row in rows if row["chosen"] is True or str(row["chosen"]) == "True"), None)


def cline(rows: Sequence[Row]) -> str:
    """Say what the best-supported cline model says of one species and trait.

    Parameters
    ----------
    rows : sequence of mappings
        The rows of ``clines.csv`` of one species and trait, a model each.
    """
    trait = labels.sentence(in_text(rows[0]))
    best = chosen_model(rows)
    if best is None:
        reason = next((row["not_fitted_because"] for row in rows if row["not_fitted_because"]), "no fit converged")
        return f"{trait}: no cline fitted, because {reason}."
    basis = f"{shells_and_sites(best['shells'], best['sites'])}; AICc weight {best['weight']:.2f}"
    if best["model"] == "flat":
        return f"{trait}: no cline is needed to describe the sites ({basis}{_flat(best)}).{_flat_but(best)}"
    if best["model"] == "linear":
        return (
            f"{subject(best)} changes evenly over the stretch surveyed, rising{_towards(best)} from "
            f"{labels.percent(best['p_min'])} to {labels.percent(best['p_max'])} ({basis}).{_left_over(best)}"
        )
    parts = [f"{subject(best)} rises{_towards(best)}"]
    if known(best["centre_m"]):
        parts.append(f"its centre lies {_with_interval(best, 'centre')} {_from_where(best)}")
    if known(best["width_m"]):
        parts.append(_width(best))
    if known(best.get("tail_share")):
        parts.append(_tails(best))
    if known(best["p_min"]) and known(best["p_max"]) and best["model"] != "sigmoid":
        parts.append(f"from {labels.percent(best['p_min'])} to {labels.percent(best['p_max'])}")
    return f"{', '.join(parts)} ({labels.model_name(best['model'])}; {basis}).{_left_over(best)}"


def _width(row: Row) -> str:
    if known(row["width_high"]) and not known(row["width_low"]):
        if row["step"]:
            return (
                f"it is a step as far as the sites tell: narrower than {labels.distance(row['width_high'])}, which is "
                f"within the {labels.distance(row['spacing_m'])} between neighbouring sites"
            )
        return f"its width can't be told beyond this: it is less than {labels.distance(row['width_high'])}"
    if not known(row["width_low"]) and known(row.get("spacing_m")):
        return "its width can't be told"
    told = f"its width is {_with_interval(row, 'width')}"
    low, high = row.get("width_low_given_ends"), row.get("width_high_given_ends")
    if low is None or high is None or not (known(low) and known(high)):
        return told
    if (low, high) != (row["width_low"], row["width_high"]):
        told += f", or {labels.distance_range(low, high)} if its ends are 0 and 100%, which the sites don't show"
    return told


def _tails(row: Row) -> str:
    share = labels.percent(row["tail_share"])
    slopes = {end: f"{row[f'slope_{end}']:.2g}" for end in ("min", "max")}
    where = (
        f"{slopes['min']} times"
        if row["model"] == "stepped, symmetric tails"
        else f"{slopes['min']} times at the low end and {slopes['max']} times at the high end"
    )
    return (
        f"the last {share} of the way to either end is a tail, in which the gradient drops at once to {where} that of "
        "the central step"
    )


def _left_over(row: Row) -> str:
    """Say when one line of change doesn't describe the map."""
    if _fails(row):
        what = "one frequency everywhere" if row["model"] == "flat" else "one line of change"
        numbers = "" if row["model"] == "flat" else " The numbers are those of the line that comes nearest."
        return (
            f" But {what} doesn't describe the map: surveys drawn from this model seldom depart from it as much "
            f"({labels.probability(row['p_fit'])}{_alike(row)}), as where the trait has an area of its own or rises "
            f"and falls again.{numbers}"
        )
    if known(row.get("p_fit")) and row["p_fit"] <= LEVEL:
        share = f"{labels.percent(row['residual_share'])} of what it leaves over is common to neighbours"
        return (
            f" Patches of neighbouring sites depart from it ({labels.probability(row['p_fit'])} against surveys drawn "
            f"from the model; {share}); the limits allow for that."
        )
    if not _alike(row):
        return ""
    value = f"{row['residual_moran_i']:.2f}"
    return (
        f" What it leaves over is still alike among neighbours (I = {value}, "
        f"{labels.probability(row['residual_moran_p'])}): beside the one line of change, patches differ, as with "
        "habitat or an area effect."
    )


def _alike(row: Row) -> str:
    if not known(row["residual_moran_p"]) or row["residual_moran_p"] > LEVEL or row["residual_moran_i"] < 0.1:
        return ""
    return f"; Moran's I of what is left over {row['residual_moran_i']:.2f}"


def _flat_but(row: Row) -> str:
    return _left_over(row) if _fails(row) else ""


def _fails(row: Row) -> bool:
    return str(row.get("fails")) == "True"


def _flat(row: Row) -> str:
    return f"; {labels.probability(row['p_flat'])} against a flat frequency" if known(row["p_flat"]) else ""


def _towards(row: Row) -> str:
    if not known(row["bearing_deg"]):
        return " along the line given" if row["direction"] == "along" else " against the direction of the line given"
    text = f" towards {labels.bearing(row['bearing_deg'])}"
    if known(row["bearing_low"]) and known(row["bearing_high"]):
        text += f" ({labels.bearing(row['bearing_low'])} to {labels.bearing(row['bearing_high'])})"
    return text


def _from_where(row: Row) -> str:
    if not known(row["bearing_deg"]):
        return "from the start of the line"
    return "from the middle of the sites, counted that way"


def _with_interval(row: Row, name: str) -> str:
    value, low, high = row[f"{name}_m"], row[f"{name}_low"], row[f"{name}_high"]
    limits = labels.distance_limits(low, high) or "limits not found"
    if known(low) != known(high):
        limits += f"; no {'upper' if known(low) else 'lower'} limit"
    return f"{labels.distance(value)} ({limits})"


def habitats(joint: Row, classes: Sequence[Row]) -> str:
    """Say whether habitats differ in a trait, and which class stands out most surely from the reference.

    Parameters
    ----------
    joint : mapping
        The row of ``environment.csv`` whose term is ``habitat``: all classes together.
    classes : sequence of mappings
        The rows of the classes; with ``effect, effect_low, effect_high`` of ``marginal_effects.csv`` in points.
    """
    if not known(joint["p_spatial"]):
        return f"{_trait(joint)}: what habitat explains was not estimated."
    told = [row for row in classes if known(row["p_holm"]) and row["p_holm"] <= LEVEL]
    if not told or joint["p_spatial"] > LEVEL:
        return f"{_trait(joint)}: {_verdict(joint, 'habitats')}."
    surest = min(told, key=lambda row: float(row["p_holm"]))
    among = f", the surest of {labels.counted(len(classes), 'class', 'classes')} compared" if len(classes) > 1 else ""
    holm = f"{labels.probability(surest['p_holm'])} by Holm's correction"
    return f"{_trait(joint)}: {_verdict(joint, 'habitats')}; {_odds_in_words(surest)} ({holm}{among})."


def temperature(row: Row) -> str:
    """Say whether a trait changes with temperature.

    Parameters
    ----------
    row : mapping
        The row of ``environment.csv`` whose term is ``temperature_c``.
    """
    if not known(row["p_spatial"]):
        return f"{_trait(row)}: what temperature explains was not estimated."
    text = f"{_trait(row)}: {_verdict(row, 'warmer and cooler sites')}"
    return f"{text}; {_odds_in_words(row)}." if row["p_spatial"] <= LEVEL else f"{text}."


def is_quiet(row: Row) -> bool:
    """Return whether a term was seen to matter neither with space allowed for nor without."""
    return bool(row["p_spatial"] > LEVEL and not (known(row["p_naive"]) and row["p_naive"] <= LEVEL))


def _verdict(row: Row, what: str) -> str:
    numbers = f"{labels.probability(row['p_spatial'])} with space allowed for"
    if known(row["p_naive"]):
        numbers += f", {labels.probability(row['p_naive'])} without"
    if row["p_spatial"] <= LEVEL:
        return f"{what} differ by more than the lie of the sites explains ({numbers})"
    if known(row["p_naive"]) and row["p_naive"] <= LEVEL:
        return f"{what} seem to differ, but once space is allowed for this could be chance ({numbers})"
    return f"{what} were not seen to differ ({numbers})"


def _trait(row: Row) -> str:
    return labels.sentence(in_text(row))


def _odds_in_words(row: Row) -> str:
    """Say a difference in points where the row holds it, else as a ratio of odds."""
    if known(row.get("effect")):
        limits = f"{labels.points(row['effect_low'])} to {labels.points(row['effect_high'])}"
        return f"{labels.points(row['effect'])} percentage points ({limits}) {_compared(row)}"
    ratio, limits = odds(row)
    return f"the odds are {ratio} times ({limits}) {_term(row)}"


def _compared(row: Row) -> str:
    term = str(row["term"])
    if term.startswith("temperature"):
        return "for each degree Celsius more"
    habitat = term.removeprefix("habitat: ")
    return f"in {habitat} against {row['reference']}" if row["reference"] else f"in {habitat}"


def odds(row: Row) -> tuple[str, str]:
    """Return a row's odds ratio and its interval, from estimates on the logit scale."""
    low, high = math.exp(row["low"]), math.exp(row["high"])
    return f"{math.exp(row['estimate']):.2f}", f"{low:.2f} to {high:.2f}"


def _term(row: Row) -> str:
    term = str(row["term"])
    if term.startswith("temperature"):
        return "as large for each degree Celsius more"
    habitat = term.removeprefix("habitat: ")
    return f"as large in {habitat} as in {row['reference']}" if row["reference"] else f"as large in {habitat}"


def change(row: Row) -> str:
    """Say how a trait changed over all pairs of an earlier and a present site.

    Parameters
    ----------
    row : mapping
        A pooled row of ``change.csv`` whose test allows for differences between sites.
    """
    trait = labels.sentence(in_text(row))
    numbers = (
        f"{labels.percent(row['earlier_frequency'])} then, {labels.percent(row['later_frequency'])} now, over "
        f"{labels.counted(int(row['pairs']), 'pair')} of places with {labels.number(row['earlier_total'])} and "
        f"{labels.number(row['later_total'])} shells"
    )
    if not known(row["p"]):
        return f"{trait}: {numbers}; not tested."
    interval = ""
    if known(row["low"]) and known(row["high"]):
        interval = f", {labels.points(row['low'])} to {labels.points(row['high'])}"
    moved = f"{labels.points(row['difference'])} percentage points{interval}; {labels.probability(row['p'])}"
    if row["p"] > LEVEL:
        return f"{trait}: no change was seen ({numbers}: {moved}); {_could_see(row)}."
    verb = "rose" if row["difference"] > 0 else "fell"
    return f"{subject(row)} {verb} since {_survey(row)} ({numbers}: {moved})."


def _could_see(row: Row) -> str:
    if not known(row.get("detectable_difference")):
        return "a small one may have been missed"
    points = labels.points(row["detectable_difference"]).removeprefix("+")
    return f"a change of {points} points or more would have been seen in 80 of 100 such surveys"


def _survey(row: Row) -> str:
    name = str(row["earlier_survey"])
    return name if name.isdecimal() and len(name) == 4 else f"the survey “{name}”"
