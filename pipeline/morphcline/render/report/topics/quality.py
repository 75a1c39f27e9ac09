"""How good the data are: what came in, how well places are known, whether habitats agree, how large samples are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.report.parts import Section, ShownTable, rows_of
from morphcline.render.report.phrases import clauses
from morphcline.render.report.sentences import known


def quality(came_in: Section, tables: Mapping[str, pd.DataFrame], accounts: Mapping[str, Mapping[str, Any]]) -> Section:
    """Return the section on the data's quality.

    Parameters
    ----------
    came_in : Section
        What came in and what became of it.
    tables : mapping
        ``samples``, ``sites`` and ``habitat_agreement``.
    accounts : mapping
        Of the stages ``locate``, ``landscape`` and ``frequencies``.
    """
    agreement = agreement_table(tables["habitat_agreement"])
    return Section(
        "data-quality",
        _("How good the data are"),
        paragraphs=[
            *came_in.paragraphs,
            *filter(None, (_places(tables["sites"], accounts["locate"]), _agreement(accounts["landscape"]))),
            *_small(accounts["frequencies"]),
        ],
        tables=[*came_in.tables, sample_table(tables["samples"], accounts["frequencies"]), *agreement],
        notes=came_in.notes,
    )


def in_one_line(accounts: Mapping[str, Mapping[str, Any]]) -> str:
    """Say the quality of the data in a sentence, for the head of the report."""
    intake, frequencies = accounts["intake"], accounts["frequencies"]
    told = _("{rejected} of {rows} rows rejected with their reason").format(
        rejected=labels.number(intake["rejected"]), rows=labels.number(intake["rows"])
    )
    small = sum(found["sites"] - found["sites_with_enough"] for found in frequencies["species"].values())
    samples = sum(found["sites"] for found in frequencies["species"].values())
    few = _("{small} of {samples} samples under {least} shells").format(
        small=labels.number(small), samples=labels.number(samples), least=labels.number(frequencies["min_shells"])
    )
    parts = [told, few]
    if known(accounts["locate"].get("median_uncertainty_m")):
        parts.append(
            _("half of the places known to {distance} or better").format(
                distance=labels.distance(accounts["locate"]["median_uncertainty_m"])
            )
        )
    landscape = accounts["landscape"]
    if landscape.get("habitat_noted"):
        parts.append(
            _("recorders and raster agree on the habitat at {agree} of {noted} sites").format(
                agree=labels.number(landscape["habitat_agrees"]), noted=labels.number(landscape["habitat_noted"])
            )
        )
    return _("Quality of the data: {parts}.").format(parts=clauses(parts))


def sample_table(samples: pd.DataFrame, account: Mapping[str, Any]) -> ShownTable:
    """Return how many samples there are of each species, how large, and how many are too small."""
    rows = []
    for species, found in samples.groupby("species", sort=False):
        enough = found["enough"].astype(bool)
        sizes = found["shells"].quantile([0.25, 0.5, 0.75], interpolation="nearest")
        rows.append(
            (
                str(species),
                labels.number(len(found)),
                labels.number(found["shells"].sum()),
                _("{median} ({low} to {high})").format(
                    median=labels.number(sizes[0.5]), low=labels.number(sizes[0.25]), high=labels.number(sizes[0.75])
                ),
                labels.number((~enough).sum()),
                labels.number(found.loc[~enough, "shells"].sum()),
            )
        )
    return ShownTable(
        _(
            "Samples, one per site, and their adult shells. A sample of fewer than {least} is too small for maps of "
            "sites and tests; it counts in every pooled frequency for what it is worth."
        ).format(least=labels.number(account["min_shells"])),
        (_("Species"),),
        (_("Samples"), _("Shells"), _("Median (quartiles)"), _("Too small"), _("Shells in these")),
        rows,
    )


def agreement_table(pairs: pd.DataFrame) -> list[ShownTable]:
    """Return, for each class that recorders noted, how often the raster has the same and what it has most otherwise."""
    pairs = pairs[(pairs["noted"] != "") & (pairs["raster"] != "")]
    rows = []
    for noted, found in pairs.groupby("noted", sort=True):
        whole = int(found["sites"].sum())
        same = int(found.loc[found["raster"] == noted, "sites"].sum())
        others = found[found["raster"] != noted].sort_values(["sites", "raster"], ascending=[False, True])
        other = ""
        if len(others):
            first = rows_of(others)[0]
            other = f"{labels.habitat_name(first['raster'])} ({labels.number(first['sites'])})"
        rows.append(
            (
                labels.sentence(labels.habitat_name(str(noted))), other or "–",
                labels.number(whole), labels.number(same), labels.percent(same / whole),
            )
        )  # fmt: skip
    caption = _("Habitat as recorders noted it and as the raster has it; frequencies by habitat follow the raster.")
    heads = (_("Noted"), _("The raster's commonest other class")), (_("Sites"), _("Raster agrees"), _("Share"))
    return [ShownTable(caption, *heads, rows)] if rows else []


def _places(sites: pd.DataFrame, account: Mapping[str, Any]) -> str:
    if not known(account.get("median_uncertainty_m")):
        return ""
    told = _("Half of the sites are placed to {distance} or better (radius that holds the place in 95 of 100 cases).")
    text = told.format(distance=labels.distance(account["median_uncertainty_m"]))
    hidden = sites[sites["blur_m"] > 0]
    withheld = int(sites["x_m"].isna().sum())
    if len(hidden):
        sides = sorted(set(hidden["blur_m"]))
        size = labels.distance(sides[0]) if len(sides) == 1 else labels.distance_range(sides[0], sides[-1])
        text += " " + many(
            "In all that is published {n} site stands for a square of {side}, so that a place here is coarser than the "
            "records.",
            "In all that is published {n} sites stand for squares of {side}, so that places here are coarser than the "
            "records.",
            len(hidden),
        ).format(n=labels.number(len(hidden)), side=size)
    if withheld:
        text += " " + many(
            "The place of {n} site is withheld; its shells count.",
            "The places of {n} sites are withheld; their shells count.",
            withheld,
        ).format(n=labels.number(withheld))
    return text


def _agreement(account: Mapping[str, Any]) -> str:
    noted = account.get("habitat_noted")
    if not noted:
        return ""
    return _(
        "Recorders noted a habitat at {noted} sites; the raster has the same class at {agree} of them ({share})."
    ).format(
        noted=labels.number(noted),
        agree=labels.number(account["habitat_agrees"]),
        share=labels.percent(account["habitat_agrees"] / noted),
    )


def _small(account: Mapping[str, Any]) -> list[str]:
    lacking = account.get("sites_without_habitat", 0)
    if not lacking:
        return []
    return [
        many(
            "{n} site with a sample has no habitat from a raster and stands in no frequency by habitat.",
            "{n} sites with a sample have no habitat from a raster and stand in no frequency by habitat.",
            lacking,
        ).format(n=labels.number(lacking))
    ]
