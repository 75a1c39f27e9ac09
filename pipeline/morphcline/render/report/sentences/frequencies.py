"""How frequent a trait is over the region, and whether sites differ in it beyond chance."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.report.phrases import clauses, limits
from morphcline.render.report.sentences.basis import (
    LEVEL,
    Row,
    known,
    opening,
    shells_and_sites,
    sites_in_words,
)


def frequency(row: Row) -> str:
    """Say a regional frequency, its interval and on how much it rests.

    Parameters
    ----------
    row : mapping
        A row of ``regional.csv``.
    """
    if not known(row["frequency"]):
        return _("{trait}: not estimated.").format(trait=opening(row))
    span = labels.percent_range(row["low"], row["high"]) if known(row["low"]) else _("no interval")
    basis = shells_and_sites(row["total"], row["sites"])
    return _("{trait}: {frequency} ({numbers}).").format(
        trait=opening(row), frequency=labels.percent(row["frequency"]), numbers=clauses([span, basis])
    )


def several_frequencies(species: str, rows: Sequence[Row], most: Row) -> str:
    """Say how frequent several traits of a species are.

    Parameters
    ----------
    species : str
    rows : sequence of mappings
        With ``trait``, ``frequency``, ``low`` and ``high``.
    most : mapping
        The row of most shells, with ``total`` and ``sites``.
    """
    traits = (
        f"{labels.trait_name(row['trait'])} {labels.percent_and_limits(row['frequency'], row['low'], row['high'])}"
        for row in rows
    )
    return _("{species}: {frequencies} (up to {basis}).").format(
        species=species, frequencies=clauses(traits), basis=shells_and_sites(most["total"], most["sites"])
    )


def scatter(rows: Sequence[Row]) -> str:
    """Say in which traits sites differ by more than chance, and by how much.

    Parameters
    ----------
    rows : sequence of mappings
        Rows of ``regional.csv`` of one species.
    """
    tested = [row for row in rows if known(row["p_overdispersion"])]
    if not tested:
        return _("Whether sites differ beyond chance could not be tested.")
    beyond = [_correlation(row) for row in tested if row["p_overdispersion"] <= LEVEL]
    unseen = [_correlation(row) for row in tested if row["p_overdispersion"] > LEVEL]
    parts = []
    if beyond:
        parts.append(
            _("Sites differ by more than chance alone would make them in {traits}.").format(
                traits=labels.listing(beyond)
            )
        )
    if unseen:
        parts.append(
            _("Sites were not seen to differ beyond chance in {traits}.").format(traits=labels.listing(unseen))
        )
    parts.append(_("Here ρ is the correlation between shells of a site, 0 where sites differ by chance alone."))
    if beyond:
        parts.append(_("The intervals of frequencies allow for this scatter, but not for near sites being alike."))
    parts.append(_("This test leaves out where the sites lie."))
    return " ".join(parts)


def _correlation(row: Row) -> str:
    value = labels.decimals(row["rho"])
    rho = _("ρ = {value}").format(value=value)
    if known(row["rho_low"]) and known(row["rho_high"]):
        span = limits(labels.decimals(row["rho_low"]), labels.decimals(row["rho_high"]))
        rho = _("ρ = {value}, {limits}").format(value=value, limits=span)
    numbers = clauses([rho, labels.probability(row["p_overdispersion"]), sites_in_words(row["sites"])])
    return _("{trait} ({numbers})").format(trait=labels.trait_name(row["trait"]), numbers=numbers)
