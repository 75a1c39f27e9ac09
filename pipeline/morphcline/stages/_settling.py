"""The part of the stage of surfaces that settles bandwidth and correlation, before a cell is smoothed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from morphcline.language import Said, marked, said_list
from morphcline.records.bandwidth_ways import disagreements, family_ways
from morphcline.records.smoothing import Samples, is_exhaustive
from morphcline.render import labels
from morphcline.stages.base import Account, Context
from morphcline.stats.bandwidth import Choice, Rung, left_out_deviance
from morphcline.stats.barriers import blocked
from morphcline.stats.kernels import Flags, Floats, Rows, nearest_bandwidth
from morphcline.stats.overdispersion import effective_number
from morphcline.stats.site_blocks import SiteBlocks
from morphcline.stats.smoothing import Family, one_thread
from morphcline.stats.surface_field import Field, fit_field
from morphcline.stats.surface_settling import Survey, settle
from morphcline.study import Neighbours
from morphcline.study.surfaces import Surfaces

#: What a curve of the bandwidth's choice leaves out at a time.
ONE_SITE, BLOCKS = "one site", "blocks"


@dataclass(frozen=True)
class Hindrances:
    """What keeps samples from speaking for places, and sites from speaking for each other.

    Attributes
    ----------
    barriers : array (segments, 4)
    between : array of bool (sites, sites) or None
    blocks : SiteBlocks or None
    """

    barriers: Floats
    between: Flags | None
    blocks: SiteBlocks | None

    @classmethod
    def of(cls, places: Floats, barriers: Floats, blocks: SiteBlocks | None) -> Hindrances:
        """Return those of the places of a species' sites."""
        return cls(barriers, blocked(places, places, barriers) if len(barriers) else None, blocks)

    def between_some(self, rows: Rows) -> Flags | None:
        return None if self.between is None else self.between[np.ix_(rows, rows)]


@dataclass(frozen=True)
class Settled:
    """A family of traits with what was settled for it: one bandwidth everywhere, or one that follows its own sites."""

    traits: tuple[str, ...]
    places: Floats
    exhaustive: bool
    rho: float
    metres: float
    neighbours: int | None
    barriers: Floats
    curves: dict[str, Choice]
    used: str

    def bandwidth_at(self, places: Floats) -> Floats:
        if self.neighbours is None:
            return np.full(len(places), self.metres)
        hidden = blocked(places, self.places, self.barriers) if len(self.barriers) else None
        return nearest_bandwidth(places, self.places, neighbours=self.neighbours, blocked=hidden)


@dataclass(frozen=True)
class FamilyTask:
    """A family of traits to settle bandwidth and correlation for; it can travel to another process.

    Attributes
    ----------
    surfaces : Surfaces
        As the study asks for them.
    samples : Samples
        With the traits of the family alone.
    rows : array of int
        Where the samples stand among all of the species, as the hindrances count them.
    hindrances : Hindrances
    """

    surfaces: Surfaces
    samples: Samples
    rows: Rows
    hindrances: Hindrances


def settle_families(context: Context, tasks: Sequence[FamilyTask]) -> list[Settled]:
    """Return what is settled for each family: a family a worker, the largest first, so that none is waited for."""
    order = sorted(range(len(tasks)), key=lambda number: -len(tasks[number].samples.traits))
    found = dict(zip(order, context.workers.map(settle_family, [tasks[number] for number in order]), strict=True))
    return [found[number] for number in range(len(tasks))]


def settle_family(task: FamilyTask) -> Settled:
    """Return bandwidth and correlation of a family."""
    with one_thread():
        return _settled(task.surfaces, task.samples, task.rows, task.hindrances)


def _settled(surfaces: Surfaces, samples: Samples, rows: Rows, hindrances: Hindrances) -> Settled:
    regional, barriers = float(samples.rho[0]), hindrances.barriers
    survey = Survey(
        samples.places, samples.count, samples.total[:, 0], surfaces.kernel, surfaces.degree,
        hindrances.between_some(rows),
    )  # fmt: skip
    whole = samples.traits, samples.places, is_exhaustive(samples)
    if isinstance(surfaces.bandwidth, Neighbours):
        k = surfaces.bandwidth.neighbours
        near = nearest_bandwidth(samples.places, samples.places, neighbours=k, blocked=survey.blocked)
        metres = float(np.median(near))
        curve = Choice(metres, np.array([metres]), np.array([np.nan]), at_limit=False)
        return Settled(*whole, survey.correlation(near, regional), metres, k, barriers, {"": curve}, "")
    if isinstance(surfaces.bandwidth, float):
        metres = surfaces.bandwidth
        rho = survey.correlation(metres, regional)
        rung = Rung(
            metres, survey.sites, survey.count, survey.total, rho, survey.kernel, survey.degree, None, survey.blocked
        )
        curve = Choice(metres, np.array([metres]), np.array([left_out_deviance(rung).sum()]), at_limit=False)
        return Settled(*whole, rho, metres, None, barriers, {ONE_SITE: curve}, ONE_SITE)
    blocks = None if hindrances.blocks is None else hindrances.blocks.number[rows]
    found = settle(survey, rho=regional, blocks=blocks)
    curves = {ONE_SITE: found.one_site} | ({} if found.blocks is None else {BLOCKS: found.blocks})
    used = BLOCKS if found.by_blocks else ONE_SITE
    return Settled(*whole, found.rho, found.used.bandwidth, None, barriers, curves, used)


