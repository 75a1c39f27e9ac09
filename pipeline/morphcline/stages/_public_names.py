"""The part of the stage of intake that gives sites and visits names that tell nobody."""

from __future__ import annotations

from pathlib import PurePosixPath

import pandas as pd

from morphcline.language import said_many
from morphcline.records.site_ids import People, name_for_public, tells_somebody, visits_for_public
from morphcline.study import Study


def name_publicly(study: Study, table: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Return the observations under names that may be shown, the recorded names of sites, and warnings.

    Parameters
    ----------
    study : Study
    table : DataFrame
        Observations with ``source, survey, site, visit, recorder, x_m, y_m``.
    """
    publish = study.publish
    people = People(() if publish.names is True else table["recorder"].unique())
    public, names = name_for_public(
        table, crs=study.study.crs, blur_m=publish.blur_m, keep_names=publish.site_names, people=people
    )
    named = table.assign(site=public, visit=visits_for_public(table, people))
    return named, names, _telling_files(table, people)


def _telling_files(table: pd.DataFrame, people: People) -> list[str]:
    stems = [PurePosixPath(str(source)).stem.replace("_", " ").replace("-", " ") for source in table["source"].unique()]
    telling = sum(tells_somebody(stem, people) for stem in stems)
    if not telling:
        return []
    return [
        said_many(
            "{n} file of records bears a recorder's name or an address in its own name, which stands in public tables: "
            "rename it.",
            "{n} files of records bear a recorder's name or an address in their own names, which stand in public "
            "tables: rename them.",
            telling,
            n=telling,
        )
    ]
