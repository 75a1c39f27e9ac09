"""The part of the stage of landscape that looks at the land in the squares that hide sites."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.files.rasters import sample
from morphcline.records.districts import District, assign
from morphcline.records.landscape import UNLISTED
from morphcline.records.squares import LEAST_PART, SQUARE, Lattice, commonest_near, kept_back, lattices
from morphcline.study import Habitat, Study

#: Temperatures at places of sites: ``survey, site, x_m, y_m`` to degrees Celsius.
Warmth = Callable[[pd.DataFrame], NDArray[np.float64]]
#: Classes that mustn't be told of a site, by survey and site.
KeptBack = Mapping[tuple[str, str], frozenset[str]]
#: Points along the side of a square over which a temperature is averaged; decimals of the mean.
_POINTS, _DECIMALS = 10, 1


def tell_land(
    shown: pd.DataFrame, study: Study, districts: Sequence[District], warmth: Warmth
) -> tuple[pd.DataFrame, KeptBack]:
    """Return the public sites with what may be told of their land, and the classes kept back of each.

    Parameters
    ----------
    shown : DataFrame
        Public sites with their districts as told, and the exact places' ``habitat`` and ``habitat_noted``.
    study : Study
    districts : sequence of District
    warmth : callable
    """
    shown = shown.reset_index(drop=True)
    shown = shown.assign(temperature_c=shown["temperature_c"].where(shown["blur_m"] == 0, np.nan))
    hidden = (shown["blur_m"] > 0) & shown["x_m"].notna()
    if study.temperature is not None and hidden.any():
        shown.loc[hidden, "temperature_c"] = _mean_warmth(shown[hidden], warmth)
    back: dict[tuple[str, str], frozenset[str]] = {}
    if study.habitat is not None:
        by_square: dict[tuple[object, ...], frozenset[str]] = {}
        for lattice in lattices(shown, study.habitat.radius_m):
            by_square |= _kept_back_in(lattice, shown, study, study.habitat, districts)
        keys = zip(*(shown[name] for name in (*SQUARE, "district")), strict=True)
        sites = zip(shown["survey"], shown["site"], strict=True)
        back = {site: by_square[key] for site, key in zip(sites, keys, strict=True) if by_square.get(key)}
    for name in ("habitat", "habitat_noted"):
        told = [
            "" if value in back.get(site, ()) else value
            for value, site in zip(shown[name], zip(shown["survey"], shown["site"], strict=True), strict=True)
        ]
        shown[name] = told
    return shown, back


def _mean_warmth(shown: pd.DataFrame, warmth: Warmth) -> NDArray[np.float64]:
    """Return the mean over each site's square, of the points where the raster holds anything."""
    steps = (np.arange(_POINTS) + 0.5) / _POINTS - 0.5
    east, north = (part.ravel() for part in np.meshgrid(steps, steps))
    x, y, side = (shown[name].to_numpy(np.float64)[:, None] for name in SQUARE)
    points = pd.DataFrame(
        {
            **{name: np.repeat(shown[name].to_numpy(), _POINTS**2) for name in ("survey", "site")},
            "x_m": (x + side * east).ravel(),
            "y_m": (y + side * north).ravel(),
        }
    )
    found = warmth(points).reshape(len(shown), -1)
    known = np.isfinite(found)
    total, number = np.where(known, found, 0.0).sum(axis=1), known.sum(axis=1)
    mean: NDArray[np.float64] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return mean.round(_DECIMALS)


def _kept_back_in(
    lattice: Lattice, shown: pd.DataFrame, study: Study, habitat: Habitat, districts: Sequence[District]
) -> dict[tuple[object, ...], frozenset[str]]:
    """Return the classes kept back by square and district, where the sites of a square are told to lie in one."""
    easting, northing = lattice.places()
    read = sample(
        habitat.path, habitat.band, easting.ravel(), northing.ravel(), crs=study.study.crs,
        shown=study.shown(habitat.path),
    )  # fmt: skip
    numbers, names = _classes(read.value, habitat)
    water = [number for number, name in enumerate(names) if name in habitat.water]
    near = commonest_near(numbers.reshape(easting.shape), water, lattice)
    labels = np.array([*names, ""], dtype=object)
    classes = labels[np.where(np.isnan(near), len(names), near).astype(np.intp)]
    least = LEAST_PART * lattice.points**2
    east, north = lattice.places(margin=False)
    found: dict[tuple[object, ...], frozenset[str]] = {}
    of_square = {square: number for number, square in enumerate(lattice.squares.itertuples(index=False, name=None))}
    for *square, district in shown[[*SQUARE, "district"]].drop_duplicates().itertuples(index=False, name=None):
        number = of_square.get(tuple(square))
        if number is None:
            continue
        here = classes[number].ravel()
        if district:
            here = here[assign(east[number].ravel(), north[number].ravel(), districts) == district]
        found[(*square, district)] = kept_back(here, least)
    return found


def _classes(codes: NDArray[np.float64], habitat: Habitat) -> tuple[NDArray[np.float64], list[str]]:
    """Return the number of each code's class, NaN where there is no code, and the classes' names."""
    present = np.unique(codes[np.isfinite(codes)])
    name_of = {
        code: habitat.classes.get(int(code), UNLISTED) if habitat.classes else f"code {int(code)}"
        for code in present.tolist()
    }
    names = list(dict.fromkeys([*habitat.classes.values(), *name_of.values()]))
    number = {code: names.index(name) for code, name in name_of.items()}
    to_number = np.array([number[code] for code in present.tolist()], dtype=np.float64)
    numbers = np.full(codes.shape, np.nan)
    known = np.isfinite(codes)
    if known.any():
        numbers[known] = to_number[np.searchsorted(present, codes[known])]
    return numbers, names
