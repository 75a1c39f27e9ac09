"""Write the plan for new samples: tables, a layer, a map and a page, into a folder of their own."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from morphcline import __version__
from morphcline.files.atomic import write_text
from morphcline.files.tables import write_table
from morphcline.files.vectors import write_layers
from morphcline.language import _, many, marked
from morphcline.records.plan_tables import PLACE_COLUMNS, SIZE_COLUMNS
from morphcline.records.published import published_places
from morphcline.render import labels
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.plan import draw_plan
from morphcline.render.report.parts import ShownFigure
from morphcline.render.report.plan_page import coordinates, render_plan
from morphcline.stages._mapframe import map_frame
from morphcline.stages._panels import Material
from morphcline.stages._saving import save
from morphcline.stats.kernels import Floats
from morphcline.stats.next_places import Choice
from morphcline.study import Study

FOLDER = "plan"
#: Bytes beyond which the page takes the bitmap in place of the vector drawing.
_SVG_MOST = 1_500_000

#: How places are chosen, for a reader of the page.
METHOD = marked(
    "A place is chosen for what a sample there would take from the mean over the area of the squared standard error "
    "of the smoothed frequencies, species and traits counting alike; the next one given that sample. What new shells "
    "will show is not predicted: frequencies, bandwidths and the alikeness of a site's shells are kept as they are. "
    "Far from every sample the surface is taken to be as uncertain as a site drawn from the region. What smoothing "
    "blurs is left out: more shells don't lessen it."
)


@dataclass(frozen=True)
class PlanToWrite:
    """A plan and what it rests on.

    Attributes
    ----------
    places, sizes : DataFrame
    points : array (points, 2)
        On a lattice over the area.
    choice : Choice
    traits : str
        Whose surfaces, in words of the language in force.
    warnings : sequence of str
    """

    places: pd.DataFrame
    sizes: pd.DataFrame
    points: Floats
    choice: Choice
    traits: str
    warnings: Sequence[str]


def write_plan(study: Study, folder: Path, sites: pd.DataFrame, plan: PlanToWrite) -> None:
    """Write a plan into the folder ``plan`` of an output folder, what people read of it in the language in force.

    Parameters
    ----------
    study : Study
    folder : Path
    sites : DataFrame
        The public table of sites: nothing exact comes this far.
    plan : PlanToWrite
    """
    home, places = folder / FOLDER, plan.places
    write_table(home / "places.csv", places, PLACE_COLUMNS)
    write_table(home / "sample_sizes.csv", plan.sizes, SIZE_COLUMNS)
    geometry = gpd.points_from_xy(places["x_m"], places["y_m"], crs=study.study.crs)
    write_layers(home / "places.gpkg", {"places": gpd.GeoDataFrame(places, geometry=geometry)})
    shown = published_places(sites)
    frame = _holding(map_frame(Material(study, folder, {"sites": sites}, shown)), places)
    error, extent = _image(plan.points, np.sqrt(plan.choice.before))
    # Neither the exact place of a site nor its distance from a place that is shown.
    figure = draw_plan(
        "map", places.drop(columns=["nearest_site", "nearest_site_m", "caution"]), error, extent, shown, frame,
        traits=plan.traits, shells=study.plan.shells, width_mm=study.publish.width_mm,
    )  # fmt: skip
    caption, alt = figure.caption, figure.alt
    save(figure, home, study.publish.formats)
    tree = cKDTree(shown[["x_m", "y_m"]].to_numpy(dtype=float))
    near = tree.query(places[["x_m", "y_m"]].to_numpy(dtype=float))[0] if len(places) else []
    page = render_plan(
        title=study.study.title or study.study.name,
        summary=_summary(places, plan.choice, plan.traits, study.plan.shells),
        places=places.assign(shown_m=near),
        sizes=plan.sizes,
        figure=_shown(home, caption, alt),
        warnings=plan.warnings,
        notes=[METHOD],
        version=__version__,
    )
    write_text(home / "plan.html", page)
    write_text(home / "README.md", _columns())


def _summary(places: pd.DataFrame, choice: Choice, traits: str, shells: int) -> list[str]:
    before = labels.points(float(np.sqrt(choice.variance[0]))).removeprefix("+")
    if places.empty:
        return [
            _(
                "No place is left to choose; the surfaces' standard error is {before} percentage points now (root mean "
                "square over the area)."
            ).format(before=before)
        ]
    first = places.iloc[0]
    return [
        many(
            "{samples} sample of {shells} shells at the place below is expected to bring the standard error of the "
            "surfaces of {traits} from {before} to {after} percentage points (root mean square over the area): its "
            "mean square falls by {fall}.",
            "{samples} samples of {shells} shells at the places below are expected to bring the standard error of the "
            "surfaces of {traits} from {before} to {after} percentage points (root mean square over the area): its "
            "mean square falls by {fall}.",
            len(places),
        ).format(
            samples=labels.number(len(places)),
            shells=labels.number(shells),
            traits=traits,
            before=before,
            after=labels.points(float(np.sqrt(choice.variance[-1]))).removeprefix("+"),
            fall=labels.percent(float(places["reduction_so_far"].iloc[-1])),
        ),
        _("The first place, at {place} (latitude, longitude), alone lowers it by {fall}.").format(
            place=coordinates(first["lat"], first["lon"]), fall=labels.percent(float(first["reduction"]))
        ),
    ]


def _holding(frame: MapFrame, places: pd.DataFrame) -> MapFrame:
    """Return a frame that reaches as far as the places: the area may go beyond what is drawn of the sites."""
    if places.empty:
        return frame
    room = 0.03 * max(frame.east - frame.west, frame.north - frame.south)
    return replace(
        frame,
        west=min(frame.west, float(places["x_m"].min()) - room),
        east=max(frame.east, float(places["x_m"].max()) + room),
        south=min(frame.south, float(places["y_m"].min()) - room),
        north=max(frame.north, float(places["y_m"].max()) + room),
    )


def _image(points: Floats, values: Floats) -> tuple[Floats, tuple[float, float, float, float]]:
    """Return values on a lattice as an image, north up, and its extent."""
    east, north = np.unique(points[:, 0]), np.unique(points[:, 1])
    steps = np.concatenate([np.diff(east), np.diff(north)])
    step = float(steps.min()) if len(steps) else 1.0
    column = np.rint((points[:, 0] - east[0]) / step).astype(int)
    row = np.rint((north[-1] - points[:, 1]) / step).astype(int)
    image = np.full((row.max() + 1, column.max() + 1), np.nan)
    image[row, column] = values
    half = step / 2
    return image, (
        east[0] - half, east[0] - half + step * image.shape[1],
        north[-1] + half - step * image.shape[0], north[-1] + half,
    )  # fmt: skip


def _shown(folder: Path, caption: str, alt: str) -> ShownFigure | None:
    for name, kind in (("map.svg", "image/svg+xml"), ("map.png", "image/png")):
        path = folder / name
        if path.is_file() and (kind == "image/png" or path.stat().st_size <= _SVG_MOST):
            content = base64.b64encode(path.read_bytes()).decode()
            return ShownFigure("map", f"data:{kind};base64,{content}", caption, alt)
    return None


def _columns() -> str:
    lines = ["# Columns of the plan's tables", "", "An empty cell is missing, never zero."]
    for table, columns in (("places.csv and places.gpkg", PLACE_COLUMNS), ("sample_sizes.csv", SIZE_COLUMNS)):
        lines += ["", f"## {table}", "", "| column | holds |", "|---|---|"]
        lines += [f"| {name} | {text} |" for name, text in columns.items()]
    return "\n".join(lines) + "\n"
