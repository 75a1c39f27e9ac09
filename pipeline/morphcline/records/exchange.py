"""Accepted observations as events, occurrences and measurements, in the terms of Darwin Core.

An event is a visit to a site, and the site itself its parent; an occurrence is a morph scored there, with its number of
shells. Only what the public may see comes in, so only that goes out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from urllib.parse import quote

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.errors import MorphclineError
from morphcline.records import exchange_words as words
from morphcline.scoring.formulas import bands_present, has_fusion
from morphcline.scoring.species import slug

DATUM = "EPSG:4326"
#: Common practice, no single source.
PROTOCOL = "Shells found by searching the site by eye; each scored for species, ground colour and banding"
#: Decimals of degrees worked out from metres: about a centimetre.
_DECIMALS = 7

_PLACE = ("decimalLatitude", "decimalLongitude", "geodeticDatum", "coordinateUncertaintyInMeters")
EVENT_COLUMNS = (
    "eventID", "parentEventID", "eventType", "fieldNumber", "eventDate", "verbatimEventDate", "habitat",
    "samplingProtocol", "locationID", "locality", *_PLACE, "verbatimCoordinates", "verbatimCoordinateSystem",
    "verbatimSRS", "dataGeneralizations", "informationWithheld", "datasetID", "datasetName", "license", "rightsHolder",
)  # fmt: skip
OCCURRENCE_COLUMNS = (
    "eventID", "occurrenceID", "basisOfRecord", "occurrenceStatus", "kingdom", "scientificName", "taxonRank",
    "identificationQualifier", "identifiedBy", "recordedBy", "organismQuantity", "organismQuantityType", "lifeStage",
    "vitality", "occurrenceRemarks", "habitat", *_PLACE,
)  # fmt: skip
MEASUREMENT_COLUMNS = (
    "eventID", "occurrenceID", "measurementID", "measurementType", "measurementValue", "measurementUnit",
    "measurementMethod", "measurementDeterminedBy", "measurementRemarks",
)  # fmt: skip

#: What makes two shells recorded one by one the same morph.
_ALIKE = (
    "eventID", "longitude", "latitude", "position_uncertainty_m", "habitat", "species", "qualifier", "lip", "colour",
    "banding", "band_class", "age", "condition", "recorder", "not_counted_because",
)  # fmt: skip

ToDegrees = Callable[[NDArray[np.float64], NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]]


@dataclass(frozen=True)
class Dataset:
    """What an archive is about.

    Parameters
    ----------
    identifier : str
        With which every id in it begins: ``"orsel:survey"``, ``"orsel:earlier:1984"``.
    title : str
    licence, holder, contact : str
        Empty where the study names none.
    species : tuple of str
        The species studied.
    crs : str
        In which squares that hide places are laid out.
    names_shown : bool
        Whether recorders stand in it under their names.
    habitat_method, temperature_method : str
        How a site's habitat class and temperature were taken, and from what.
    """

    identifier: str
    title: str
    licence: str
    holder: str
    contact: str
    species: tuple[str, ...]
    crs: str
    names_shown: bool
    habitat_method: str = ""
    temperature_method: str = ""


@dataclass(frozen=True)
class ArchiveTables:
    """The three tables of an archive, with the columns named above."""

    events: pd.DataFrame
    occurrences: pd.DataFrame
    measurements: pd.DataFrame


def dataset_identifier(study: str, survey: str) -> str:
    """Return with what the ids of a survey begin.

    Examples
    --------
    >>> dataset_identifier("orsel", ""), dataset_identifier("orsel", "1984, autumn")
    ('orsel:survey', 'orsel:earlier:1984%2C%20autumn')
    """
    return f"{study}:earlier:{_part(survey)}" if survey else f"{study}:survey"


def archive_tables(
    accepted: pd.DataFrame, sites: pd.DataFrame, about: Dataset, *, singly: NDArray[np.bool_], to_degrees: ToDegrees
) -> ArchiveTables:
    """Return the observations of one survey as the tables of an archive.

    Parameters
    ----------
    accepted : DataFrame
        Public observations: the columns of ``records/accepted.csv``.
    sites : DataFrame
        Public sites of the same survey: ``site, lon, lat, position_uncertainty_m, blur_m, habitat, habitat_share,
        temperature_c``.
    about : Dataset
    singly : (n,) array of bool
        Rows of files that give each shell a row of its own: shells alike become one occurrence.
    to_degrees : callable
        Eastings and northings of the study to longitudes and latitudes.

    Raises
    ------
    MorphclineError
        When the shells don't add up: a mistake of ours.
    """
    rows = _with_degrees(accepted.reset_index(drop=True), to_degrees)
    rows["_site_id"] = about.identifier + ":" + rows["site"].map(_part)
    rows["eventID"] = [
        _event_id(site, visit, date)
        for site, visit, date in zip(rows["_site_id"], rows["visit"], rows["date"], strict=True)
    ]
    typical = _typical_rows(rows)
    own_place, own_habitat = _differing(rows, typical)
    events = pd.concat(
        [_sites(rows, sites, about), _visits(rows, typical, own_habitat, about)], ignore_index=True
    )[list(EVENT_COLUMNS)]  # fmt: skip
    merged = _merged(rows.assign(_own_place=own_place, _own_habitat=own_habitat), np.asarray(singly, dtype=bool))
    merged["occurrenceID"] = _occurrence_ids(merged)
    occurrences = _occurrences(merged, about)
    measurements = pd.concat(
        [*_shell_facts(merged), *_site_facts(events, sites, about)], ignore_index=True
    )[list(MEASUREMENT_COLUMNS)]  # fmt: skip
    if int(occurrences["organismQuantity"].sum()) != int(accepted["count"].sum()):
        raise MorphclineError("the shells of the archive don't add up to those accepted")
    for table, key in ((events, "eventID"), (occurrences, "occurrenceID"), (measurements, "measurementID")):
        if table[key].duplicated().any():
            raise MorphclineError(f"two rows of the archive have one {key}")
    return ArchiveTables(events, occurrences, measurements)


@lru_cache(1 << 16)
def _part(text: str) -> str:
    """Return a text as a part of an id: a colon in it can't be taken for one between parts."""
    return quote(str(text), safe="")


