"""The frequencies smoothed over the region."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from morphcline.language import _, many, marked
from morphcline.records.bandwidth_ways import disagreements
from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Section,
    ShownFigure,
    figures_named,
    main_rows,
    rows_of,
)

_READING = marked(
    "The paler a colour, the larger its standard error: chance, in shells and in sites, and what smoothing misses of "
    "changes as smooth as the sites show on the average. Blank is not known, which is not the same as rare. A surface "
    "shows no edge sharper than about two bandwidths, however steep the cline is, and near such an edge it is less "
    "sure than it says."
)
_DIFFER = marked(
    "{species}: the bandwidths under which sites left out one by one and in blocks are predicted best differ by more "
    "than a factor of two for {families}."
)
_CLUSTERED = marked(
    "The sites are clustered: half of the map lies more than {from_map} from a site, half of the sites less than "
    "{apart} from another, and a site left out has neighbours that most of the map lacks. The wider one is used."
)
_NOT_CLUSTERED = marked(
    "The sites are not clustered, so that the two should agree: there are too few samples to tell. The wider one is "
    "used."
)
_BARRIERS = marked(
    "Samples don't count across the barriers in {file}: not where the straight line from them crosses one, though a "
    "way round may be open."
)


def surfaces(
    frame: pd.DataFrame, settings: Mapping[str, Any], figures: Sequence[ShownFigure], account: Mapping[str, Any]
) -> Section:
    """Say how frequencies were smoothed and how sure the maps are.

    Parameters
    ----------
    frame : DataFrame
        ``surfaces.csv``.
    settings : mapping
        The section of the study file, in force.
    figures : sequence of ShownFigure
    account : mapping
        What the stage says of itself.
    """
    bandwidth = settings["bandwidth"]
    neighbours = bandwidth["neighbours"] if isinstance(bandwidth, Mapping) else None
    return Section(
        "surfaces",
        _("Over the region"),
        paragraphs=[
            *(
                sentences.surface(main_rows(rows_of(rows)), neighbours=neighbours)
                for _, rows in frame.groupby("species", sort=False)
            ),
            *_ways(account.get("species", {})),
            *_limits(settings, int(account.get("cells_masked", 0))),
            _(_READING),
        ],
        figures=figures_named(figures, "surface", "bandwidth"),
    )


def _ways(species: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    for name, ways in species.items():
        differing = [family for family in disagreements(ways) if labels.main_traits(family["traits"])]
        if not differing:
            continue
        families = labels.listing(
            _("{traits} ({by_sites} by single sites, {by_blocks} by blocks)").format(
                traits=labels.listing(labels.trait_name(trait) for trait in family["traits"]),
                by_sites=labels.distance(family["one_site_m"]),
                by_blocks=labels.distance(family["blocks_m"]),
            )
            for family in differing
        )
        because = _(_NOT_CLUSTERED)
        if ways["clustered"]:
            because = _(_CLUSTERED).format(
                from_map=labels.distance(ways["map_m"]), apart=labels.distance(ways["spacing_m"])
            )
        yield f"{_(_DIFFER).format(species=name, families=families)} {because}"


def _limits(settings: Mapping[str, Any], masked: int) -> Iterator[str]:
    if settings.get("barriers"):
        yield _(_BARRIERS).format(file=settings["barriers"])
    if settings.get("mask"):
        yield many(
            "{cells} cell of the area whose centre lies in {file} stays blank.",
            "{cells} cells of the area whose centre lies in {file} stay blank.",
            masked,
        ).format(cells=labels.number(masked), file=settings["mask"])
