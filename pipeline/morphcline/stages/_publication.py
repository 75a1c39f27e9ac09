"""The part of the stage of landscape that writes what the public may see of records and sites."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.errors import Problem, SourceError
from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table, write_table
from morphcline.language import Said
from morphcline.places.transforms import Transformation, area_lonlat
from morphcline.records.account import REJECTED_COLUMNS
from morphcline.records.districts import District, tellable
from morphcline.records.observations import COLUMNS
from morphcline.records.privacy import (
    BLUR_COLUMN,
    SAME_PLACE_M,
    by_name,
    by_pseudonym,
    hidden_in,
    nobody,
    public_records,
    public_rejected,
    public_sites,
    together,
)
from morphcline.scoring.habitats import read_habitat
from morphcline.stages._squares import Warmth, tell_land
from morphcline.stages.base import Account, Context
from morphcline.stages.intake import (
    ACCEPTED,
    FLAGGED,
    FLAGGED_COLUMNS,
    NAMES,
    REJECTED,
)
from morphcline.study import Study

PRIVATE = "private/"
PUBLIC_RECORDS = tuple(name.removeprefix(PRIVATE) for name in (ACCEPTED, FLAGGED, REJECTED))
#: Shortest secret from which pseudonyms are made, in characters.
_LEAST_KEY = 12

NOTICE = "private/README.md"
_NOTICE = """# Not for the public

These files hold exact places, recorders' names, their notes and the rows as they came: records as accepted, flagged and
rejected, the sites' exact positions, and the names that sites have in the records. A garden's position is a person's
home. Give them to nobody who may not see all of it, and keep them as your local law on personal data asks.

