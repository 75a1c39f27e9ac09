"""What each figure draws, from the tables of the stages before: rows chosen, places published, curves evaluated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from morphcline.files.surfaces import SurfaceFile, open_surfaces, read_surface
from morphcline.files.vectors import read_line
from morphcline.language import _, many, marked
from morphcline.records.change_table import OVER_PAIRS
from morphcline.render import labels
from morphcline.render.figures.clines import ClinePanel
from morphcline.render.figures.clusters import ClusterPanel, LocalTest
from morphcline.render.figures.frame import cell_centres
from morphcline.render.figures.sites import SitePanel
from morphcline.render.figures.surfaces import SurfacePanel
from morphcline.stages.autocorrelation import local_draws
from morphcline.stages.surfaces import raster_name
from morphcline.stats.cline_axis import distance_along_line
from morphcline.stats.cline_band import confidence_band
from morphcline.stats.trend import plane_trend
from morphcline.study import Neighbours, Study, Within

#: A plane that takes less of the variance than this is no overall pattern.
CLEAR_TREND = 0.15
#: Longest side of a surface in a figure, in cells: a panel of a page has no more dots.
CELLS_DRAWN = 800
CURVE_POINTS = 200

#: Directions from the north by the east.
_RISING = (
    marked("rising towards the north"),
    marked("rising towards the north-east"),
    marked("rising towards the east"),
    marked("rising towards the south-east"),
    marked("rising towards the south"),
    marked("rising towards the south-west"),
    marked("rising towards the west"),
    marked("rising towards the north-west"),
)

Tables = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class Material:
    """A study, its tables by name, and its sites as published.

    Parameters
    ----------
    study : Study
    folder : path
    tables : mapping
        ``"frequencies"`` to its frame, and so on.
    places : DataFrame
        As :func:`morphcline.records.published.published_places` returns it.
    """

    study: Study
    folder: Path
    tables: Tables
    places: pd.DataFrame

    def of(self, table: str, species: str, trait: str | None = None) -> pd.DataFrame:
        """Return a table's rows of one species, or of one of its traits."""
        rows = self.tables[table]
        rows = rows[rows["species"] == species]
        return rows if trait is None else rows[rows["trait"] == trait]

    def traits(self, table: str, species: str) -> tuple[str, ...]:
        """Return the traits that figures show, of those in a table's rows of a species."""
        return labels.main_traits(self.of(table, species)["trait"])

    def placed(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows with the places and names under which their sites are shown."""
        return rows.merge(self.places, on="site", how="inner", validate="many_to_one")


def site_panels(material: Material, species: str, traits: tuple[str, ...]) -> list[SitePanel]:
    """Return a panel for each trait that at least one large enough sample can show."""
    panels = []
    for trait in traits:
        rows = material.of("frequencies", species, trait).drop(columns="species")
        if not (rows["enough"].astype(bool) & (rows["total"] > 0)).any():
            continue
        # Sites of the survey without such shells stay on the map, as sites without a frequency.
        sites = material.places.merge(rows, on="site", how="left", validate="one_to_one")
        used = sites[sites["enough"].fillna(False).astype(bool)]
        pattern = trend_in_words(used["x_m"], used["y_m"], used["frequency"], used["total"])
        panels.append(SitePanel(trait, sites, pattern))
    return panels


def surface_panels(material: Material, species: str) -> list[SurfacePanel]:
    """Return a panel for each trait whose surface isn't blank."""
    path = material.folder / raster_name(species)
    if not path.is_file():
        return []
    raster = open_surfaces(path)
    summary = {str(row["trait"]): row for row in material.of("surfaces", species).to_dict("records")}
    panels = []
    for trait in labels.main_traits(raster.traits):
        if trait not in summary:
            continue
        frequency, error, extent = drawn_cells(raster, trait)
        if not np.isfinite(frequency).any():
            continue
        row = summary[trait]
        rows = material.of("frequencies", species, trait)
        sites = material.placed(rows[rows["total"] > 0])
        easting, northing = np.meshgrid(*cell_centres(frequency.shape, extent))
        panels.append(
            SurfacePanel(
                trait=trait,
                frequency=frequency,
                standard_error=error,
                extent=extent,
                sites=sites,
                shells=int(sites["total"].sum()),
                bandwidth=_bandwidth_in_words(material.study, float(row["bandwidth_m"])),
                degree=int(row["degree"]),
                kernel=str(row["kernel"]),
                pattern=trend_in_words(easting, northing, frequency, np.ones(frequency.shape)),
                cross_validated=material.study.surfaces.bandwidth == "cross-validated",
            )
        )
    return panels


def cluster_panels(material: Material, species: str) -> list[ClusterPanel]:
    """Return a panel for each trait in which at least one site was tested, or none when no site shows a signal."""
    panels = []
    for trait in material.traits("local", species):
        rows = material.of("local", species, trait)
        if (rows["group"] == "not tested").all():
            continue
        totals = material.of("frequencies", species, trait)[["site", "total"]]
        rows = rows.merge(totals, on="site", how="left", validate="one_to_one")
        panels.append(ClusterPanel(trait, material.placed(rows)))
    return panels if any(panel.signals for panel in panels) else []


def local_test(study: Study) -> LocalTest:
    """Return in words how the local statistic was judged."""
    who = study.autocorrelation.neighbours
    neighbours = (
        _("sites within {distance}").format(distance=labels.distance(who.within_m))
        if isinstance(who, Within)
        else many("the nearest site", "the {n} nearest sites", who).format(n=labels.number(who))
    )
    return LocalTest(neighbours, local_draws(study.autocorrelation), study.autocorrelation.level)


def cline_panels(material: Material, species: str) -> list[ClinePanel]:
    """Return a panel for each trait whose chosen model isn't the flat one."""
    axis, study = material.study.clines.axis, material.study
    line = read_line(axis, study.study.crs, shown=study.shown(axis)) if isinstance(axis, Path) else None
    rows = material.of("clines", species)
    return [curve_panel(material, species, best, line=line) for best in chosen_clines(rows)]


def chosen_clines(rows: pd.DataFrame) -> list[pd.Series]:
    """Return the rows of the models chosen that aren't flat, in the order of traits, of one species and axis."""
    rows = rows[rows["chosen"].astype(bool) & (rows["model"] != "flat")]
    return [rows[rows["trait"] == trait].iloc[0] for trait in labels.main_traits(rows["trait"])]


def curve_panel(
    material: Material,
    species: str,
    best: pd.Series,
    *,
    sites: pd.DataFrame | None = None,
    line: BaseGeometry | None = None,
) -> ClinePanel:
    """Return the panel of one fitted cline.

    Parameters
    ----------
    material : Material
    species : str
    best : Series
        Its row of ``clines.csv`` or ``transects.csv``.
    sites : DataFrame, optional
        ``site, x_m, y_m`` of those the cline was fitted to; without, all.
    line : geometry, optional
        Along which distances count; without, along the bearing.
    """
    sites = material.tables["sites"] if sites is None else sites
    rows = material.of("frequencies", species, str(best["trait"]))
    # A site whose place is withheld has no distance.
    seen = sites[["site", "x_m", "y_m"]].dropna()
    rows = rows[rows["total"] > 0].merge(seen, on="site")
    exact = _along(best, rows, line)
    shown = material.placed(rows.drop(columns=["x_m", "y_m"]))
    # Exact distances along the bearings of two traits would give an exact place.
    shown = shown.assign(distance_m=_along(best, shown, line))
    falling = line is not None and best["direction"] == "against"
    rising = -1.0 if falling else 1.0
    at = np.linspace(shown["distance_m"].min(), shown["distance_m"].max(), CURVE_POINTS)
    model: dict[str, Any] = {key: float(best[key]) for key in ("width_m", "p_min", "p_max")}
    if str(best["model"]).startswith("stepped"):
        model["tails"] = tuple(float(best[key]) for key in ("tail_share", "slope_min", "slope_max"))
    band = confidence_band(
        rising * exact,
        rows["total"].to_numpy(np.float64),
        rising * at,
        model=str(best["model"]),
        centre_m=rising * float(best["centre_m"]),
        rho=float(best["rho"]),
        confidence=material.study.scoring.confidence,
        **model,
    )
    return ClinePanel(
        trait=str(best["trait"]),
        model=str(best["model"]),
        weight=float(best["weight"]),
        bearing_deg=float(best["bearing_deg"]) if line is None else np.nan,
        falling=falling,
        sites=shown,
        at_m=at,
        fit=band.frequency,
        low=band.low,
        high=band.high,
        step=bool(best["step"]),
        p_fit=float(best["p_fit"]),
        fits=not bool(best["fails"]),
        **{
            f"{what}_{part}": float(best[f"{what}_{part}"])
            for what in ("centre", "width")
            for part in ("m", "low", "high")
        },
    )


def _along(best: pd.Series, places: pd.DataFrame, line: BaseGeometry | None) -> NDArray[np.float64]:
    """Return distances along a cline's axis, counted as its centre is."""
    easting, northing = places["x_m"].to_numpy(np.float64), places["y_m"].to_numpy(np.float64)
    if line is not None:
        return distance_along_line(easting, northing, *shapely.get_coordinates(line).T)
    bearing = np.deg2rad(float(best["bearing_deg"]))
    east, north = easting - float(best["origin_x_m"]), northing - float(best["origin_y_m"])
    return np.asarray(east * np.sin(bearing) + north * np.cos(bearing))


def shown_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the traits that figures show."""
    return rows[rows["trait"].isin(labels.main_traits(rows["trait"]))]


def change_rows(material: Material) -> pd.DataFrame:
    """Return changes of the traits that figures show: of each pair of places, and pooled by one method a trait.

    Where both are known, the method that allows for over-dispersion stands before the one that doesn't.
    """
    rows = shown_rows(material.tables["change"])
    keys = ["species", "earlier_survey", "trait"]
    known = rows[(rows["site"] == "") & rows["difference"].notna()]
    best = known.assign(sure=known["method"] == OVER_PAIRS).sort_values("sure", kind="stable").groupby(keys).tail(1)
    pairs = rows[rows["site"] != ""].merge(best[keys], on=keys, how="inner")
    rows = pd.concat([best.drop(columns="sure").sort_index(), pairs], ignore_index=True)
    shown = material.places.set_index("site")["shown_as"]
    return rows.assign(site=rows["site"].map(shown).fillna("").where(rows["site"] != "", ""))


def sample_numbers(material: Material) -> pd.DataFrame:
    """Return, for each species and trait, the large enough samples and their shells."""
    rows = material.tables["frequencies"]
    rows = rows[rows["enough"].astype(bool) & (rows["total"] > 0)]
    return (
        rows.groupby(["species", "trait"], sort=False)
        .agg(sites=("site", "size"), shells=("total", "sum"))
        .reset_index()
    )


def trend_in_words(easting: ArrayLike, northing: ArrayLike, values: ArrayLike, weights: ArrayLike) -> str:
    """Return the main pattern of a map: where it rises, if anywhere."""
    trend = plane_trend(easting, northing, values, weights)
    if trend.explained < CLEAR_TREND:
        return _("without an overall direction")
    return _(_RISING[round(trend.bearing_deg / 45) % 8])


def _bandwidth_in_words(study: Study, metres: float) -> str:
    asked, distance = study.surfaces.bandwidth, labels.distance(metres)
    if isinstance(asked, Neighbours):
        message = many(
            "out to the nearest site (median {distance})",
            "out to the {n} nearest sites (median {distance})",
            asked.neighbours,
        )
        return message.format(n=labels.number(asked.neighbours), distance=distance)
    return distance


def drawn_cells(
    raster: SurfaceFile, trait: str
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[float, float, float, float]]:
    """Return frequency, standard error (reduced to what a page can show) and extent: west, east, south, north."""
    frequency = read_surface(raster, trait, "frequency", longest=CELLS_DRAWN).astype(np.float64)
    error = read_surface(raster, trait, "standard error", longest=CELLS_DRAWN).astype(np.float64)
    west, south, east, north = raster.grid.bounds
    return frequency, error, (west, east, south, north)