def _event_id(site_id: str, visit: str, date: str) -> str:
    if visit == date:
        return f"{site_id}:{_part(visit)}" if visit else f"{site_id}:@undated"
    return f"{site_id}:{_part(visit)}:{_part(date)}"


def _with_degrees(rows: pd.DataFrame, to_degrees: ToDegrees) -> pd.DataFrame:
    longitude, latitude = (rows[name].to_numpy(np.float64).copy() for name in ("longitude", "latitude"))
    x, y = (rows[name].to_numpy(np.float64) for name in ("x_m", "y_m"))
    wanting = np.isfinite(x) & ~(np.isfinite(longitude) & (rows["crs"] == DATUM).to_numpy())
    if wanting.any():
        east, north = to_degrees(x[wanting], y[wanting])
        longitude[wanting], latitude[wanting] = np.round(east, _DECIMALS), np.round(north, _DECIMALS)
    gone = ~np.isfinite(x)
    longitude[gone] = latitude[gone] = np.nan
    verbatim = [
        reference or (f"{easting:.12g} {northing:.12g}" if np.isfinite(easting) else "")
        for reference, easting, northing in zip(
            rows["grid_reference"], rows["easting"].astype(float), rows["northing"].astype(float), strict=True
        )
    ]
    system = np.where(rows["grid_reference"] != "", "grid reference", "easting and northing in units of the CRS")
    said = np.array(verbatim, dtype=object) != ""
    return rows.assign(
        longitude=longitude, latitude=latitude, _verbatim=verbatim, _system=np.where(said, system, ""),
        _srs=np.where(said, rows["crs"], ""),
        position_uncertainty_m=rows["position_uncertainty_m"].astype(float).where(rows["x_m"].notna()),
    )  # fmt: skip


def _typical_rows(rows: pd.DataFrame) -> pd.Series:
    """Return, for each event, the row whose place most of its rows share; a row without one wherever there is any."""
    place = rows.groupby(
        ["eventID", "longitude", "latitude", "position_uncertainty_m"], dropna=False, sort=False
    )["site"].transform("size")  # fmt: skip
    order = pd.DataFrame({"eventID": rows["eventID"], "placed": rows["x_m"].notna(), "rows": -place})
    first = order.sort_values(["placed", "rows"], kind="stable").drop_duplicates("eventID")
    return pd.Series(first.index, index=first["eventID"])


