"""The part of a map that all its panels share: extent, outline, backdrop, scale bar and north arrow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib_scalebar.scalebar import ScaleBar
from numpy.typing import NDArray

from morphcline.render import labels
from morphcline.render.figures.keys import Key, draw_keys, height_of_keys
from morphcline.render.figures.sheet import MAX_HEIGHT_MM, RASTERISE_ABOVE, SMALL, Heading, Sheet, letters
from morphcline.render.palettes import INK, LINE

Path2 = NDArray[np.float64]

MARGIN_MM = 1.5
GAP_MM = 4.0
HEAD_MM = 7.6
KEY_GAP_MM = 3.5
TALLEST_MM = 150.0
NARROWEST_MM = 30.0


@dataclass(frozen=True)
class MapFrame:
    """What every panel of a map shows besides its own data.

    Parameters
    ----------
    west, south, east, north : float
        Extent in the study's CRS, in metres.
    crs : str
    outline : tuple of (n, 2) arrays
        Rings of the study area.
    backdrop_areas, backdrop_lines : tuple of (n, 2) arrays
        Of the user's own layer.
    backdrop_name : str
        Of that layer, for the caption.
    true_north_deg : float or None
        Where true north lies, clockwise from the map's top; None when it turns noticeably over the map.
    blur_m : float
        Side of the squares to whose centres places were moved.
    sites_beyond : int
        Sites too far out to be on the map.
    """

    west: float
    south: float
    east: float
    north: float
    crs: str
    outline: tuple[Path2, ...] = ()
    backdrop_areas: tuple[Path2, ...] = ()
    backdrop_lines: tuple[Path2, ...] = ()
    backdrop_name: str = ""
    true_north_deg: float | None = None
    blur_m: float = 0.0
    sites_beyond: int = 0

    @property
    def aspect(self) -> float:
        """Height over width."""
        return (self.north - self.south) / (self.east - self.west)

    def notes(self) -> str:
        """Return the sentences of a caption that say where, on what grid and how exactly."""
        parts = [f"Coordinates: {labels.crs_name(self.crs)}."]
        if self.true_north_deg is None:
            parts.append("North lies about upwards; its direction turns over the map.")
        elif abs(self.true_north_deg) < 0.25:
            parts.append("True north is upwards.")
        else:
            side = "right" if self.true_north_deg > 0 else "left"
            parts.append(f"True north lies {abs(self.true_north_deg):.1f}° to the {side} of upwards.")
        if self.outline:
            parts.append("The thin line is the outline of the study area.")
        if self.backdrop_name:
            parts.append(f"Backdrop: {self.backdrop_name}.")
        if self.sites_beyond:
            parts.append(f"Beyond the map: {labels.counted(self.sites_beyond, 'site')}.")
        parts.append(self.privacy())
        return " ".join(part for part in parts if part)

    def privacy(self) -> str:
        """Say what was done to the places; empty when they are exact."""
        if self.blur_m <= 0:
            return ""
        return (
            f"Each site is moved to the centre of the {labels.distance(self.blur_m)} square that it lies in, or set "
            "apart there from others; its exact place is not shown."
        )


@dataclass(frozen=True)
class Panels:
    """Where map panels of one size stand on a sheet, in millimetres."""

    columns: int
    width: float
    height: float
    sheet_height: float
    corners: tuple[tuple[float, float], ...]
    keys_top: float


def arrange_panels(count: int, aspect: float, width_mm: float, keys: Sequence[Key]) -> Panels:
    """Choose the fewest columns whose panels fill the width of the sheet without passing its height.

    Parameters
    ----------
    count : int
    aspect : float
        Height over width of a panel.
    width_mm : float
    keys : sequence of Key
        Legends that go below.
    """
    inner = width_mm - 2 * MARGIN_MM
    below = height_of_keys(keys, inner) + KEY_GAP_MM + MARGIN_MM
    best: Panels | None = None
    for columns in range(1, count + 1):
        rows = math.ceil(count / columns)
        column = (inner - GAP_MM * (columns - 1)) / columns
        room = (MAX_HEIGHT_MM - below - MARGIN_MM + GAP_MM) / rows - HEAD_MM - GAP_MM
        height = min(column * aspect, room, TALLEST_MM)
        filled = height >= 0.999 * column * aspect
        if best is not None and not filled and height / aspect < best.width:
            continue
        if best is not None and column < NARROWEST_MM:
            break
        step = HEAD_MM + height + GAP_MM
        corners = tuple(
            (MARGIN_MM + (i % columns) * (column + GAP_MM), MARGIN_MM + HEAD_MM + (i // columns) * step)
            for i in range(count)
        )
        keys_top = MARGIN_MM + rows * step - GAP_MM + KEY_GAP_MM
        best = Panels(columns, height / aspect, height, keys_top + below - KEY_GAP_MM, corners, keys_top)
        if filled:
            break
    if best is None:
        raise ValueError("a map needs at least one panel")
    return best


def map_sheet(
    frame: MapFrame, headings: Sequence[Heading], keys: Sequence[Key], width_mm: float
) -> tuple[Sheet, list[Axes]]:
    """Return a sheet with an empty map panel for each heading, and its legends drawn.

    Parameters
    ----------
    frame : MapFrame
    headings : sequence of Heading
    keys : sequence of Key
        The scale bar is put after them.
    width_mm : float
    """
    # The scale bar's length depends on the panels' size, and their size on the room that the legends leave.
    trial = arrange_panels(len(headings), frame.aspect, width_mm, [*keys, scale_bar_key(frame, 50.0)])
    all_keys = [*keys, scale_bar_key(frame, trial.width)]
    panels = arrange_panels(len(headings), frame.aspect, width_mm, all_keys)
    sheet = Sheet(width_mm, panels.sheet_height)
    maps = []
    for (left, top), letter, heading in zip(panels.corners, letters(len(headings)), headings, strict=True):
        sheet.heading(left, top - HEAD_MM, letter, heading)
        axes = sheet.axes(left, top, panels.width, panels.height)
        draw_frame(axes, frame)
        maps.append(axes)
    all_keys[-1] = scale_bar_key(frame, panels.width)
    draw_keys(sheet, all_keys, left=MARGIN_MM, top=panels.keys_top, width_mm=width_mm - 2 * MARGIN_MM)
    return sheet, maps


def draw_frame(axes: Axes, frame: MapFrame) -> None:
    """Set a panel's extent and draw what lies under the data."""
    axes.set(xlim=(frame.west, frame.east), ylim=(frame.south, frame.north), xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set_visible(False)
    dense = sum(map(len, (*frame.backdrop_areas, *frame.backdrop_lines))) > RASTERISE_ABOVE
    if frame.backdrop_areas:
        axes.add_collection(
            PolyCollection(
                list(frame.backdrop_areas), facecolors="#F3F3F3", edgecolors="#B0B0B0", linewidths=0.5,
                zorder=0.2, rasterized=dense,
            ),
            autolim=False,
        )  # fmt: skip
    if frame.backdrop_lines:
        axes.add_collection(
            LineCollection(list(frame.backdrop_lines), colors="#B0B0B0", linewidths=0.5, zorder=0.3, rasterized=dense),
            autolim=False,
        )
    if frame.outline:
        axes.add_collection(
            LineCollection([_closed(ring) for ring in frame.outline], colors=LINE, linewidths=0.5, zorder=1.5),
            autolim=False,
        )


def cell_centres(
    shape: tuple[int, ...], extent: tuple[float, float, float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return eastings of a raster's columns and northings of its rows, from the north.

    Parameters
    ----------
    shape : (rows, columns)
    extent : tuple of float
        West, east, south, north.
    """
    west, east, south, north = extent
    rows, columns = shape
    easting = west + (np.arange(columns) + 0.5) * (east - west) / columns
    northing = north - (np.arange(rows) + 0.5) * (north - south) / rows
    return easting, northing


def maps_in_words(panels: int) -> str:
    """Return how an alternative text calls its panels."""
    return "a map" if panels == 1 else f"{panels} maps, one a trait,"


def scale_bar_key(frame: MapFrame, panel_width: float) -> Key:
    """Return a scale bar at the panels' scale, with a north arrow where north is steady."""
    width = min(max(panel_width * 0.45, 18.0), 40.0)
    arrow = 7.0 if frame.true_north_deg is not None else 0.0
    metres_per_mm = (frame.east - frame.west) / panel_width

    def draw(axes: Axes) -> None:
        if frame.true_north_deg is not None:
            turn = math.radians(frame.true_north_deg)
            tail = (2.5, 1.2)
            head, letter = (
                (tail[0] + length * math.sin(turn), tail[1] + length * math.cos(turn)) for length in (6.2, 7.7)
            )
            axes.annotate(
                "", head, tail, arrowprops={"arrowstyle": "-|>,head_width=0.14,head_length=0.3", "lw": 0.7,
                                            "color": INK, "shrinkA": 0, "shrinkB": 0},
            )  # fmt: skip
            axes.text(*letter, "N", ha="center", va="center", fontsize=SMALL)
        bar = axes.inset_axes((arrow, 0, width, 10.8), transform=axes.transData)
        bar.set(xlim=(0, width * metres_per_mm), ylim=(0, 10.8))
        bar.set_axis_off()
        bar.add_artist(
            ScaleBar(
                1.0, "m", length_fraction=0.8, width_fraction=0.06, location="center left", box_alpha=0,
                color=INK, border_pad=0.0, pad=0.1, sep=2, font_properties={"size": SMALL}, scale_loc="top",
                rotation="horizontal-only",
            )
        )  # fmt: skip

    return Key(width + arrow, 10.8, draw)


def _closed(ring: Path2) -> Path2:
    return ring if np.array_equal(ring[0], ring[-1]) else np.vstack([ring, ring[:1]])
