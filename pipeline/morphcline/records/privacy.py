"""What the public may see of sites and records: squares instead of places, and nobody's name, note or address."""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from morphcline.places.grid import blur
from morphcline.records.flags import FLAGS
from morphcline.records.site_ids import E_MAIL
from morphcline.records.verdicts import REASONS
from morphcline.study import Sensitive

Floats = NDArray[np.float64]

#: A site this near to a sensitive one is hidden like it: the same patch, in another survey or under another name.
SAME_PLACE_M = 100.0
#: Decimals of longitude and latitude of a square's centre: about a metre.
_LONLAT_DECIMALS = 5

BLUR_COLUMN = {
    "blur_m": "side of the square, at whose centre the site is shown, in metres; 0: shown exactly; empty: not shown"
}
#: What a raster says at a place: together they fit a few cells of a square, often one.
_BY_RASTER = ("habitat_share", "temperature_c")
#: Cells of an observation that tell where.
_PLACE = (
    "longitude", "latitude", "easting", "northing", "grid_reference", "crs", "x_m", "y_m", "position_uncertainty_m",
)  # fmt: skip


def hidden_in(
    sites: pd.DataFrame,
    records: pd.DataFrame,
    names: pd.DataFrame,
    rules: Iterable[Sensitive],
    blur_m: float,
    *,
    same_place_m: float = SAME_PLACE_M,
) -> Floats:
    """Return the side of the square in which each site is hidden; infinite where its place is withheld.

    Parameters
    ----------
    sites : DataFrame
        Of all surveys: ``survey, site, x_m, y_m, habitat, habitat_noted``.
    records : DataFrame
        ``survey, site, species``.
    names : DataFrame
        ``survey, site, recorded_as``.
    rules : iterable of Sensitive
        The strictest that fits a site, or another at the same place, holds.
    blur_m : float
        For sites that no rule fits.
    same_place_m : float
        Sites nearer to each other than this lie at the same place.
    """
    key = pd.MultiIndex.from_frame(sites[["survey", "site"]])
    side = np.full(len(sites), float(blur_m))
    for rule in rules:
        fits = np.ones(len(sites), dtype=bool)
        if rule.species is not None:
            found = records.loc[records["species"] == rule.species, ["survey", "site"]].drop_duplicates()
            fits &= key.isin(pd.MultiIndex.from_frame(found))
        if rule.sites:
            called = names[names["recorded_as"].isin(rule.sites) | names["site"].isin(rule.sites)]
            fits &= key.isin(pd.MultiIndex.from_frame(called[["survey", "site"]]))
        if rule.habitat is not None:
            fits &= ((sites["habitat"] == rule.habitat) | (sites["habitat_noted"] == rule.habitat)).to_numpy()
        asked = np.inf if rule.withhold else float(rule.blur_m or 0.0)
        side[fits] = np.maximum(side[fits], asked)
    return _spread(sites[["x_m", "y_m"]].to_numpy(np.float64), side, same_place_m)


def _spread(places: Floats, side: Floats, same_place_m: float) -> Floats:
    if len(places) < 2:
        return side
    wider = side.copy()
    for first, second in cKDTree(places).query_pairs(same_place_m):
        wider[first], wider[second] = max(wider[first], side[second]), max(wider[second], side[first])
    return wider


@dataclass(frozen=True)
class Together:
    """Where sites are hidden when those of earlier surveys share a square with the present ones of the same place.

    Attributes
    ----------
    places : array (sites, 2)
        Whose squares are shown: a site's own, or that of the present site at the same place.
    side : array (sites,)
    apart_m : array (sites,)
        What the place of such a site may lie off that.
    """

    places: Floats
    side: Floats
    apart_m: Floats


