"""How a trait changed since an earlier survey."""

from __future__ import annotations

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.report.phrases import limits
from morphcline.render.report.sentences.basis import LEVEL, Row, known, opening, subject


def change(row: Row) -> str:
    """Say how a trait changed over all pairs of an earlier and a present site.

    Parameters
    ----------
    row : mapping
        A pooled row of ``change.csv`` whose test allows for differences between sites.
    """
    values = {
        "survey": survey_in_words(row),
        "then": labels.percent(row["earlier_frequency"]),
        "now": labels.percent(row["later_frequency"]),
        "basis": _pairs(row),
    }
    if not known(row["p"]):
        return _("{trait}: {then} in {survey}, {now} now ({basis}); not tested.").format(trait=opening(row), **values)
    values |= {"points": _points(row), "p": labels.probability(row["p"])}
    if row["p"] > LEVEL:
        return _(
            "{trait}: no change was seen since {survey}: {points}, {then} then and {now} now ({p}; {basis}); {power}."
        ).format(trait=opening(row), power=_could_see(row), **values)
    if row["difference"] > 0:
        message = _("{trait} rose since {survey}: {points}, {then} then and {now} now ({p}; {basis}).")
    else:
        message = _("{trait} fell since {survey}: {points}, {then} then and {now} now ({p}; {basis}).")
    return message.format(trait=subject(row), **values)


def _points(row: Row) -> str:
    points = labels.points(row["difference"])
    if not (known(row["low"]) and known(row["high"])):
        return _("{points} percentage points (no interval)").format(points=points)
    span = limits(labels.points(row["low"]), labels.points(row["high"]))
    return _("{points} percentage points ({limits})").format(points=points, limits=span)


def _pairs(row: Row) -> str:
    pairs = int(row["pairs"])
    return many(
        "{n} pair of places with {earlier} and {later} shells",
        "{n} pairs of places with {earlier} and {later} shells",
        pairs,
    ).format(
        n=labels.number(pairs),
        earlier=labels.number(row["earlier_total"]),
        later=labels.number(row["later_total"]),
    )


def _could_see(row: Row) -> str:
    if not known(row.get("detectable_difference")):
        return _("a small one may have been missed")
    points = labels.points(row["detectable_difference"]).removeprefix("+")
    return _("a change of {points} points or more would have been seen in 80 of 100 such surveys").format(points=points)


def survey_in_words(row: Row) -> str:
    """Return an earlier survey's name as it reads in a sentence: a year bare, another name as that of a survey."""
    name = str(row["earlier_survey"])
    if name.isdecimal() and len(name) == 4:
        return name
    return _("the survey “{name}”").format(name=name)