Everything beside this folder is made for the public, by `[publish]` in the study file.
"""


_RARE = (
    "; empty also where that class makes up less than a sixteenth of the square that hides the site, or is kept back "
    "with such a class, since it would find the site there"
)
#: What the public table says of a site instead.
_OF_SQUARE = {
    "habitat_share": "its share; told where the place is",
    "temperature_c": "temperature from the raster, degrees Celsius: the mean over the square that hides the site, "
    "where analyses take the site's own; at the site where it isn't hidden",
}


def _with_blur(columns: dict[str, str]) -> dict[str, str]:
    told: dict[str, str] = {}
    for name, text in columns.items():
        told[name] = text
        if name == "position_uncertainty_m":
            told |= BLUR_COLUMN
    return told


def public_columns(columns: dict[str, str]) -> dict[str, str]:
    """Return the columns of a table of sites with that of the blur in its place, and what they mean to the public."""
    told = _with_blur(columns) | _OF_SQUARE
    return told | {name: told[name] + _RARE for name in ("habitat", "habitat_noted")}


ACCEPTED_SHOWN = _with_blur(
    dict(COLUMNS)
    | {
        "longitude": "longitude, degrees, WGS 84: of the site's square where it is hidden, else as recorded",
        "latitude": "latitude, likewise",
        "x_m": "easting in the study's CRS, metres: of the centre of the square that hides the site",
        "y_m": "northing, likewise",
        "habitat": "class of habitat that the recorder's note means" + _RARE,
        "recorder": "empty, the recorder's pseudonym or name, as [publish] names has it",
        "note": "empty: notes stay private",
    }
)
PUBLIC_RECORD_COLUMNS = {
    PUBLIC_RECORDS[0]: ACCEPTED_SHOWN,
    PUBLIC_RECORDS[1]: {
        **{name: FLAGGED_COLUMNS[name] for name in ("source", "row", "flag_code")},
        "flag": "what the flag means; what was found stays private",
        **{name: text for name, text in ACCEPTED_SHOWN.items() if name not in ("source", "row")},
    },
    PUBLIC_RECORDS[2]: {
        **REJECTED_COLUMNS,
        "reason": "what the reason means",
        "row_as_it_came": "empty: stays private",
    },
}


def publish(
    context: Context, sites: pd.DataFrame, account: Account, *, districts: Sequence[District], warmth: Warmth
) -> pd.DataFrame:
    """Write the public records; return the sites of all surveys as the public may see them.

    Parameters
    ----------
    context : Context
    sites : DataFrame
        Of all surveys, exact.
    districts : sequence of District
    warmth : callable
        Temperatures at places.
    account : dict
        Gets how many sites are hidden, and warnings.
    """
    study = context.study
    accepted, flagged, rejected, names = (
        read_table(context.path(name)) for name in (ACCEPTED, FLAGGED, REJECTED, NAMES)
    )
    near = max(study.change.within_m, SAME_PLACE_M)
    side = hidden_in(sites, accepted, names, study.publish.sensitive, study.publish.blur_m, same_place_m=near)
    shared = together(sites, side, study.change.within_m)
    side = shared.side
    shown = public_sites(sites, side, _to_degrees(study.study.crs, sites), shared=shared)
    place = (shown["x_m"], shown["y_m"], shown["blur_m"])
    shown = shown.assign(district=tellable(sites["district"], *place, districts))
    shown, kept_back = tell_land(shown, study, districts, warmth)
    others = () if study.habitat is None else tuple(study.habitat.classes.values())
    how = {"habitat_of": lambda note: read_habitat(note, others=others) if note else "", "person_of": _person(study)}
    tables = (
        public_records(accepted, shown, **how, kept_back=kept_back),
        public_records(flagged, shown, **how, kept_back=kept_back),
        public_rejected(rejected),
    )
    for name, table in zip(PUBLIC_RECORDS, tables, strict=True):
        write_table(context.path(name), table, PUBLIC_RECORD_COLUMNS[name])
    write_text(context.path(NOTICE), _NOTICE)
    account["published"] = {
        "blur_m": study.publish.blur_m,
        "sites_hidden_in_wider_squares": int((np.isfinite(side) & (side > study.publish.blur_m)).sum()),
        "sites_withheld": int(np.isinf(side).sum()),
        "sites_with_habitat_kept_back": int(((shown["habitat"] == "") & (sites["habitat"].to_numpy() != "")).sum()),
    }
    account["warnings"] += _unknown_sites(study, names)
    return shown


def _unknown_sites(study: Study, names: pd.DataFrame) -> list[str]:
    known = {*names["site"], *names["recorded_as"]}
    # By their numbers, for what a stage tells of itself is public.
    absent = [
        f"{number}.{place}"
        for number, rule in enumerate(study.publish.sensitive, start=1)
        for place, site in enumerate(rule.sites, start=1)
        if site not in known
    ]
    if not absent:
        return []
    return [
        Said(
            "[[publish.sensitive]] names sites that no record has: {sites} (the number of the rule, then that of the "
            "site in it).",
            sites=", ".join(absent),
        )
    ]


def _person(study: Study) -> Callable[[str], str]:
    if study.publish.names is True:
        return by_name
    if study.publish.pseudonym_key is None:
        return nobody
    return by_pseudonym(read_key(study))


def read_key(study: Study) -> bytes:
    """Return the secret from which pseudonyms are made.

    Raises
    ------
    SourceError
        When it can't be read or is too short to be one.
    """
    path = study.publish.pseudonym_key
    assert path is not None
    shown = study.shown(path)
    try:
        key = path.read_bytes().strip()
    except OSError as error:
        problem = Problem(shown, "[publish] pseudonym_key", f"the file can't be read: {error.strerror}", "name another")
        raise SourceError(problem) from error
    if len(key) < _LEAST_KEY:
        found = f"the secret has {len(key)} characters"
        raise SourceError(Problem(shown, "[publish] pseudonym_key", found, f"{_LEAST_KEY} or more are accepted"))
    return key


def _to_degrees(
    crs: str, sites: pd.DataFrame
) -> Callable[[NDArray[np.float64], NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]]:
    area = area_lonlat(crs, sites["x_m"], sites["y_m"])
    return Transformation(crs, "EPSG:4326", area, allow_ballpark=True).apply