def together(sites: pd.DataFrame, side: Floats, within_m: float) -> Together:
    """Return in whose squares sites are hidden.

    Parameters
    ----------
    sites : DataFrame
        Of all surveys: ``survey, x_m, y_m``.
    side : array (sites,)
        As :func:`hidden_in` returns it.
    within_m : float
        Sites of two surveys nearer to each other than this are told to be pairs. In two squares, both would be known
        to lie along the edge between them.
    """
    own = (sites["survey"] == "").to_numpy()
    exact = sites[["x_m", "y_m"]].to_numpy(np.float64)
    places, wider, apart = exact.copy(), side.copy(), np.zeros(len(sites))
    if own.any() and not own.all():
        away, nearest = cKDTree(exact[own]).query(exact)
        paired = ~own & (away <= within_m) & (side > 0)
        of_present = np.flatnonzero(own)[nearest[paired]]
        places[paired], apart[paired] = exact[of_present], within_m
        wider[paired] = np.maximum(side[paired], side[of_present])
    return Together(places, wider, apart)


def public_sites(
    sites: pd.DataFrame,
    side: Floats,
    to_degrees: Callable[[Floats, Floats], tuple[Floats, Floats]],
    *,
    shared: Together | None = None,
) -> pd.DataFrame:
    """Return a table of sites as the public may see it, with the column ``blur_m``.

    Parameters
    ----------
    sites : DataFrame
        ``x_m, y_m, lon, lat, position_uncertainty_m, temperature_c, habitat_share, share_…``.
    side : array of float, shape (n,)
        As :func:`hidden_in` returns it.
    to_degrees : callable
        Eastings and northings to longitudes and latitudes.
    shared : Together, optional
        In whose squares they are hidden; each in its own otherwise.

    Notes
    -----
    The radius that held the place with 95 % confidence grows by the half diagonal of the square, so that it holds it
    round the centre too. What rasters say at a hidden place is left out, but for its habitat.
    """
    shown = sites.copy()
    shared = shared or Together(shown[["x_m", "y_m"]].to_numpy(np.float64), side, np.zeros(len(shown)))
    side = shared.side
    hidden, withheld = side > 0, np.isinf(side)
    x, y = shared.places.T.copy()
    for length in np.unique(side[hidden & ~withheld]):
        these = side == length
        x[these], y[these] = blur(x[these], y[these], float(length))
    x[withheld], y[withheld] = np.nan, np.nan
    longitude, latitude = shown["lon"].to_numpy(np.float64).copy(), shown["lat"].to_numpy(np.float64).copy()
    moved = hidden & ~withheld
    if moved.any():
        east, north = to_degrees(x[moved], y[moved])
        longitude[moved], latitude[moved] = np.round(east, _LONLAT_DECIMALS), np.round(north, _LONLAT_DECIMALS)
    longitude[withheld], latitude[withheld] = np.nan, np.nan
    radius = shown["position_uncertainty_m"].to_numpy(np.float64)
    grown = np.ceil(np.nan_to_num(radius) + np.where(moved, side, 0.0) / np.sqrt(2.0) + shared.apart_m)
    shown = shown.assign(
        x_m=x, y_m=y, lon=longitude, lat=latitude,
        position_uncertainty_m=np.where(withheld, np.nan, np.where(moved, grown, radius)),
    )  # fmt: skip
    for name in shown.columns:
        if name in _BY_RASTER or str(name).startswith("share_"):
            shown[name] = shown[name].where(~hidden, np.nan)
    at = shown.columns.get_loc("position_uncertainty_m")
    assert isinstance(at, int)
    shown.insert(at + 1, "blur_m", np.where(withheld, np.nan, side))
    return shown


