"""Reports of districts, from the public tables of the run that the region's report is of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from morphcline import __version__
from morphcline.errors import SourceError
from morphcline.files.vectors import read_shapes
from morphcline.records.districts import District
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.sites import draw_sites
from morphcline.render.figures.surfaces import SurfacePanel, draw_surfaces
from morphcline.render.report.district_page import DistrictData, render_district
from morphcline.render.report.page import ReportData
from morphcline.render.report.parts import Row, rows_of
from morphcline.scoring.species import slug
from morphcline.stages import _panels as panels
from morphcline.stages._concordance import CENTRE_LINES, LAYERS
from morphcline.stages._mapframe import map_frame
from morphcline.stages._orders import Order, order
from morphcline.stages._panels import Material
from morphcline.stages._report_figures import drawn
from morphcline.stages.base import Context

FOLDER = "reports"
TABLES = ("districts", "district_habitats")


def district_pages(
    context: Context,
    districts: Sequence[District],
    data: ReportData,
    records: Mapping[str, pd.DataFrame],
    material: Material,
    style: Mapping[str, object],
    period: str,
) -> Iterator[tuple[str, str]]:
    """Yield address from the output folder and page of each district's report.

    Parameters
    ----------
    context : Context
    districts : sequence of District
    data : ReportData
        Of the region.
    records : mapping
        ``accepted`` and ``flagged``, as the public may see them.
    material : Material
        Of the leading traits.
    style : mapping
        Settings that all figures share.
    period : str
        Years of the survey.
    """
    if not districts:
        return
    frame = map_frame(material)
    lines = _centre_lines(context)
    told = context.accounts["landscape"].get("districts", {})
    # A surface is that of the region on the map of every district.
    surfaces = {species: panels.surface_panels(material, species) for species in material.study.scoring.species}
    orders = [
        (district.name, one) for district in districts for one in _maps(material, frame, district, surfaces, style)
    ]
    orders = [(name, one) for name, one in orders if one.draw is not None]
    sheets = drawn(context, [one for _name, one in orders])
    for district in districts:
        own = _own_tables({**data.tables, **records}, district.name)
        figures = [
            figure
            for (name, _order), of_order in zip(orders, sheets, strict=True)
            for figure in of_order
            if name == district.name
        ]
        page = render_district(
            DistrictData(
                name=district.name,
                title=data.title,
                period=period,
                settings=data.settings,
                tables=own,
                figures=figures,
                crossing=_crossing(data.tables["clines"], lines, district.shape),
                fitted=bool(lines),
                larger_square_m=told.get(district.name, {}).get("larger_square_m"),
                among=data.among,
                region="../report.html",
                version=__version__,
            )
        )
        yield address(district.name), page


def address(district: str) -> str:
    """Return a district's report's name from the output folder."""
    return f"{FOLDER}/{slug(district)}.html"


def _own_tables(tables: Mapping[str, pd.DataFrame], name: str) -> dict[str, pd.DataFrame]:
    """Return the rows of a district, of this survey."""
    sites = tables["sites"]
    sites = sites[sites["district"] == name]
    own = {"sites": sites}
    for table in TABLES:
        own[table] = tables[table][tables[table]["district"] == name]
    for table in ("samples", "accepted", "flagged"):
        rows = tables[table]
        of_survey = rows[rows["survey"] == ""] if "survey" in rows else rows
        own[table] = of_survey[of_survey["site"].isin(sites["site"])]
    return own


def _maps(
    material: Material,
    frame: MapFrame,
    district: District,
    surfaces: Mapping[str, list[SurfacePanel]],
    style: Mapping[str, object],
) -> Iterator[Order]:
    """Order maps of a district: its sites, and the region's surfaces as far as they lie in the map."""
    study, near = material.study, _frame_of(frame, district.shape)
    sites = material.tables["sites"]
    here = set(sites.loc[sites["district"] == district.name, "site"])
    own = replace(material, places=material.places[material.places["site"].isin(here)])
    for species in study.scoring.species:
        traits = own.traits("frequencies", species)
        found = panels.site_panels(_with_sites(own, here), species, traits)
        yield order(
            f"sites_{slug(species)}", found, "no sample is large enough", draw_sites, species, found, near,
            min_shells=study.scoring.min_shells, confidence=study.scoring.confidence, **style,
        )  # fmt: skip
        smoothed = surfaces[species]
        yield order(
            f"surface_{slug(species)}", smoothed, "no trait has a surface", draw_surfaces, species, smoothed, near,
            min_effective_shells=study.surfaces.min_effective_shells, **style,
        )  # fmt: skip


def _with_sites(material: Material, sites: set[str]) -> Material:
    rows = material.tables["frequencies"]
    return replace(material, tables={**material.tables, "frequencies": rows[rows["site"].isin(sites)]})


def _frame_of(frame: MapFrame, shape: BaseGeometry) -> MapFrame:
    """Return the frame of a map that a district fills, with the district's border for an outline."""
    west, south, east, north = shape.bounds
    margin = 0.08 * max(east - west, north - south) + frame.blur_m / 2
    rings = tuple(
        shapely.get_coordinates(ring) for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)
    )
    return replace(
        frame, west=west - margin, south=south - margin, east=east + margin, north=north + margin, outline=rings,
        sites_beyond=0, locator=None, district=True, edge=frame.outline,
    )  # fmt: skip


def _centre_lines(context: Context) -> dict[tuple[str, str], BaseGeometry]:
    try:
        shapes = read_shapes(context.path(LAYERS), context.study.study.crs, layer=CENTRE_LINES)
    except SourceError:
        # A layer without a line has nothing to read.
        return {}
    return {
        (str(row["species"]), str(row["trait"])): shape
        for row, shape in zip(shapes.to_dict("records"), shapes.geometry, strict=True)
    }


def _crossing(
    clines: pd.DataFrame, lines: Mapping[tuple[str, str], BaseGeometry], shape: BaseGeometry
) -> Sequence[Row]:
    chosen = [row for row in rows_of(clines) if str(row["chosen"]) == "True"]
    return [
        row
        for row in chosen
        if (line := lines.get((row["species"], row["trait"]))) is not None and shapely.intersects(line, shape)
    ]
