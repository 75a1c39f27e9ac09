"""Frequencies: counts, frequencies and intervals of every trait, at each site, in each habitat and over the region.

Reads the accepted records and the sites' habitats. Each species is computed by itself, from the visits that the study
file chooses. With them come the association of colour and banding, the alleles behind both, and how far sites and
habitats differ.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd
from threadpoolctl import threadpool_limits

from morphcline.errors import Problem, StudyError
from morphcline.files.districts import read_districts
from morphcline.files.tables import read_table, write_table
from morphcline.language import Said, said_list, said_many
from morphcline.records.alleles import ALLELES, alleles
from morphcline.records.associations import ASSOCIATIONS, associations
from morphcline.records.differentiation import DIFFERENTIATION, differentiation
from morphcline.records.district_frequencies import (
    DISTRICT_HABITATS,
    DISTRICTS,
    district_tables,
)
from morphcline.records.frequencies import (
    FREQUENCIES,
    HABITAT,
    REGIONAL,
    habitat_frequencies,
    regional_frequencies,
    site_frequencies,
)
from morphcline.records.period import in_future
from morphcline.records.tallies import Tally, choose_visits, rows_that_count, tally
from morphcline.scoring.traits import wanted_traits
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import Scoring

_SAMPLES = {
    "site": "site",
    "species": "species",
    "shells": "adult shells that count, of the visits used",
    "visits": "visits at which any were counted",
    "visit_used": "visit that stands for the site; several are joined by '; '",
    "enough": "whether there are at least min_shells shells",
}

_TABLES = {
    "tables/samples.csv": _SAMPLES,
    "tables/frequencies.csv": FREQUENCIES,
    "tables/earlier_frequencies.csv": {"survey": "earlier survey", **FREQUENCIES},
    "tables/regional.csv": REGIONAL,
    "tables/habitat_frequencies.csv": HABITAT,
    "tables/associations.csv": ASSOCIATIONS,
    "tables/alleles.csv": ALLELES,
    "tables/differentiation.csv": DIFFERENTIATION,
    "tables/districts.csv": DISTRICTS,
    "tables/district_habitats.csv": DISTRICT_HABITATS,
}


def run(context: Context) -> Account:
    """Write the tables of counts and frequencies; return what was used and what was left out."""
    scoring = context.study.scoring
    traits = wanted_traits(scoring)
    records = read_table(context.path("private/records/accepted.csv"))
    rows = rows_that_count(records, scoring.species)
    own = rows["survey"] == ""
    if not own.any():
        raise StudyError(_nothing_counts(records, scoring))
    flagged = read_table(context.path("private/records/flagged.csv"))
    used, samples = choose_visits(rows, scoring.visits, in_future=in_future(rows, flagged))
    counts = tally(used)
    frequencies, left_out = site_frequencies(counts, samples, traits, scoring)
    own_frequencies = frequencies[frequencies["survey"] == ""]
    own_counts = tally(used[used["survey"] == ""])
    habitat = read_table(context.path("private/tables/sites.csv")).set_index("site")["habitat"]
    names, district = _districts(context)
    regional = regional_frequencies(own_frequencies, scoring)
    districts, in_habitats = district_tables(own_frequencies, regional, district, habitat, names, scoring)
    tables = {
        "tables/samples.csv": _own_samples(samples, scoring),
        "tables/frequencies.csv": own_frequencies,
        "tables/earlier_frequencies.csv": frequencies[frequencies["survey"] != ""],
        "tables/regional.csv": regional,
        "tables/habitat_frequencies.csv": habitat_frequencies(own_frequencies, regional, habitat, scoring),
        "tables/alleles.csv": alleles(own_counts, scoring),
        "tables/districts.csv": districts,
        "tables/district_habitats.csv": in_habitats,
    }
    # With more threads a sum over resampled sites could end in another last digit.
    with threadpool_limits(1):
        tables["tables/associations.csv"] = associations(own_counts, scoring, partial(context.rng, "associations"))
        tables["tables/differentiation.csv"] = differentiation(
            own_frequencies, habitat, scoring, partial(context.rng, "differentiation")
        )
    for name, table in tables.items():
        write_table(context.path(name), table, _TABLES[name])
    return _account(samples, own_counts, own_frequencies, left_out, habitat, scoring)


def _districts(context: Context) -> tuple[list[str], pd.Series[str]]:
    """Return the districts' names, and the district of each site as far as the public may know it.

    From sums over a district in which another site took part it could be worked out that this one lies there.
    """
    names = [district.name for district in read_districts(context.study)]
    if not names:
        return [], pd.Series(dtype=str)
    return names, read_table(context.path("tables/sites.csv")).set_index("site")["district"]


def _own_samples(samples: pd.DataFrame, scoring: Scoring) -> pd.DataFrame:
    own = samples[samples["survey"] == ""].assign(enough=lambda table: table["shells"] >= scoring.min_shells)
    return own.sort_values(
        ["site", "species"],
        key=lambda column: column.map(scoring.species.index) if column.name == "species" else column,
        kind="stable",
    )


def _nothing_counts(records: pd.DataFrame, scoring: Scoring) -> Problem:
    reasons = records.loc[records["survey"] == "", "not_counted_because"]
    common = reasons[reasons != ""].value_counts()
    why = f" (most often: {common.index[0]})" if len(common) else ""
    return Problem(
        "private/records/accepted.csv",
        "",
        f"no adult shell of {' or '.join(scoring.species)} counts, in {len(reasons):,} accepted rows{why}",
        "look at the column not_counted_because, and at [scoring] species",
    )


def _account(
    samples: pd.DataFrame,
    counts: Tally,
    frequencies: pd.DataFrame,
    left_out: list[tuple[str, str]],
    habitat: pd.Series[str],
    scoring: Scoring,
) -> Account:
    own = samples[samples["survey"] == ""]
    formulas = pd.Series(counts.with_formula()).groupby(counts.samples["species"].to_numpy()).sum()
    species: dict[str, dict[str, Any]] = {}
    warnings: list[str] = []
    for name in scoring.species:
        rows = own[own["species"] == name]
        if rows.empty:
            warnings.append(Said("No adult shells of {species} count: it has no frequencies.", species=name))
            continue
        totals = frequencies[frequencies["species"] == name].groupby("trait", sort=False)["total"].sum()
        species[name] = {
            "sites": len(rows),
            "sites_with_enough": int((rows["shells"] >= scoring.min_shells).sum()),
            "shells": int(rows["shells"].sum()),
            "shells_of_other_visits": int(rows["shells_not_used"].sum()),
            "sites_with_future_visit_passed_over": int(rows["future_not_used"].sum()),
            "sites_visited_more_than_once": int((rows["visits"] > 1).sum()),
            "shells_with_formula": int(formulas[name]),
            "shells_by_trait": {str(trait): int(total) for trait, total in totals.items()},
            "traits_left_out": [trait for owner, trait in left_out if owner == name],
        }
    asked = {*(scoring.traits or ()), *(trait.name for trait in scoring.trait)}
    warnings += [
        Said("{trait}: no shell of {species} is scored for it, so it is left out.", trait=trait, species=name)
        for name, trait in left_out
        if trait in asked
    ]
    warnings += _future_visits(samples)
    sites = own["site"].unique()
    lives = habitat.reindex(sites).fillna("")
    return {
        "visits": scoring.visits,
        "interval": scoring.interval,
        "confidence": scoring.confidence,
        "min_shells": scoring.min_shells,
        "species": species,
        "sites_without_habitat": int((lives == "").sum()),
        "earlier_surveys": {
            str(name): {"sites": int(rows["site"].nunique()), "shells": int(rows["shells"].sum())}
            for name, rows in samples[samples["survey"] != ""].groupby("survey", sort=True)
        },
        "notes": _notes(species, scoring),
        "warnings": warnings,
    }


def _future_visits(samples: pd.DataFrame) -> list[str]:
    """Return a sentence on the visits that would be the latest, had their dates come."""
    sites = samples.loc[samples["future_not_used"], ["survey", "site"]].drop_duplicates()["site"].tolist()
    if not sites:
        return []
    named = ", ".join(sites[:3])
    if len(sites) > 3:
        named = Said("{sites} and {n} more", sites=named, n=len(sites) - 3)
    return [
        said_many(
            "A visit dated in the future is not taken for the latest (site {sites}): the latest before it stands, "
            "until the date is put right; see date-in-future in records/flagged.csv.",
            "A visit dated in the future is not taken for the latest (sites {sites}): the latest before it stands, "
            "until the date is put right; see date-in-future in records/flagged.csv.",
            len(sites),
            sites=named,
        )
    ]


def _notes(species: dict[str, dict[str, Any]], scoring: Scoring) -> list[str]:
    """Return sentences on what the numbers rest on."""
    needing = {trait.name for trait in wanted_traits(scoring) if "formula" in trait.needs}
    notes: list[str] = []
    for name, found in species.items():
        given = [trait for trait in found["shells_by_trait"] if trait in needing]
        if given and found["shells_with_formula"] < found["shells"]:
            notes.append(
                said_many(
                    "{species}: {traits} rests on the {n} of {shells} shells that are scored with a band formula.",
                    "{species}: {traits} rest on the {n} of {shells} shells that are scored with a band formula.",
                    len(given),
                    species=name,
                    traits=said_list(given),
                    n=found["shells_with_formula"],
                    shells=found["shells"],
                )
            )
        if found["traits_left_out"]:
            notes.append(
                said_many(
                    "{species}: no shell is scored for {traits}; this trait is left out.",
                    "{species}: no shell is scored for {traits}; these traits are left out.",
                    len(found["traits_left_out"]),
                    species=name,
                    traits=said_list(found["traits_left_out"]),
                )
            )
        if found["shells_of_other_visits"]:
            notes.append(
                said_many(
                    "{species}: of {sites} site visited more than once the latest visit stands; {n} shells of other "
                    "visits are not used.",
                    "{species}: of {sites} sites visited more than once the latest visit stands; {n} shells of other "
                    "visits are not used.",
                    found["sites_visited_more_than_once"],
                    species=name,
                    sites=found["sites_visited_more_than_once"],
                    n=found["shells_of_other_visits"],
                )
            )
    return notes


STAGE = Stage(
    name="frequencies",
    summary="counts, frequencies and intervals per site, habitat and region, with over-dispersion",
    settings=("scoring", "report.area"),
    reads=(
        "private/records/accepted.csv",
        "private/records/flagged.csv",
        "private/tables/sites.csv",
        "tables/sites.csv",
    ),
    writes=lambda study: tuple(_TABLES),
    run=run,
    sources=lambda study: tuple(area.path for area in study.report.area),
    columns=_TABLES,
)
