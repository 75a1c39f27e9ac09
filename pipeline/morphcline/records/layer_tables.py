"""Tables as a GIS wants them: a row a shape, short stable names in lower case, and what each field holds.

The names are a contract: layers, styles and other people's projects rest on them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from morphcline.records.period import first_day, last_day
from morphcline.scoring.species import slug

#: Longest name of a field: what the narrowest of databases in use takes.
LONGEST_NAME = 30

_PLACE = {
    "lon": "longitude in degrees, WGS 84, of the place shown",
    "lat": "latitude in degrees, WGS 84, of the place shown",
    "position_uncertainty_m": "radius in metres that holds the true place with 95 % confidence",
    "blur_m": "side in metres of the square at whose centre the site is shown; 0: shown exactly",
}
_SITES = {
    "site": "site",
    **_PLACE,
    "shells": "adult shells that count, of all studied species, all visits",
    "samples": "different visits",
    "seen_not_counted": "shells that enter no frequency: juveniles, worn or bleached ones, species not studied",
    "first_date": "date of the first record, ISO 8601, as precise as it was given",
    "last_date": "date of the last record, ISO 8601, as precise as it was given",
    "habitat": "class of land with the largest share round the site, from the raster",
    "habitat_share": "its share, 0 to 1",
    "habitat_noted": "class noted by the recorders on most visits",
    "temperature_c": "temperature from the raster, degrees Celsius",
    "district": "district of the report in which the site lies",
    "transformation": "operations by which the records' positions came into the study's reference system",
}
_SHARE = "share of the circle round the site that is {name}, 0 to 1"

#: What a trait has at a site, by the end of the field's name.
FREQUENCY_PARTS = {
    "count": "shells with the trait: {trait}",
    "total": "shells judged for it: {trait}",
    "frequency": "count / total, 0 to 1: {trait}",
    "low": "lower limit of the frequency: {trait}",
    "high": "upper limit of the frequency: {trait}",
}
#: What a trait has in a cell of a surface.
CELL_PARTS = {
    "frequency": "smoothed frequency, 0 to 1: {trait}",
    "se": "standard error of the smoothed frequency: {trait}",
    "shells": "independent shells that the smoothed frequency rests on: {trait}",
}
_SHARES = ("frequency", "low", "high")

#: Groups of local association, and what each means.
LOCAL_GROUPS = {
    "high among high": "more shells with the trait than on the average, among sites with more",
    "high among low": "more, among sites with less",
    "low among high": "less, among sites with more",
    "low among low": "less, among sites with less",
    "no local signal": "not to be told from chance",
    "not tested": "too few shells or no neighbours",
}
_CLUSTERS = {
    "species": "species, by its full name",
    "trait": "trait",
    "site": "site",
    "blur_m": _PLACE["blur_m"],
    "local_group": "local association of the site with its neighbours",
    "local_i": "local Moran's I",
    "p_permutation": "p-value by permutation",
    "p_fdr": "the same with the false discovery rate over the sites controlled",
}
_PAIRS = {
    "species": "species, by its full name",
    "trait": "trait",
    "earlier_survey": "name of the earlier survey",
    "site": "site now",
    "earlier_site": "the earlier survey's site that is the same place",
    "blur_m": _PLACE["blur_m"],
    "earlier_count": "shells with the trait then",
    "earlier_total": "shells judged then",
    "later_count": "shells with the trait now",
    "later_total": "shells judged now",
    "earlier_frequency": "earlier_count / earlier_total, 0 to 1",
    "later_frequency": "later_count / later_total, 0 to 1",
    "difference": "later_frequency less earlier_frequency, -1 to 1",
    "low": "lower limit of the difference",
    "high": "upper limit of the difference",
    "p": "p-value of no change, shells taken as independent; the pooled tests of tables/change.csv allow for drift",
    "method": "how limits and p were found",
}
_LINES = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "model of the cline",
    "line": "straight, or curved where surveys drawn from a straight line seldom gain as much by a bend",
    "sites": "sites with at least one shell judged",
    "shells": "shells judged",
    "bearing_deg": "bearing along which the frequency rises, degrees clockwise from grid north",
    "bearing_low": "its limit, counter-clockwise end; empty: open",
    "bearing_high": "its limit, clockwise end; empty: open",
    "centre_m": "metres along the bearing to the centre, from the origin near the sites' mean that tables/clines.csv "
    "gives in origin_x_m and origin_y_m",
    "centre_low": "its lower limit in metres; empty: open",
    "centre_high": "its upper limit in metres; empty: open",
    "width_m": "width of the cline in metres: (p_max - p_min) / greatest gradient",
    "width_low": "its lower limit in metres; empty: a step fits as well",
    "width_high": "its upper limit in metres; empty: open",
    "p_min": "frequency at the low end, 0 to 1",
    "p_max": "frequency at the high end, 0 to 1",
    "p_curved": "p-value of a straight line against a bent one",
    "fails": "whether the model fails to describe the map",
    "level": "confidence of the limits",
}
#: Fields by their type; the others are numbers.
_WORDS = {
    "survey", "site", "first_date", "last_date", "habitat", "habitat_noted", "district", "transformation", "species",
    "trait", "local_group", "earlier_survey", "earlier_site", "method", "model", "line", "cell",
}  # fmt: skip
_TRUE_OR_FALSE = {"enough", "fails"}
_WHOLE = {"shells", "samples", "seen_not_counted", "visits", "sites"}
_WHOLE_ENDS = ("_count", "_total")


@dataclass(frozen=True)
class Attributes:
    """The fields of a layer.

    Parameters
    ----------
    table : DataFrame
        A row a feature: the fields, and what tells its place (``site``, ``survey``) where that isn't among them.
    fields : mapping
        Field to what it holds.
    shares : tuple of str
        Fields from 0 to 1.
    words : mapping
        Fields that hold one of a few words, to these.
    """

    table: pd.DataFrame
    fields: Mapping[str, str]
    shares: tuple[str, ...] = ()
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def trait_stems(traits: Iterable[str], ends: Iterable[str]) -> dict[str, str]:
    """Return the beginning of each trait's field names: lower-case ASCII, short enough, no two alike.

    Parameters
    ----------
    traits : iterable of str
    ends : iterable of str
        What follows it after an underscore.

    Examples
    --------
    >>> trait_stems(["mid-banded", "5th band, and more than that"], ["frequency"])
    {'mid-banded': 'mid_banded', '5th band, and more than that': 't_5th_band_and_more'}
    """
    room = LONGEST_NAME - 1 - max(len(end) for end in ends)
    stems: dict[str, str] = {}
    for trait in traits:
        stem = slug(trait, "_") or "trait"
        stem = stem if stem[0].isalpha() else f"t_{stem}"
        if len(stem) > room:
            stem = stem[: room + 1].rpartition("_")[0] or stem[:room]
        plain, number = stem, 1
        while stem in stems.values():
            number += 1
            stem = f"{plain[: room - len(str(number)) - 1]}_{number}"
        stems[trait] = stem
    return stems


def site_attributes(sites: pd.DataFrame, records: pd.DataFrame) -> Attributes:
    """Return the fields of sites, of this survey or of earlier ones.

    Parameters
    ----------
    sites : DataFrame
        The public ``sites.csv`` or ``earlier_sites.csv``.
    records : DataFrame
        The public ``accepted.csv``: dates of the shells that count.
    """
    earlier = "survey" in sites
    key = ["survey", "site"]
    table = sites if earlier else sites.assign(survey="")
    table = table.merge(_dates(records), how="left", on=key, validate="one_to_one")
    shares = [name for name in sites.columns if re.fullmatch(r"share_\w+", str(name))]
    fields = {"survey": "name of the earlier survey"} if earlier else {}
    fields |= {name: text for name, text in _SITES.items() if name in table}
    fields |= {name: _SHARE.format(name=name.removeprefix("share_").replace("_", " ")) for name in shares}
    return Attributes(_places(table, fields), fields, shares=(*shares, *({"habitat_share"} & set(fields))))


def _dates(records: pd.DataFrame) -> pd.DataFrame:
    used = records[records["counted"].astype(bool) & (records["date"] != "")]
    used = used[["survey", "site", "date"]].drop_duplicates()
    used = used.assign(
        first_date=[date.partition("/")[0] for date in used["date"]],
        last_date=[date.rpartition("/")[2] for date in used["date"]],
        begins=used["date"].map(first_day),
        ends=used["date"].map(last_day),
    )
    key = ["survey", "site"]
    first = used.sort_values([*key, "begins", "first_date"]).drop_duplicates(key).set_index(key)["first_date"]
    last = used.sort_values([*key, "ends", "last_date"]).drop_duplicates(key, keep="last").set_index(key)["last_date"]
    return pd.concat([first, last], axis=1).reset_index()


def frequency_attributes(
    species: str, traits: Sequence[str], sites: pd.DataFrame, samples: pd.DataFrame, frequencies: pd.DataFrame
) -> Attributes:
    """Return the fields of one species' frequencies: a row a site, five fields a trait.

    Parameters
    ----------
    species : str
    traits : sequence of str
    sites, samples, frequencies : DataFrame
        The tables of those names.
    """
    own = samples.loc[samples["species"] == species, ["site", "shells", "visits", "enough"]]
    table = sites[["site", "x_m", "y_m", "blur_m", "position_uncertainty_m"]].merge(own, on="site", validate="1:1")
    fields = {
        "site": "site",
        "position_uncertainty_m": _PLACE["position_uncertainty_m"],
        "blur_m": _PLACE["blur_m"],
        "shells": f"adult shells of {species} that count",
        "visits": "different visits",
        "enough": "whether the sample is large enough for tests and maps",
    }
    stems = trait_stems(traits, FREQUENCY_PARTS)
    here = frequencies[frequencies["species"] == species]
    for trait, stem in stems.items():
        parts = here.loc[here["trait"] == trait, ["site", *FREQUENCY_PARTS]]
        names = {part: f"{stem}_{part}" for part in FREQUENCY_PARTS}
        table = table.merge(parts.rename(columns=names), how="left", on="site", validate="1:1")
        for part in ("count", "total"):
            table[names[part]] = table[names[part]].fillna(0)
        fields |= {names[part]: text.format(trait=trait) for part, text in FREQUENCY_PARTS.items()}
    shares = tuple(f"{stem}_{part}" for stem in stems.values() for part in _SHARES)
    return Attributes(_places(table, fields), fields, shares=shares)


def cluster_attributes(local: pd.DataFrame, sites: pd.DataFrame, traits: Sequence[str]) -> Attributes:
    """Return the fields of local groups: a row a site, species and trait.

    Parameters
    ----------
    local, sites : DataFrame
        The tables of those names.
    traits : sequence of str
        Those wanted.
    """
    table = local[local["trait"].isin(traits)].rename(columns={"group": "local_group"})
    table = table.merge(sites[["site", "x_m", "y_m", "blur_m"]], on="site", validate="many_to_one")
    return Attributes(_places(table, _CLUSTERS), _CLUSTERS, words={"local_group": LOCAL_GROUPS})


def pair_attributes(change: pd.DataFrame, sites: pd.DataFrame, traits: Sequence[str]) -> Attributes:
    """Return the fields of pairs of places seen in two surveys, at the present place: a row a pair and trait.

    Parameters
    ----------
    change, sites : DataFrame
        The tables of those names; rows of all pairs together are left out.
    traits : sequence of str
        Those wanted.
    """
    table = change[change["trait"].isin(traits) & (change["site"] != "")]
    table = table.merge(sites[["site", "x_m", "y_m", "blur_m"]], on="site", validate="many_to_one")
    return Attributes(_places(table, _PAIRS), _PAIRS, shares=("earlier_frequency", "later_frequency"))


def line_attributes(curved: pd.DataFrame, clines: pd.DataFrame, confidence: float) -> Attributes:
    """Return the fields of cline centres: a row a species and trait whose centre can be drawn.

    Parameters
    ----------
    curved, clines : DataFrame
        The tables of those names.
    confidence : float
    """
    drawn = curved[curved["drawn"].isin(("straight", "curved"))]
    fitted = clines[["species", "trait", "model", *(name for name in _LINES if name in clines and name not in curved)]]
    measured = clines[["species", "trait", "model", "bearing_deg", "width_m"]]
    table = drawn.drop(columns=["bearing_deg", "width_m"]).rename(columns={"drawn": "line"})
    for part in (fitted, measured):
        table = table.merge(part, how="left", on=["species", "trait", "model"], validate="1:1")
    table = table.assign(level=confidence, fails=table["fails"].map(_truth))
    return Attributes(typed(table, _LINES), _LINES, shares=("p_min", "p_max"))


def cell_fields(traits: Sequence[str]) -> dict[str, tuple[str, str, str]]:
    """Return, for each field of a cell, its trait, which of :data:`CELL_PARTS` it is, and what it holds."""
    return {
        f"{stem}_{part}": (trait, part, text.format(trait=trait))
        for trait, stem in trait_stems(traits, CELL_PARTS).items()
        for part, text in CELL_PARTS.items()
    }


def _truth(value: object) -> bool | None:
    return {"True": True, "False": False}.get(str(value))


def _places(table: pd.DataFrame, fields: Mapping[str, str]) -> pd.DataFrame:
    """Return the fields, each of one type whatever the study holds, and the place."""
    return typed(table, fields).assign(x_m=table["x_m"].to_numpy(float), y_m=table["y_m"].to_numpy(float))


def typed(table: pd.DataFrame, fields: Iterable[str]) -> pd.DataFrame:
    """Return the fields of a table, each of the type that its name stands for; empty text is missing."""
    columns = {}
    for name in fields:
        values = table[name].reset_index(drop=True)
        if name in _WORDS:
            columns[name] = values.astype(object).where(values.notna() & (values != ""), None)
        elif name in _TRUE_OR_FALSE:
            columns[name] = values.astype("boolean")
        elif name in _WHOLE or name.endswith(_WHOLE_ENDS):
            columns[name] = values.astype("int64")
        else:
            columns[name] = values.astype("float64")
    return pd.DataFrame(columns)