def _differing(rows: pd.DataFrame, typical: pd.Series) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which rows need a place, or a habitat, of their own beside that of their event."""
    of_event = rows.loc[rows["eventID"].map(typical)]
    differs = np.zeros(len(rows), dtype=bool)
    for name in ("longitude", "latitude", "position_uncertainty_m"):
        mine, theirs = rows[name].to_numpy(np.float64), of_event[name].to_numpy(np.float64)
        differs |= ~((mine == theirs) | (np.isnan(mine) & np.isnan(theirs)))
    habitats = rows.groupby("eventID")["habitat"].transform("nunique")
    return differs, (habitats > 1).to_numpy()


def _told_of_places(blur: pd.Series, about: Dataset) -> dict[str, NDArray[np.object_]]:
    """Return what was done to places, and what is kept back and whom to ask."""
    persons = "recorders' notes" if about.names_shown else "recorders' names and notes"
    who = about.holder or "the holder of the data"
    ask = f"Ask {who}: {about.contact}" if about.contact else f"Ask {who}"

    def told(side: float) -> tuple[str, str]:
        if np.isnan(side):
            return "", f"Withheld: the place, {persons}. {ask}."
        if side == 0:
            return "", f"Withheld: {persons}. {ask}."
        generalized = (
            f"Shown at the centre of the square of {side:.12g} m in which it lies (squares at whole multiples of "
            f"{side:.12g} m in {about.crs}); the uncertainty holds the place about that centre."
        )
        return generalized, f"Withheld: the exact place, {persons}. {ask}."

    which, sides = pd.factorize(blur.astype(float), use_na_sentinel=False)
    generalized, withheld = (np.array(texts, dtype=object) for texts in zip(*map(told, sides), strict=True))
    return {"dataGeneralizations": generalized[which], "informationWithheld": withheld[which]}


def _rights(about: Dataset) -> dict[str, str]:
    return {
        "datasetID": about.identifier,
        "datasetName": about.title,
        "license": about.licence,
        "rightsHolder": about.holder,
    }


def _sites(rows: pd.DataFrame, sites: pd.DataFrame, about: Dataset) -> pd.DataFrame:
    met = rows.drop_duplicates("_site_id")[["_site_id", "site"]]
    known = met.merge(
        sites[["site", "lon", "lat", "position_uncertainty_m", "blur_m"]], on="site", how="left", validate="one_to_one"
    )
    placed = known["lon"].notna().to_numpy()
    return pd.DataFrame(
        {
            "eventID": known["_site_id"], "parentEventID": "", "eventType": "Site", "fieldNumber": "",
            "eventDate": "", "verbatimEventDate": "", "habitat": "", "samplingProtocol": "",
            "locationID": known["site"], "locality": known["site"],
            "decimalLatitude": known["lat"], "decimalLongitude": known["lon"],
            "geodeticDatum": np.where(placed, DATUM, ""),
            "coordinateUncertaintyInMeters": _radius(known["position_uncertainty_m"].where(placed)),
            "verbatimCoordinates": "", "verbatimCoordinateSystem": "", "verbatimSRS": "",
            **_told_of_places(known["blur_m"], about), **_rights(about),
        }
    )  # fmt: skip


def _visits(rows: pd.DataFrame, typical: pd.Series, own_habitat: NDArray[np.bool_], about: Dataset) -> pd.DataFrame:
    order = rows["eventID"].drop_duplicates()
    at = typical.loc[order].to_numpy()
    one = rows.loc[at]
    placed = one["longitude"].notna().to_numpy()
    read_from = one["mended"].str.extract(r"date (\S+) read as", expand=False).fillna("")
    return pd.DataFrame(
        {
            "eventID": one["eventID"], "parentEventID": one["_site_id"], "eventType": "Site Visit",
            "fieldNumber": np.where(one["visit"] == one["date"], "", one["visit"]),
            "eventDate": one["date"], "verbatimEventDate": read_from,
            "habitat": np.where(own_habitat[at], "", one["habitat"]), "samplingProtocol": PROTOCOL,
            "locationID": one["site"], "locality": one["site"],
            "decimalLatitude": one["latitude"], "decimalLongitude": one["longitude"],
            "geodeticDatum": np.where(placed, DATUM, ""),
            "coordinateUncertaintyInMeters": _radius(one["position_uncertainty_m"]),
            "verbatimCoordinates": one["_verbatim"], "verbatimCoordinateSystem": one["_system"],
            "verbatimSRS": one["_srs"], **_told_of_places(one["blur_m"], about), **_rights(about),
        }
    )  # fmt: skip


def _radius(metres: pd.Series) -> pd.Series:
    """Return an uncertainty as the term has it: above zero, or empty."""
    return metres.astype(float).where(metres > 0)


def _merged(rows: pd.DataFrame, singly: NDArray[np.bool_]) -> pd.DataFrame:
    """Return the rows with shells alike that were recorded one by one as one row, in the order in which they came."""
    single = singly & (rows["count"] == 1).to_numpy()
    alone, others = rows[single], rows[~single].assign(_single=False)
    if alone.empty:
        return others.reset_index(drop=True)
    group = alone.groupby(list(_ALIKE), dropna=False, sort=False).ngroup()
    first = alone.assign(_group=group).drop_duplicates("_group")
    size = group.value_counts()
    told = alone["mended"].groupby(group).agg(lambda texts: "; ".join(dict.fromkeys(text for text in texts if text)))
    first = first.assign(
        count=first["_group"].map(size), mended=first["_group"].map(told).astype(object), _single=True
    ).drop(columns="_group")  # fmt: skip
    return pd.concat([others, first]).sort_index(kind="stable").reset_index(drop=True)


def _occurrence_ids(merged: pd.DataFrame) -> pd.Series:
    """Return an id for each morph, made of what it is; a number follows where one visit has several alike."""

    @cache
    def morph_of(row: tuple[str, ...]) -> str:
        species, qualifier, lip, colour, banding, band_class, age, condition, none = row
        state = [slug(qualifier), f"lip-{lip}" if lip else "", age, condition, none]
        morph = _part(banding) if banding else slug(band_class) or words.UNSCORED
        told = "-".join(part for part in state if part)
        return ":".join([slug(species) or "unnamed", colour or words.UNSCORED, morph, told or "shells"])

    none = np.where(merged["count"] == 0, "none", "")
    names = ["species", "qualifier", "lip", "colour", "banding", "band_class", "age", "condition"]
    morphs = zip(*(merged[name] for name in names), none, strict=True)
    bases = [f"{event}:{morph_of(row)}" for event, row in zip(merged["eventID"], morphs, strict=True)]
    frame = pd.DataFrame({"base": bases, "count": merged["count"], "recorder": merged["recorder"]}, index=merged.index)
    number = frame.sort_values(["base", "count", "recorder"], kind="stable").groupby("base").cumcount()
    number = number.reindex(merged.index) + 1
    several = frame["base"].duplicated(keep=False)
    return frame["base"].where(~several, frame["base"] + ":" + number.astype(str))


def _occurrences(merged: pd.DataFrame, about: Dataset) -> pd.DataFrame:
    some = (merged["count"] > 0).to_numpy()
    rank = merged["species"].map(lambda name: ("genus" if " " not in name else "species") if name else "")
    sought = f"{words.NONE_FOUND}: {', '.join(about.species)}"
    remarks = np.where(
        some,
        np.where(merged["counted"], "", words.NOT_COUNTED + merged["not_counted_because"]),
        np.where(merged["species"] == "", sought, words.NONE_FOUND),
    )
    own = merged["_own_place"].to_numpy() & merged["longitude"].notna().to_numpy()
    return pd.DataFrame(
        {
            "eventID": merged["eventID"], "occurrenceID": merged["occurrenceID"], "basisOfRecord": "HumanObservation",
            "occurrenceStatus": np.where(some, words.PRESENT, words.ABSENT), "kingdom": "Animalia",
            "scientificName": merged["species"], "taxonRank": rank, "identificationQualifier": merged["qualifier"],
            "identifiedBy": merged["recorder"], "recordedBy": merged["recorder"],
            "organismQuantity": merged["count"].astype(np.int64), "organismQuantityType": words.INDIVIDUALS,
            "lifeStage": merged["age"], "vitality": merged["condition"].map(lambda text: words.VITALITY.get(text, "")),
            "occurrenceRemarks": remarks,
            "habitat": np.where(merged["_own_habitat"], merged["habitat"], ""),
            "decimalLatitude": merged["latitude"].where(own), "decimalLongitude": merged["longitude"].where(own),
            "geodeticDatum": np.where(own, DATUM, ""),
            "coordinateUncertaintyInMeters": _radius(merged["position_uncertainty_m"]).where(own),
        }
    )[list(OCCURRENCE_COLUMNS)]  # fmt: skip


def _shell_facts(merged: pd.DataFrame) -> Iterator[pd.DataFrame]:
    some = (merged["count"] > 0).to_numpy()
    formulas = merged["banding"].unique()
    number = merged["banding"].map({text: sum(bands_present(text)) if text else 0 for text in formulas})
    fused = merged["banding"].map({text: bool(text) and has_fusion(text) for text in formulas})
    scored = (merged["banding"] != "").to_numpy()
    # The date's is told of the visit.
    mended = merged["mended"].str.replace(r"(^|; )date \S+ read as [^;]*", "", regex=True).str.removeprefix("; ")
    colour, band_class = merged["colour"], merged["band_class"]
    counted = merged["counted"].to_numpy(dtype=bool)
    facts: tuple[tuple[str, NDArray[np.bool_], pd.Series | str, pd.Series | str, str], ...] = (
        (words.COLOUR, some | (colour != "").to_numpy(), colour.where(colour != "", words.UNSCORED), "", ""),
        (words.BAND_CLASS, some | (band_class != "").to_numpy(), band_class.where(band_class != "", words.UNSCORED),
         mended, ""),
        (words.FORMULA, scored, merged["banding"], mended, ""),
        (words.BAND_NUMBER, scored, number.astype(str), "", "bands"),
        (words.FUSION, scored & (number > 0).to_numpy(), fused.map({True: "fused", False: "not fused"}), "", ""),
        (words.LIP, (merged["lip"] != "").to_numpy(), merged["lip"], "", ""),
        (words.CONDITION, (merged["condition"] != "").to_numpy(), merged["condition"], "", ""),
        (words.UNIT, merged["_single"].to_numpy(dtype=bool), words.SINGLE, "", ""),
        (words.COUNTED, ~counted, "no", merged["not_counted_because"], ""),
    )  # fmt: skip
    for kind, where, value, remarks, unit in facts:
        rows = merged[where]
        yield pd.DataFrame(
            {
                "eventID": rows["eventID"], "occurrenceID": rows["occurrenceID"],
                "measurementID": rows["occurrenceID"] + f":{slug(kind)}", "measurementType": kind,
                "measurementValue": value[where] if isinstance(value, pd.Series) else value,
                "measurementUnit": unit, "measurementMethod": f"{words.METHODS[kind]} ({words.SCHEME})",
                "measurementDeterminedBy": rows["recorder"],
                "measurementRemarks": remarks[where] if isinstance(remarks, pd.Series) else remarks,
            }
        )  # fmt: skip


def _site_facts(events: pd.DataFrame, sites: pd.DataFrame, about: Dataset) -> Iterator[pd.DataFrame]:
    places = events[events["eventType"] == "Site"][["eventID", "locationID"]]
    known = places.merge(sites, left_on="locationID", right_on="site", how="inner")
    share = [
        "" if np.isnan(part) else f"share of the land about the site: {part:.12g}"
        for part in known["habitat_share"].astype(float)
    ]
    classed = (known["habitat"] != "").to_numpy()
    degrees = known["temperature_c"].astype(float).map("{:.12g}".format, na_action="ignore")
    facts = (
        (
            words.HABITAT,
            classed,
            known["habitat"],
            "",
            about.habitat_method,
            pd.Series(share, index=known.index, dtype=object),
        ),
        (words.TEMPERATURE, degrees.notna().to_numpy(), degrees, "°C", about.temperature_method, ""),
    )
    for kind, where, value, unit, method, remarks in facts:
        yield pd.DataFrame(
            {
                "eventID": known["eventID"], "occurrenceID": "", "measurementID": known["eventID"] + f"::{slug(kind)}",
                "measurementType": kind, "measurementValue": value, "measurementUnit": unit,
                "measurementMethod": method, "measurementDeterminedBy": "", "measurementRemarks": remarks,
            }
        )[where]  # fmt: skip
