"""How one species was smoothed over the region."""

from __future__ import annotations

from collections.abc import Sequence

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.reasons import reason
from morphcline.render.report.phrases import clauses
from morphcline.render.report.sentences.basis import Row, known


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
    absent = [row for row in rows if not known(row["bandwidth_m"])]
    species = rows[0]["species"]
    if not drawn:
        because = next((row["not_smoothed_because"] for row in rows if row["not_smoothed_because"]), "")
        if not because:
            return _("{species}: no surface.").format(species=species)
        return _("{species}: no surface, because {reason}.").format(species=species, reason=reason(because))
    parts = [_fits(str(species), drawn, neighbours), _blanks(drawn)]
    parts += [
        _("No surface of {trait}, because {reason}.").format(
            trait=labels.trait_name(row["trait"]), reason=reason(row["not_smoothed_because"])
        )
        for row in absent
        if row["not_smoothed_because"]
    ]
    return " ".join(parts)


def _fits(species: str, drawn: Sequence[Row], neighbours: int | None) -> str:
    first = drawn[0]
    widths = clauses(
        _("{distance} for {traits}").format(
            distance=labels.distance(metres),
            traits=labels.listing(labels.trait_name(row["trait"]) for row in alike),
        )
        for metres, alike in _by_bandwidth(drawn).items()
    )
    kind = _("local logistic fits") if first["degree"] == 1 else _("kernel-weighted proportions")
    kernel = _("{name} kernel").format(name=labels.kernel_name(str(first["kernel"])))
    if neighbours is None:
        return _("{species}: {kind}, {kernel}, with a bandwidth of {widths}.").format(
            species=species, kind=kind, kernel=kernel, widths=widths
        )
    return _(
        "{species}: {kind}, {kernel}, with a bandwidth that reaches the {n} nearest sites (median {widths})."
    ).format(species=species, kind=kind, kernel=kernel, n=labels.number(neighbours), widths=widths)


def _blanks(drawn: Sequence[Row]) -> str:
    cells = int(drawn[0]["cells"])
    blank = [
        _("{n} for {trait}").format(n=labels.number(row["cells_blank"]), trait=labels.trait_name(row["trait"]))
        for row in drawn
        if row["cells_blank"]
    ]
    if not blank:
        return many(
            "No trait leaves the {n} cell of the area blank.",
            "No trait leaves any of the {n} cells of the area blank.",
            cells,
        ).format(n=labels.number(cells))
    return many(
        "Of {n} cell in the area some stay blank, for want of shells near them: {traits}.",
        "Of {n} cells in the area some stay blank, for want of shells near them: {traits}.",
        cells,
    ).format(n=labels.number(cells), traits=labels.listing(blank))


def _by_bandwidth(rows: Sequence[Row]) -> dict[float, list[Row]]:
    groups: dict[float, list[Row]] = {}
    for row in rows:
        groups.setdefault(float(row["bandwidth_m"]), []).append(row)
    return groups
