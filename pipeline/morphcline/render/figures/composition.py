"""Map of compositions: the classes of colour, and of banding, as divided circles where there is room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from morphcline.language import _, many, marked
from morphcline.render import labels
from morphcline.render.figures.circles import (
    COMMONEST,
    LEAST_MM,
    MOST_MM,
    MOST_OVERLAPPING,
    ONE_A_SQUARE,
    Room,
    diameters_mm,
    kept_within,
    pooled_by_square,
    room_for_circles,
)
from morphcline.render.figures.frame import MapFrame, map_sheet, panel_size
from morphcline.render.figures.keys import Key, interval_notes, marks_key, size_key, slices_key
from morphcline.render.figures.sheet import MM_PER_POINT, RASTERISE_ABOVE, Figure, Heading, style
from morphcline.render.figures.slices import draw_slices
from morphcline.render.palettes import INK, LINE, TRAIT_MARKS, Mark

COLOUR, BANDING = "colour", "banding"
#: Between a circle and the edge of the map.
EDGE_MM = 0.5
#: Classes of each panel in the order of the slices, and the hatch that keeps each apart on a grey print.
SLICES: Mapping[str, Mapping[str, str]] = {
    COLOUR: {"yellow": "", "pink": "//////", "brown": ""},
    BANDING: {"unbanded": "", "mid-banded": "//////", "many-banded": "", "other one-banded": "......"},
}
_TITLES = {COLOUR: marked("Colour"), BANDING: marked("Banding")}
_NUMBERS = {
    COLOUR: marked("{shells} shells scored for colour at {sites}"),
    BANDING: marked("{shells} shells scored for banding at {sites}"),
}


@dataclass(frozen=True)
class CompositionPanel:
    """The composition of one score.

    Parameters
    ----------
    trait : {"colour", "banding"}
    sites : DataFrame
        ``site, x_m, y_m, drawn_x_m, drawn_y_m, total`` and the shells of each class.
    """

    trait: str
    sites: pd.DataFrame

    @property
    def classes(self) -> tuple[str, ...]:
        """The classes in the order of their slices."""
        return tuple(SLICES[self.trait])


def draw_composition(
    name: str,
    species: str,
    panels: Sequence[CompositionPanel],
    frame: MapFrame,
    *,
    min_shells: int,
    confidence: float,
    width_mm: float,
) -> Figure:
    """Draw the composition of one species, a panel a score.

    Parameters
    ----------
    name, species : str
    panels : sequence of CompositionPanel
        At least one, in which a sample has ``min_shells``.
    frame : MapFrame
    min_shells : int
        A circle stands for at least so many shells.
    confidence : float
        Of the intervals that the key of sizes gives.
    width_mm : float
    """
    headings = [_heading(panel) for panel in panels]
    # The room of circles hangs on the panels' size, which the keys' height may change a little; and the map is made
    # wide enough for those that stand at its edge.
    slices = [_slices(panel) for panel in panels]
    frame = _holding(panels, frame, panel_size(frame, len(panels), slices, width_mm), min_shells)
    guess = panel_size(frame, len(panels), slices, width_mm)
    room = _room(panels, frame, guess, min_shells)
    small = Mark(
        many("Fewer than {n} shell scored", "Fewer than {n} shells scored", min_shells).format(
            n=labels.number(min_shells)
        ),
        "o", "none", edge=LINE, size=3.2,
    )  # fmt: skip
    keys = [_classes_key(panel, room) for panel in panels]
    if room.way != COMMONEST:
        keys.append(_sizes(room, confidence))
    circles = [_circles(panel, room, _metres_per_mm(frame, guess[0])) for panel in panels]
    if any((table["total"] < min_shells).any() for table in circles):
        keys.append(marks_key("", [small], rows=1))
    with style():
        sheet, maps = map_sheet(frame, headings, keys, width_mm)
        for axes, panel, table in zip(maps, panels, circles, strict=True):
            _draw_panel(axes, panel, table, room, frame, sheet.axes_width_mm(axes), min_shells, small)
    data = pd.concat(
        [_data(species, panel, table) for panel, table in zip(panels, circles, strict=True)], ignore_index=True
    )
    caption = _caption(species, panels, circles, room, frame, min_shells)
    return Figure(name, sheet.figure, data, caption, _alt(species, panels, circles, room, min_shells))


def _room(panels: Sequence[CompositionPanel], frame: MapFrame, size: tuple[float, float], min_shells: int) -> Room:
    return room_for_circles(
        [panel.sites for panel in panels], metres_per_mm=_metres_per_mm(frame, size[0]), shorter_side_mm=min(size),
        min_shells=min_shells,
    )  # fmt: skip


def _holding(
    panels: Sequence[CompositionPanel], frame: MapFrame, size: tuple[float, float], min_shells: int
) -> MapFrame:
    """Return the frame, larger where a circle would reach over its edge."""
    room, scale = _room(panels, frame, size, min_shells), _metres_per_mm(frame, size[0])
    west, south, east, north = frame.west, frame.south, frame.east, frame.north
    if room.way != COMMONEST:
        for panel in panels:
            shown = _circles(panel, room, scale)
            shown = shown[(shown["total"] >= min_shells) & _on_map(shown, frame)]
            x, y = shown["drawn_x_m"].to_numpy(np.float64), shown["drawn_y_m"].to_numpy(np.float64)
            reach = (diameters_mm(shown["total"], room.full_at) / 2 + EDGE_MM) * scale
            west, east = min([west, *(x - reach)]), max([east, *(x + reach)])
            south, north = min([south, *(y - reach)]), max([north, *(y + reach)])
    return replace(frame, west=west, south=south, east=east, north=north)


def _on_map(table: pd.DataFrame, frame: MapFrame) -> pd.Series:
    across = table["drawn_x_m"].between(frame.west, frame.east)
    return across & table["drawn_y_m"].between(frame.south, frame.north)


def _metres_per_mm(frame: MapFrame, width: float) -> float:
    return (frame.east - frame.west) / width


def _heading(panel: CompositionPanel) -> Heading:
    used = panel.sites[panel.sites["total"] > 0]
    return Heading(_(_TITLES[panel.trait]), labels.shells_and_sites("", used["total"].sum(), len(used)))


def _looks(panel: CompositionPanel) -> list[tuple[str, str]]:
    return [(TRAIT_MARKS[name].fill, hatch) for name, hatch in SLICES[panel.trait].items()]


def _slices(panel: CompositionPanel) -> Key:
    named = [(labels.trait_title(name), *look) for name, look in zip(panel.classes, _looks(panel), strict=True)]
    return slices_key(_(_TITLES[panel.trait]), named)


def _classes_key(panel: CompositionPanel, room: Room) -> Key:
    if room.way != COMMONEST:
        return _slices(panel)
    marks = [TRAIT_MARKS[name] for name in panel.classes]
    named = [replace(mark, label=labels.trait_title(mark.label)) for mark in marks]
    titles = {COLOUR: _("Commonest colour"), BANDING: _("Commonest banding")}
    return marks_key(titles[panel.trait], named, rows=4)


def _sizes(room: Room, confidence: float) -> Key:
    shells = [room.full_at / 4, room.full_at / 2, room.full_at]
    signs = ("≤", "", "≥")
    shown = [
        (f"{sign}{labels.number(n)}", float(diameters_mm(n, room.full_at)) / MM_PER_POINT)
        for sign, n in zip(signs, shells, strict=True)
    ]
    return size_key(_("Shells scored"), shown, interval_notes(shells, confidence))


def _circles(panel: CompositionPanel, room: Room, metres_per_mm: float) -> pd.DataFrame:
    """Return what is drawn: a row for each site, or for each square."""
    if room.way != ONE_A_SQUARE:
        used = panel.sites[panel.sites["total"] > 0]
        return used.assign(sites=1, members=used["site"])
    pooled = pooled_by_square(panel.sites, room.side_m, panel.classes)
    return kept_within(pooled, room.side_m, diameters_mm(pooled["total"], room.full_at) / 2 * metres_per_mm)


def _draw_panel(
    axes: Axes,
    panel: CompositionPanel,
    circles: pd.DataFrame,
    room: Room,
    frame: MapFrame,
    width_mm: float,
    min_shells: int,
    small: Mark,
) -> None:
    dense = len(circles) > RASTERISE_ABOVE
    few, full = circles[circles["total"] < min_shells], circles[circles["total"] >= min_shells]
    axes.plot(
        few["drawn_x_m"], few["drawn_y_m"], small.marker, ms=small.size if room.way == ONE_A_SQUARE else 2.2,
        mfc="none", mec=small.edge, mew=0.5, ls="none", zorder=2.5, rasterized=dense,
    )  # fmt: skip
    if room.way == COMMONEST:
        commonest = full[list(panel.classes)].to_numpy(np.float64).argmax(axis=1)
        for number, name in enumerate(panel.classes):
            these = full[commonest == number]
            mark = TRAIT_MARKS[name]
            axes.plot(
                these["drawn_x_m"], these["drawn_y_m"], mark.marker, ms=3.2, mfc=mark.fill, mec=INK, mew=0.3, ls="none",
                zorder=3, rasterized=dense,
            )  # fmt: skip
        return
    # The largest first, so that none hides a smaller one.
    full = full.sort_values("total", ascending=False, kind="stable")
    radii = diameters_mm(full["total"], room.full_at) / 2 * _metres_per_mm(frame, width_mm)
    draw_slices(
        axes, list(zip(full["drawn_x_m"], full["drawn_y_m"], strict=True)), radii.tolist(),
        full[list(panel.classes)].to_numpy(np.float64).tolist(), _looks(panel), rasterized=dense,
    )  # fmt: skip


def _data(species: str, panel: CompositionPanel, circles: pd.DataFrame) -> pd.DataFrame:
    place = ["drawn_x_m", "drawn_y_m"]
    table = circles.reset_index(drop=True)
    rows = table.assign(circle=np.arange(1, len(table) + 1))[["circle", *place, "sites", "members", "total"]]
    parts = []
    for order, name in enumerate(panel.classes):
        part = rows.assign(count=table[name], order=order)
        part.insert(len(part.columns) - 2, "class", name)
        parts.append(part)
    long = pd.concat(parts).sort_values(["circle", "order"], kind="stable")
    long = long.rename(columns={"drawn_x_m": "x_m", "drawn_y_m": "y_m", "members": "sites_pooled"})
    long.insert(0, "trait", panel.trait)
    long.insert(0, "species", species)
    return long[
        ["species", "trait", "circle", "x_m", "y_m", "sites", "sites_pooled", "class", "count", "total"]
    ].assign(frequency=long["count"] / long["total"])


def _caption(
    species: str,
    panels: Sequence[CompositionPanel],
    circles: Sequence[pd.DataFrame],
    room: Room,
    frame: MapFrame,
    min_shells: int,
) -> str:
    numbers = [
        _(_NUMBERS[panel.trait]).format(
            shells=labels.number(table["total"].sum()), sites=labels.counted(table["sites"].sum(), "site")
        )
        for panel, table in zip(panels, circles, strict=True)
    ]  # fmt: skip
    parts = [
        _("{species}: composition of the samples ({numbers}).").format(
            species=species, numbers=labels.clauses(numbers)
        ),
        *_way(circles, room, min_shells),
        _("Fewer than {n} shells scored: a hollow symbol.").format(n=labels.number(min_shells)),
    ]
    if any(panel.trait == BANDING for panel in panels):
        parts.append(
            _("Each class of banding is a share of all shells scored for banding; the frequency of mid-banded shells "
              "on other figures is among banded shells.")
        )  # fmt: skip
    return " ".join([*parts, frame.notes()])


def _way(circles: Sequence[pd.DataFrame], room: Room, min_shells: int) -> list[str]:
    """Say which of the three ways of drawing it is, and by what rule."""
    values = {
        "least": labels.decimals(LEAST_MM, 1),
        "most": labels.decimals(MOST_MM, 1),
        "share": labels.percent(room.overlapping),
        "limit": labels.percent(MOST_OVERLAPPING),
        "side": labels.distance(room.side_m),
        "quarter": labels.number(room.full_at / 4),
        "full": labels.number(room.full_at),
    }
    if room.way == COMMONEST:
        return [
            _("Each site shows its commonest class alone, by colour and shape, for the map has no room for divided "
              "circles: of circles at least {least} mm wide {share} would overlap another (at most {limit} may), and "
              "squares that hold one each would be too few to show a pattern.").format(**values)
        ]  # fmt: skip
    drawn = [
        _("Slices run clockwise from the top in the order of the key; a circle's area grows with the shells scored "
          "from {quarter} to {full}, and with it falls what chance alone does to a frequency (± in the key: percentage "
          "points at a frequency of 50%).").format(**values)
    ]  # fmt: skip
    if room.way == ONE_A_SQUARE:
        pooled = pd.concat([table.loc[table["total"] >= min_shells, "sites"] for table in circles])
        drawn.append(
            _("Of the sites' own circles, {least} to {most} mm wide, {share} would overlap another (at most {limit} "
              "may), so the shells of sites within a square of {side} are added up; a circle stands at the mean of its "
              "sites weighted by shells, moved to lie within the square; the median circle is of {median} "
              "sites ({fewest} to {most_sites}).").format(
                **values, median=labels.number(pooled.median()), fewest=labels.number(pooled.min()),
                most_sites=labels.number(pooled.max()),
            )
        )  # fmt: skip
    else:
        drawn.append(
            _("Each circle, {least} to {most} mm wide, is one site; {share} of them overlap another (at most {limit} "
              "may).").format(**values)
        )  # fmt: skip
    return drawn


def _alt(
    species: str,
    panels: Sequence[CompositionPanel],
    circles: Sequence[pd.DataFrame],
    room: Room,
    min_shells: int,
) -> str:
    if room.way == COMMONEST:
        first = many("{species}: a map of sites, each marked with its commonest class.",
                     "{species}: {n} maps of sites, each marked with its commonest class.", len(panels))  # fmt: skip
    else:
        first = many("{species}: a map of small circles divided among classes.",
                     "{species}: {n} maps of small circles divided among classes.", len(panels))  # fmt: skip
    parts = [first.format(species=species, n=len(panels))]
    for panel, table in zip(panels, circles, strict=True):
        shares = table[list(panel.classes)].sum() / table["total"].sum()
        named = [
            _("{name} {count}").format(name=labels.trait_name(name), count=labels.percent(float(shares[name])))
            for name in panel.classes
        ]
        shown = int((table["total"] >= min_shells).sum())
        parts.append(
            _("{title}: {drawn}, from {sites}; all shells together: {shares}.").format(
                title=_(_TITLES[panel.trait]),
                drawn=many("{n} symbol", "{n} symbols", shown).format(n=labels.number(shown)),
                sites=labels.counted(table["sites"].sum(), "site"), shares=labels.listing(named),
            )
        )  # fmt: skip
    return " ".join(parts)
