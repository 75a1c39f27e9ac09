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

from morphcline.language import _, many, within
from morphcline.render import labels
from morphcline.render.figures.keys import ROW_GAP_MM, Key, draw_keys, height_of_keys
from morphcline.render.figures.locator import Locator, locator_key
from morphcline.render.figures.sheet import RASTERISE_ABOVE, SMALL, Heading, Sheet, fitted, letters, place, tallest_mm
from morphcline.render.palettes import INK, LINE

Path2 = NDArray[np.float64]

MARGIN_MM = 1.5
GAP_MM = 4.0
HEAD_MM = 7.6
KEY_GAP_MM = 3.5
TALLEST_MM = 150.0
NARROWEST_MM = 30.0
#: Height of the small map beside the keys, and where it has room of its own.
LOCATOR_MM = 17.0
LARGEST_LOCATOR_MM = 26.0
#: Lengths of the room for a scale bar, the longest that spares a row being taken.
SCALE_BARS_MM = (40.0, 30.0, 24.0)


@dataclass(frozen=True)
class MapFrame:
    """What every panel of a map shows besides its own data.

    Parameters
    ----------
    west, south, east, north : float
        Extent in the study's CRS, in metres.
    crs : str
    outline : tuple of (n, 2) arrays
        Rings of the study area, or of the district mapped.
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
    hidden_wider : int
        Sites moved within larger squares than the others.
    withheld : int
        Sites whose place isn't told at all.
    locator : Locator or None
        Where the study lies.
    district : bool
        The outline is that of a district.
    edge : tuple of (n, 2) arrays
        Rings at which surfaces end, where that isn't the outline.
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
    hidden_wider: int = 0
    withheld: int = 0
    locator: Locator | None = None
    district: bool = False
    edge: tuple[Path2, ...] = ()

    @property
    def aspect(self) -> float:
        """Height over width."""
        return (self.north - self.south) / (self.east - self.west)

    def notes(self) -> str:
        """Return the sentences of a caption that say where, on what grid and how exactly."""
        parts = [_("Projection and coordinates: {crs}.").format(crs=labels.crs_name(self.crs))]
        if self.true_north_deg is None:
            parts.append(_("North lies about upwards; its direction turns over the map."))
        elif abs(self.true_north_deg) < 0.25:
            parts.append(_("True north is upwards."))
        else:
            turned = labels.decimals(abs(self.true_north_deg), 1)
            message = (
                _("True north lies {degrees}° to the right of upwards.")
                if self.true_north_deg > 0
                else _("True north lies {degrees}° to the left of upwards.")
            )
            parts.append(message.format(degrees=turned))
        if self.outline and self.district:
            parts.append(_("The thin line is the outline of the district."))
        elif self.outline:
            parts.append(_("The thin line is the outline of the study area."))
        if self.backdrop_name:
            parts.append(_("Backdrop: {file}.").format(file=self.backdrop_name))
        if self.locator is not None:
            parts.append(self.locator.note())
        if self.sites_beyond:
            message = many("Beyond the map: {n} site.", "Beyond the map: {n} sites.", self.sites_beyond)
            parts.append(message.format(n=labels.number(self.sites_beyond)))
        parts.append(self.privacy())
        return " ".join(part for part in parts if part)

    def privacy(self) -> str:
        """Say what was done to the places; empty when they are exact."""
        parts = []
        if self.blur_m > 0:
            moved = _("Each site is moved to the centre of the {side} square that it lies in, or set apart there from "
                      "others; its exact place is not shown.")  # fmt: skip
            parts.append(moved.format(side=labels.distance(self.blur_m)))
        if self.hidden_wider:
            wider = many("{n} site is hidden in a larger square.", "{n} sites are hidden in larger squares.",
                         self.hidden_wider)  # fmt: skip
            parts.append(wider.format(n=labels.number(self.hidden_wider)))
        if self.withheld:
            withheld = many("{n} site is left off the map to protect its place.",
                            "{n} sites are left off the map to protect their places.", self.withheld)  # fmt: skip
            parts.append(withheld.format(n=labels.number(self.withheld)))
        return " ".join(parts)


@dataclass(frozen=True)
class Panels:
    """Where map panels of one size stand on a sheet, in millimetres."""

    columns: int
    column: float
    width: float
    height: float
    sheet_height: float
    corners: tuple[tuple[float, float], ...]
    keys_top: float


def arrange_panels(
    count: int, aspect: float, width_mm: float, keys: Sequence[Key], head_mm: float = HEAD_MM, fewest: int = 1
) -> Panels:
    """Choose the fewest columns whose panels fill the width of the sheet without passing its height.

    Parameters
    ----------
    count : int
    aspect : float
        Height over width of a panel.
    width_mm : float
    keys : sequence of Key
        Legends that go below.
    head_mm : float
        Of a panel's heading.
    fewest : int
        Columns to begin with.
    """
    inner = width_mm - 2 * MARGIN_MM
    # Below a part of a larger sheet, which draws the keys, there is no more than the margin.
    gap = KEY_GAP_MM if place() is None else 0.0
    below = height_of_keys(keys, inner) + gap + MARGIN_MM
    best: Panels | None = None
    for columns in range(fewest, count + 1):
        rows = math.ceil(count / columns)
        column = (inner - GAP_MM * (columns - 1)) / columns
        room = (tallest_mm() - below - MARGIN_MM + GAP_MM) / rows - head_mm - GAP_MM
        height = min(column * aspect, room, TALLEST_MM)
        filled = height >= 0.999 * column * aspect
        if best is not None and not filled and height / aspect < best.width:
            continue
        if best is not None and column < NARROWEST_MM:
            break
        step = head_mm + height + GAP_MM
        corners = tuple(
            (MARGIN_MM + (i % columns) * (column + GAP_MM), MARGIN_MM + head_mm + (i // columns) * step)
            for i in range(count)
        )
        keys_top = MARGIN_MM + rows * step - GAP_MM + gap
        best = Panels(columns, column, height / aspect, height, keys_top + below - gap, corners, keys_top)
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
    layout = _layout(frame, headings, keys, width_mm)
    panels = layout.panels
    sheet = Sheet(width_mm, panels.sheet_height)
    maps = []
    for (left, top), letter, heading in zip(panels.corners, letters(len(headings)), layout.headings, strict=True):
        sheet.heading(left, top - layout.head_mm, letter, heading)
        axes = sheet.axes(left, top, panels.width, panels.height)
        draw_frame(axes, frame)
        maps.append(axes)
    draw_keys(sheet, layout.below, left=MARGIN_MM, top=panels.keys_top, width_mm=width_mm - 2 * MARGIN_MM)
    left, top = layout.hole
    for key in layout.inside:
        draw_keys(sheet, [key], left=left, top=top, width_mm=panels.width)
        top += key.height + ROW_GAP_MM
    return sheet, maps


@dataclass(frozen=True)
class _Layout:
    """Panels, their headings broken into lines, the keys below them, and those in the grid's empty place."""

    panels: Panels
    headings: Sequence[Heading]
    head_mm: float
    below: Sequence[Key]
    inside: Sequence[Key] = ()
    hole: tuple[float, float] = (0.0, 0.0)