def public_records(
    records: pd.DataFrame,
    places: pd.DataFrame,
    *,
    habitat_of: Callable[[str], str],
    person_of: Callable[[str], str],
    kept_back: Mapping[tuple[str, str], frozenset[str]] = MappingProxyType({}),
) -> pd.DataFrame:
    """Return observations as the public may see them, with the column ``blur_m`` after ``position_uncertainty_m``.

    Parameters
    ----------
    records : DataFrame
        ``accepted.csv``, or ``flagged.csv``: its sentences give way to what the flag means.
    places : DataFrame
        Public sites of all surveys: ``survey, site, x_m, y_m, lon, lat, position_uncertainty_m, blur_m``.
    habitat_of : callable
        A recorder's note to the class it means, or "": a note may say whose garden it was.
    person_of : callable
        A recorder to what is shown of him or her.
    kept_back : mapping
        By survey and site, the classes of habitat that would find it in its square.
    """
    known = pd.DataFrame({"survey": records["survey"], "site": records["site"]}).merge(
        places[["survey", "site", "x_m", "y_m", "lon", "lat", "position_uncertainty_m", "blur_m"]],
        on=["survey", "site"], how="left", validate="many_to_one",
    )  # fmt: skip
    known.index = records.index
    exact = (known["blur_m"] == 0).to_numpy()
    shown = records.copy()
    for name in _PLACE:
        empty = "" if name in ("grid_reference", "crs") else np.nan
        shown[name] = shown[name].where(exact, empty)
    seen = ~exact & known["x_m"].notna().to_numpy()
    for name, source in (("x_m", "x_m"), ("y_m", "y_m"), ("longitude", "lon"), ("latitude", "lat")):
        shown.loc[seen, name] = known.loc[seen, source]
    radius = records["position_uncertainty_m"].to_numpy(np.float64)
    # A record may lie apart from its site: the radius round the site's square must hold it all the same.
    own, centre = records[["x_m", "y_m"]].to_numpy(np.float64), known[["x_m", "y_m"]].to_numpy(np.float64)
    away = np.hypot(*(own - centre).T)
    within = known["position_uncertainty_m"].to_numpy(np.float64)
    # In steps as wide as the square, so that no distance is told.
    step = np.where(seen & (known["blur_m"] > 0), known["blur_m"], 1.0)
    beyond = np.nan_to_num(np.maximum(away + np.nan_to_num(radius) - within, 0.0))
    shown.loc[seen, "position_uncertainty_m"] = (within + np.ceil(beyond / step) * step)[seen]
    shown.loc[seen, "crs"] = "EPSG:4326"
    shown["note"] = ""
    sites = zip(records["survey"], records["site"], strict=True)
    classes = _mapped(shown["habitat"], habitat_of)
    shown["habitat"] = [
        "" if name in kept_back.get(site, ()) else name for name, site in zip(classes, sites, strict=True)
    ]
    shown["recorder"] = _mapped(shown["recorder"], person_of)
    shown["mended"] = shown["mended"].str.replace(E_MAIL, "", regex=True)
    if "flag_code" in shown:
        shown["flag"] = shown["flag_code"].map(FLAGS)
    at = shown.columns.get_loc("position_uncertainty_m")
    assert isinstance(at, int)
    shown.insert(at + 1, "blur_m", known["blur_m"].to_numpy())
    return shown


def public_rejected(rejected: pd.DataFrame) -> pd.DataFrame:
    """Return the rejected rows as the public may see them: where and why, without what stood in them."""
    return rejected.assign(reason=rejected["reason_code"].map(REASONS), row_as_it_came="")


def nobody(recorder: str) -> str:
    """Show nothing of a recorder."""
    return ""


def by_name(recorder: str) -> str:
    """Show a recorder's name, without an e-mail address that may stand with it."""
    return E_MAIL.sub("", recorder).strip(" <>(),;")


def by_pseudonym(key: bytes) -> Callable[[str], str]:
    """Return a function from a recorder to a code that stays the same as long as the key does.

    Parameters
    ----------
    key : bytes
        Who has it can tell whose code is whose by trying names; who hasn't, can't.

    Notes
    -----
    The first 40 bits of HMAC-SHA-256 (RFC 2104; FIPS 198-1) of the name, its capitals and spaces evened out, in base 32
    (RFC 4648): among 10,000 recorders two share a code with a probability of 5 in 100,000.
    """

    @cache
    def code(recorder: str) -> str:
        name = " ".join(recorder.casefold().split())
        if not name:
            return ""
        digest = hmac.new(key, name.encode(), hashlib.sha256).digest()
        return "R-" + base64.b32encode(digest[:5]).decode()

    return code


def _mapped(texts: pd.Series, function: Callable[[str], str]) -> pd.Series:
    return texts.map({text: function(text) for text in texts.unique()})
