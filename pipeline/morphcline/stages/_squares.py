"""The part of the stage of landscape that looks at the land in the squares that hide sites."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.files.rasters import describe_raster, sample
from morphcline.records.districts import District, assign
from morphcline.records.landscape import UNLISTED
from morphcline.records.squares import LEAST_PART, SQUARE, Lattice, commonest_near, lattices, told_classes
from morphcline.study import Habitat, Study

#: Temperatures at places of sites: ``survey, site, x_m, y_m`` to degrees Celsius.
Warmth = Callable[[pd.DataFrame], NDArray[np.float64]]
#: Classes that mustn't be told of a site, by survey and site.
KeptBack = Mapping[tuple[str, str], frozenset[str]]
#: Points along the side of a square over which a temperature is averaged; decimals of the mean.
_POINTS, _DECIMALS = 10, 1
#: Points looked at at once, and about how many metres a degree has.
_AT_ONCE, _METRES_A_DEGREE = 2_000_000, 111_000.0


def tell_land(
    shown: pd.DataFrame, study: Study, districts: Sequence[District], warmth: Warmth
) -> tuple[pd.DataFrame, KeptBack]:
    """Return the public sites with what may be told of their land, and the classes kept back of each.

    Parameters
    ----------
    shown : DataFrame
        Public sites, hidden ones without a temperature, with their districts as told, and the exact places' ``habitat``
        and ``habitat_noted``.
    study : Study
    districts : sequence of District
    warmth : callable
    """
    shown = shown.reset_index(drop=True)
    hidden = (shown["blur_m"] > 0) & shown["x_m"].notna()
    if study.temperature is not None and hidden.any():
        shown.loc[hidden, "temperature_c"] = _mean_warmth(shown[hidden], warmth)
    back: dict[tuple[str, str], frozenset[str]] = {}
    if study.habitat is not None:
        told_in: dict[tuple[object, ...], frozenset[str]] = {}
        for lattice in lattices(shown, study.habitat.radius_m, _cell_m(study, study.habitat)):
            told_in |= _told_in(lattice, shown, study, study.habitat, districts)
        # A class that no point of a square shows is rarer there than any that one does.
        legend = frozenset({*study.habitat.classes.values(), *shown["habitat"]}) - {""}
        keys = zip(*(shown[name] for name in (*SQUARE, "district")), strict=True)
        sites = zip(shown["survey"], shown["site"], strict=True)
        back = {site: legend - told_in[key] for site, key in zip(sites, keys, strict=True) if key in told_in}
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


def _cell_m(study: Study, habitat: Habitat) -> float:
    """Return about how long the side of the raster's cells is."""
    info = describe_raster(habitat.path, shown=study.shown(habitat.path))
    return min(info.cell) * (_METRES_A_DEGREE if info.crs.is_geographic else 1.0)


def _told_in(
    lattice: Lattice, shown: pd.DataFrame, study: Study, habitat: Habitat, districts: Sequence[District]
) -> dict[tuple[object, ...], frozenset[str]]:
    """Return the classes told by square and district, where the sites of a square are told to lie in one."""
    least = LEAST_PART * lattice.points**2
    district_of = shown[[*SQUARE, "district"]].drop_duplicates().groupby(SQUARE)["district"].agg(list)
    found: dict[tuple[object, ...], frozenset[str]] = {}
    at_once = max(1, _AT_ONCE // (lattice.points + 2 * lattice.margin) ** 2)
    for start in range(0, len(lattice.squares), at_once):
        part = replace(lattice, squares=lattice.squares[start : start + at_once])
        classes = _classes_in(part, study, habitat)
        east, north = part.places(margin=False)
        for number, square in enumerate(part.squares.itertuples(index=False, name=None)):
            here = classes[number].ravel()
            for district in district_of[square]:
                own = here
                if district:
                    own = here[assign(east[number].ravel(), north[number].ravel(), districts) == district]
                found[(*square, district)] = told_classes(own, least, coarse=lattice.coarse)
    return found


def _classes_in(lattice: Lattice, study: Study, habitat: Habitat) -> NDArray[np.object_]:
    """Return the class of land at each point, empty where there is none: (squares, points, points)."""
    easting, northing = lattice.places()
    read = sample(
        habitat.path, habitat.band, easting.ravel(), northing.ravel(), crs=study.study.crs,
        shown=study.shown(habitat.path),
    )  # fmt: skip
    numbers, names = _classes(read.value, habitat)
    water = [number for number, name in enumerate(names) if name in habitat.water]
    near = commonest_near(numbers.reshape(easting.shape), water, lattice)
    labels = np.array([*names, ""], dtype=object)
    classes: NDArray[np.object_] = labels[np.where(np.isnan(near), len(names), near).astype(np.intp)]
    return classes


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