def _layout(frame: MapFrame, headings: Sequence[Heading], keys: Sequence[Key], width_mm: float) -> _Layout:
    count = len(headings)
    small_map = [] if frame.locator is None else [locator_key(frame.locator, LOCATOR_MM)]
    panels = _arranged(frame, count, [*keys, *small_map], width_mm)
    fitting, extra = fitted(headings, panels.column)
    head = HEAD_MM + extra
    if place() is None:
        # Where the grid has room to spare, small map and scale bar take none from the keys.
        without = arrange_panels(count, frame.aspect, width_mm, keys, head, fewest=panels.columns)
        hole, inside = _hole(without, count), _furniture(frame, without)
        if hole is not None and inside and without.column == panels.column:
            return _Layout(without, fitting, head, keys, inside, hole)
    if extra:
        panels = _arranged(frame, count, [*keys, *small_map], width_mm, head)
    return _Layout(panels, fitting, head, _with_scale_bar(frame, [*keys, *small_map], panels.width, width_mm))


def _furniture(frame: MapFrame, panels: Panels) -> list[Key]:
    """Return small map and scale bar as large as a place of the grid takes them; none where they don't fit."""
    bar = scale_bar_key(frame, panels.width)
    if bar.width > panels.width or bar.height > panels.height:
        return []
    if frame.locator is None:
        return [bar]
    size = min(panels.height - bar.height - ROW_GAP_MM, LARGEST_LOCATOR_MM)
    if size < LOCATOR_MM:
        return []
    key = locator_key(frame.locator, size)
    if key.width > panels.width:
        key = locator_key(frame.locator, size * panels.width / key.width)
    return [key, bar]


def panel_size(frame: MapFrame, count: int, keys: Sequence[Key], width_mm: float) -> tuple[float, float]:
    """Return how wide and high the panels of a map come out with these keys, in millimetres."""
    small_map = [] if frame.locator is None else [locator_key(frame.locator, LOCATOR_MM)]
    panels = _arranged(frame, count, [*keys, *small_map], width_mm)
    return panels.width, panels.height


def _arranged(frame: MapFrame, count: int, keys: Sequence[Key], width_mm: float, head_mm: float = HEAD_MM) -> Panels:
    # The scale bar's length depends on the panels' size, and their size on the room that the legends leave.
    trial = arrange_panels(count, frame.aspect, width_mm, _with_scale_bar(frame, keys, 50.0, width_mm), head_mm)
    below = _with_scale_bar(frame, keys, trial.width, width_mm)
    return arrange_panels(count, frame.aspect, width_mm, below, head_mm)


def _with_scale_bar(frame: MapFrame, keys: Sequence[Key], panel_width: float, width_mm: float) -> list[Key]:
    """Return keys with a scale bar after them, shorter where that spares it a row of its own."""
    inner = width_mm - 2 * MARGIN_MM
    tried = [[*keys, scale_bar_key(frame, panel_width, longest_mm=longest)] for longest in SCALE_BARS_MM]
    return min(tried, key=lambda these: height_of_keys(these, inner))


def _hole(panels: Panels, count: int) -> tuple[float, float] | None:
    """Return the corner of the place after the last panel when the grid has one there."""
    taken = count % panels.columns
    if taken == 0:
        return None
    return MARGIN_MM + taken * (panels.corners[1][0] - panels.corners[0][0]), panels.corners[-1][1]


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
    return many("a map", "{n} maps, one per trait,", panels).format(n=panels)


def scale_bar_key(frame: MapFrame, panel_width: float, *, longest_mm: float = SCALE_BARS_MM[0]) -> Key:
    """Return a scale bar at the panels' scale, with a north arrow where north is steady."""
    width = min(max(panel_width * 0.45, 18.0), longest_mm)
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
            axes.text(*letter, within("north", "N"), ha="center", va="center", fontsize=SMALL)
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

    same = ("scale bar", round(metres_per_mm, 6), frame.true_north_deg)
    return Key(width + arrow, 10.8, draw, same, last=True)


def _closed(ring: Path2) -> Path2:
    return ring if np.array_equal(ring[0], ring[-1]) else np.vstack([ring, ring[:1]])