@dataclass(frozen=True)
class Ground:
    """What the samples of all traits say of the surface before it is drawn.

    Attributes
    ----------
    fitted : array (sites, traits)
        The surface at the sites; NaN where a site can't show the trait.
    fields : tuple of Field
        For each trait.
    """

    fitted: Floats
    fields: tuple[Field, ...]


def ground_of(context: Context, kept: Samples, settled: Sequence[Settled], hindrances: Hindrances) -> Ground:
    """Return the surface at the sites and the field about each trait's plane."""
    surfaces = context.study.surfaces
    fitted = np.full(kept.total.shape, np.nan)
    tasks: list[tuple[Floats, Floats, Floats, Floats]] = []
    columns: list[int] = []
    for family in settled:
        members = np.array([kept.traits.index(trait) for trait in family.traits])
        rows = np.flatnonzero(kept.total[:, members[0]] > 0)
        total = kept.total[rows, members[0]]
        survey = Survey(
            kept.places[rows], kept.count[np.ix_(rows, members)], total, surfaces.kernel, surfaces.degree,
            hindrances.between_some(rows),
        )  # fmt: skip
        at_sites = survey.fitted(family.bandwidth_at(survey.sites), family.rho)
        fitted[np.ix_(rows, members)] = at_sites
        shells = effective_number(total, family.rho)
        tasks += [(survey.sites, survey.count[:, j] / total, shells, at_sites[:, j]) for j in range(len(members))]
        columns += members.tolist()
    found = context.workers.map(_field, tasks)
    fields = dict(zip(columns, found, strict=True))
    return Ground(fitted, tuple(fields[column] for column in range(len(kept.traits))))


def family_at(places: Floats, samples: Samples, family: Settled, ground: Ground) -> Family:
    """Return a family as a task for some places takes it."""
    columns = tuple(samples.traits.index(trait) for trait in family.traits)
    fields = tuple(ground.fields[column] for column in columns)
    return Family(columns, family.exhaustive, family.bandwidth_at(places), family.rho, fields)


def _field(task: tuple[Floats, Floats, Floats, Floats]) -> Field:
    with one_thread():
        return fit_field(*task)


def ways_of_choosing(settled: Sequence[Settled], blocks: SiteBlocks | None) -> Account:
    """Return how bandwidths were chosen, and how the sites lie, for the account."""
    families = [
        family_ways(
            family.traits,
            family.curves[ONE_SITE].bandwidth,
            family.curves[BLOCKS].bandwidth if BLOCKS in family.curves else None,
            family.used,
        )
        for family in settled
        if ONE_SITE in family.curves
    ]
    if blocks is None:
        return {"families": families, "blocks": None}
    return {
        "families": families,
        "blocks": blocks.blocks,
        "spacing_m": blocks.spacing_m,
        "apart_m": blocks.apart_m,
        "map_m": blocks.map_m,
        "clustered": blocks.clustered,
    }


_TOO_SMOOTH = marked(
    "{species}, {traits}: the narrowest bandwidth tried foretells the sites best: the surface may be too smooth, give "
    "one in metres."
)
_FLAT = marked(
    "{species}, {traits}: the widest bandwidth tried foretells the sites best: as far as they tell, the surface is "
    "flat."
)


_FINER = marked(
    "{species}, {traits}: the surface is finer than the squares of {side} that hide the sites, and it is drawn from "
    "the squares' centres: believe no detail narrower than a square, or give larger cells and a wider bandwidth."
)


def finer_warnings(species: str, settled: Sequence[Settled], blur_m: float) -> list[str]:
    """Say which surfaces are smoothed less far than the squares reach that hide the sites."""
    finer = [family for family in settled if family.metres < blur_m]
    if not finer:
        return []
    named = said_list(
        Said("{traits} ({distance})", traits=said_list(family.traits), distance=labels.said_distance(family.metres))
        for family in finer
    )
    return [Said(_FINER, species=species, traits=named, side=labels.said_distance(blur_m))]


def clustering_warnings(species: str, ways: Account) -> list[str]:
    """Say that sites are clustered, where it makes the two ways of choosing a bandwidth disagree."""
    differing = disagreements(ways)
    if not differing or not ways["clustered"]:
        return []
    named = said_list(
        Said(
            "{traits} ({single} and {blocks})",
            traits=said_list(family["traits"]),
            single=labels.said_distance(family["one_site_m"]),
            blocks=labels.said_distance(family["blocks_m"]),
        )
        for family in differing
    )
    return [
        Said(
            "{species}: sites are clustered: half of the map lies more than {map} from a site, half of the sites less "
            "than {spacing} from another. The bandwidths that foretell single sites and whole blocks of sites best "
            "differ by more than a factor of two for {traits}: the wider is used, since a site left out has neighbours "
            "that most of the map lacks.",
            species=species,
            map=labels.said_distance(ways["map_m"]),
            spacing=labels.said_distance(ways["spacing_m"]),
            traits=named,
        )
    ]


def limit_warnings(species: str, settled: Sequence[Settled]) -> list[str]:
    """Say where the best bandwidth tried is the narrowest or the widest: the curve has no lowest point within reach."""
    at_limit = [family for family in settled if family.curves[family.used].at_limit]
    said: list[str] = []
    for narrowest, message in ((True, _TOO_SMOOTH), (False, _FLAT)):
        ends = [family for family in at_limit if family.curves[family.used].narrowest_is_best == narrowest]
        if ends:
            named = said_list(
                Said(
                    "{traits} ({distance})",
                    traits=said_list(family.traits),
                    distance=labels.said_distance(family.metres),
                )
                for family in ends
            )
            said.append(Said(message, species=species, traits=named))
    return said
