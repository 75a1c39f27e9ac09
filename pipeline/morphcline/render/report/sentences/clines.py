"""What the cline model chosen for a trait says: how far it rises, which way, where and how steeply."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.reasons import reason
from morphcline.render.report.phrases import clauses
from morphcline.render.report.sentences.basis import (
    LEVEL,
    Row,
    known,
    opening,
    shells_and_sites,
    subject,
)


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
    best = chosen_model(rows)
    if best is None:
        told = next((row["not_fitted_because"] for row in rows if row["not_fitted_because"]), "")
        why = reason(told) if told else _("no fit converged")
        return _("{trait}: no cline fitted, because {reason}.").format(trait=opening(rows[0]), reason=why)
    if best["model"] == "flat":
        told = _flat(best)
        return f"{told} {_fails_to_fit(best)}" if _fails(best) else told
    told = _even(best) if best["model"] == "linear" else _curve(best)
    beside = _left_over(best)
    return f"{told} {beside}" if beside else told


def _flat(row: Row) -> str:
    basis = shells_and_sites(row["shells"], row["sites"])
    weight = _weight(row)
    if not known(row["p_flat"]):
        return _("{trait}: no cline was seen (AICc weight of one frequency everywhere {weight}; {basis}).").format(
            trait=opening(row), weight=weight, basis=basis
        )
    return _(
        "{trait}: no cline was seen ({p} against one frequency everywhere, whose AICc weight is {weight}; {basis})."
    ).format(trait=opening(row), p=labels.probability(row["p_flat"]), weight=weight, basis=basis)


def _even(row: Row) -> str:
    return _("{trait} rises evenly over the stretch surveyed, from {low} to {high} {direction}; {basis}.").format(
        trait=subject(row),
        low=labels.percent(row["p_min"]),
        high=labels.percent(row["p_max"]),
        direction=_direction(row),
        basis=clauses([*_support(row), _("no interval of the slope")]),
    )


def _curve(row: Row) -> str:
    parts = [_rise(row)]
    if known(row["centre_m"]):
        parts.append(_centre(row))
    if known(row["width_m"]):
        parts.append(_width(row))
    if known(row.get("tail_share")):
        parts.append(_tails(row))
    return _("{findings}; {basis}.").format(
        findings=", ".join(parts), basis=clauses([labels.model_name(row["model"]), *_support(row)])
    )


def _rise(row: Row) -> str:
    if row["model"] == "sigmoid" or not (known(row["p_min"]) and known(row["p_max"])):
        return _("{trait} rises {direction}").format(trait=subject(row), direction=_direction(row))
    return _("{trait} rises from {low} to {high} {direction}").format(
        trait=subject(row),
        low=labels.percent(row["p_min"]),
        high=labels.percent(row["p_max"]),
        direction=_direction(row),
    )


def _support(row: Row) -> list[str]:
    weight = _("AICc weight {weight}").format(weight=_weight(row))
    return [shells_and_sites(row["shells"], row["sites"]), weight]


def _weight(row: Row) -> str:
    return labels.decimals(row["weight"])


def _direction(row: Row) -> str:
    if not known(row["bearing_deg"]):
        if row["direction"] == "along":
            return _("along the line given")
        return _("against the direction of the line given")
    bearing = labels.bearing(row["bearing_deg"])
    if not (known(row["bearing_low"]) and known(row["bearing_high"])):
        return _("towards {bearing}").format(bearing=bearing)
    return _("towards {bearing} ({low} to {high})").format(
        bearing=bearing, low=labels.bearing(row["bearing_low"]), high=labels.bearing(row["bearing_high"])
    )


def _centre(row: Row) -> str:
    if known(row["bearing_deg"]):
        message = _("its centre lies {distance} from the middle of the sites, counted that way")
    else:
        message = _("its centre lies {distance} from the start of the line")
    return message.format(distance=_with_limits(row, "centre"))


def _width(row: Row) -> str:
    if known(row["width_high"]) and not known(row["width_low"]):
        most = labels.distance(row["width_high"])
        if not row["step"]:
            return _("its width can't be told beyond this: it is less than {width}").format(width=most)
        return _(
            "it is a step as far as the sites tell: narrower than {width}, which is within the {spacing} between "
            "neighbouring sites"
        ).format(width=most, spacing=labels.distance(row["spacing_m"]))
    if not known(row["width_low"]) and known(row.get("spacing_m")):
        return _("its width can't be told")
    width = _with_limits(row, "width")
    low, high = row.get("width_low_given_ends"), row.get("width_high_given_ends")
    if low is None or high is None or not (known(low) and known(high)):
        return _("its width is {width}").format(width=width)
    if (low, high) == (row["width_low"], row["width_high"]):
        return _("its width is {width}").format(width=width)
    return _("its width is {width}, or {given} if its ends are 0 and 100%, which the sites don't show").format(
        width=width, given=labels.distance_range(low, high)
    )


def _with_limits(row: Row, name: str) -> str:
    value, low, high = row[f"{name}_m"], row[f"{name}_low"], row[f"{name}_high"]
    told = [labels.distance_limits(low, high) or _("limits not found")]
    if known(low) and not known(high):
        told.append(_("no upper limit"))
    if known(high) and not known(low):
        told.append(_("no lower limit"))
    return _("{value} ({limits})").format(value=labels.distance(value), limits=clauses(told))


def _tails(row: Row) -> str:
    share = labels.percent(row["tail_share"])
    at_low, at_high = (labels.figures(row[f"slope_{end}"], 2) for end in ("min", "max"))
    if row["model"] == "stepped, symmetric tails":
        return _(
            "the last {share} of the way to either end is a tail, in which the gradient drops at once to {slope} times "
            "that of the central step"
        ).format(share=share, slope=at_low)
    return _(
        "the last {share} of the way to either end is a tail, in which the gradient drops at once to {low} times at "
        "the low end and {high} times at the high end that of the central step"
    ).format(share=share, low=at_low, high=at_high)


def _left_over(row: Row) -> str:
    """Say when one line of change doesn't describe the map."""
    if _fails(row):
        return _fails_to_fit(row)
    if known(row.get("p_fit")) and row["p_fit"] <= LEVEL:
        return _(
            "Patches of neighbouring sites depart from it ({p} against surveys simulated from the model; {share} of "
            "what it leaves unexplained is common to neighbours); the limits allow for that."
        ).format(p=labels.probability(row["p_fit"]), share=labels.percent(row["residual_share"]))
    if not _is_alike(row):
        return ""
    return _(
        "What it leaves unexplained is still alike among neighbours (I = {value}, {p}): beside the one line of "
        "change, patches differ, as with habitat or an area effect."
    ).format(value=labels.decimals(row["residual_moran_i"]), p=labels.probability(row["residual_moran_p"]))


def _fails(row: Row) -> bool:
    return str(row.get("fails")) == "True"


def _fails_to_fit(row: Row) -> str:
    numbers = [labels.probability(row["p_fit"])]
    if _is_alike(row):
        value = labels.decimals(row["residual_moran_i"])
        numbers.append(_("Moran's I of what is left unexplained {value}").format(value=value))
    if row["model"] == "flat":
        message = _(
            "But one frequency everywhere doesn't describe the map: surveys simulated from this model seldom depart "
            "from it as much ({numbers}), as where the trait has an area of its own or rises and falls again."
        )
    else:
        message = _(
            "But one line of change doesn't describe the map: surveys simulated from this model seldom depart from it "
            "as much ({numbers}), as where the trait has an area of its own or rises and falls again. The numbers are "
            "those of the line that comes nearest."
        )
    return message.format(numbers=clauses(numbers))


def _is_alike(row: Row) -> bool:
    return known(row["residual_moran_p"]) and row["residual_moran_p"] <= LEVEL and row["residual_moran_i"] >= 0.1
