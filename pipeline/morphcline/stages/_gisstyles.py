"""A style for every layer and for the bands of every raster, in the colours and marks of the figures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib import colormaps
from numpy.typing import NDArray

from morphcline.files.geopackage import Layer
from morphcline.files.sld import Colour, Condition, Kind, Rule, Symbol, colour_text, raster_style, vector_style
from morphcline.files.steepness import QUANTITIES as STEEP_QUANTITIES
from morphcline.files.surfaces import QUANTITIES, SurfaceFile
from morphcline.records.layer_tables import CELL_PARTS, FREQUENCY_PARTS, trait_stems
from morphcline.render import palettes
from morphcline.render.figures.change_map import CHANGE_MAP, FULL, NONE
from morphcline.render.figures.steepness import STEEPER, ZONE
from morphcline.render.palettes import FREQUENCY_LIMITS, INK, LOCAL_GROUPS, PAPER, STEEPNESS_MAP, Mark
from morphcline.scoring.species import slug
from morphcline.stages._layers import ZONES

FOLDER = "styles"
#: Classes of frequency on layers of points and cells, and steps of a raster's ramp.
CLASSES, STEPS = 10, 50
#: Colour maps that no figure needs: of standard errors and of effective shells.
ERROR_MAP, SHELLS_MAP = "Purples", "YlGn"
#: Where these two ramps end: nearly no certainty, and nearly all.
ERROR_TOP, SHELLS_TOP = 0.3, 1000.0
#: Change from which the classes begin, either way.
_CHANGES = (NONE, 0.1, 0.2, 0.3, FULL)
#: Our marks by the standard's well-known names, with degrees to turn them by.
_SHAPES = {
    "o": ("circle", 0.0), "s": ("square", 0.0), "^": ("triangle", 0.0), "v": ("triangle", 180.0), "D": ("square", 45.0),
    "d": ("square", 45.0), "P": ("cross", 0.0), "X": ("x", 0.0), "<": ("triangle", 270.0), ">": ("triangle", 90.0),
    "*": ("star", 0.0), "h": ("circle", 0.0), "p": ("star", 0.0),
}  # fmt: skip
#: Pixels of a symbol to a point of the figures' marks, which are small for print.
_PIXELS = 1.8
#: What shapes of a layer are to a style.
_KINDS: dict[str, Kind] = {"Point": "Point", "MultiLineString": "Line", "Polygon": "Polygon", "MultiPolygon": "Polygon"}
_HOLLOW = Symbol(stroke="#666666", width=0.8, size=5)


@dataclass(frozen=True)
class Style:
    """A file of style.

    Attributes
    ----------
    name : str
        From the output folder.
    text : str
    of, part : str
        The file that it is for, and the layer, or the band by its number and name.
    title : str
    """

    name: str
    text: str
    of: str
    part: str
    title: str


def layer_styles(file: str, layers: Sequence[Layer], traits: Mapping[str, Sequence[str]]) -> Iterator[Style]:
    """Yield the styles of the public layers of sites, cells and lines.

    Parameters
    ----------
    file : str
    layers : sequence of Layer
    traits : mapping
        Species to its main traits.
    """
    known = {layer.name: layer for layer in layers}
    for name in ("sites", "earlier_sites"):
        yield _of_layer(file, known[name], "", "habitat", _habitat_rules(known[name]))
    yield _of_layer(file, known["cline_lines"], "", "trait", line_rules(known["cline_lines"], traits))
    for species, own in traits.items():
        end = slug(species, "_")
        for layer, parts in ((f"frequencies_{end}", FREQUENCY_PARTS), (f"cells_{end}", CELL_PARTS)):
            for trait, stem in trait_stems(own, parts).items():
                rules = frequency_rules(f"{stem}_frequency", known[layer].kind == "Point")
                yield _of_layer(file, known[layer], stem, f"frequency, {trait}", rules)
        for trait, stem in trait_stems(own, FREQUENCY_PARTS).items():
            when = (Condition("species", "is", species), Condition("trait", "is", trait))
            about = f"{species}, {trait}"
            yield _of_layer(file, known["clusters"], f"{end}.{stem}", about, cluster_rules(when))
            for part, name, also in _surveys(known["change_pairs"]):
                rules = change_rules((*when, *also))
                yield _of_layer(file, known["change_pairs"], f"{end}.{stem}{part}", f"{about}{name}", rules)


def _surveys(pairs: Layer) -> list[tuple[str, str, tuple[Condition, ...]]]:
    """Return, for each earlier survey where there are several, what its style is called and shows."""
    surveys = sorted(str(name) for name in pairs.features["earlier_survey"].dropna().unique())
    if len(surveys) < 2:
        return [("", "", ())]
    ends = trait_stems(surveys, ("",))
    return [
        (f".{ends[name]}", f", since {name}", (Condition("earlier_survey", "is", name),)) for name in surveys
    ]  # fmt: skip


def shape_styles(files: Mapping[str, Iterable[Layer]], traits: Mapping[str, Sequence[str]]) -> Iterator[Style]:
    """Yield the styles of the layers of centre lines and of steepness.

    Parameters
    ----------
    files : mapping
        File to its layers.
    traits : mapping
        Species to its main traits.
    """
    for file, layers in files.items():
        for layer in layers:
            if layer.name != ZONES.name:
                yield _of_layer(file, layer, "", "all traits", line_rules(layer, traits))
                continue
            for species, own in traits.items():
                for trait, stem in trait_stems(own, FREQUENCY_PARTS).items():
                    rules = zone_rules((Condition("species", "is", species), Condition("trait", "is", trait)))
                    yield _of_layer(file, layer, f"{slug(species, '_')}.{stem}", f"{species}, {trait}", rules)


def surface_styles(file: str, surfaces: SurfaceFile, main: Sequence[str], least_shells: float) -> Iterator[Style]:
    """Yield the styles of a raster of surfaces: the frequency of every trait; error and shells of the main ones.

    Parameters
    ----------
    file : str
        From the output folder.
    surfaces : SurfaceFile
    main : sequence of str
    least_shells : float
        Effective shells below which a cell is blank.
    """
    ramps = {
        "frequency": frequency_ramp(),
        "standard error": error_ramp(),
        "effective shells": shells_ramp(least_shells),
    }
    for number, (trait, stem) in enumerate(trait_stems(surfaces.traits, ("frequency",)).items()):
        for offset, quantity in enumerate(QUANTITIES):
            if quantity == "frequency" or trait in main:
                band = len(QUANTITIES) * number + offset + 1
                yield _of_band(file, band, trait, stem, quantity, ramps[quantity])


def steepness_styles(file: str, traits: Sequence[str], top: float) -> Iterator[Style]:
    """Yield the styles of a raster of steepness: gradient and steep zone of each trait, and all zones together.

    Parameters
    ----------
    file : str
    traits : sequence of str
        In the order of their bands.
    top : float
        Gradient per kilometre at which the ramp ends.
    """
    names = list(STEEP_QUANTITIES)
    ramps = {"gradient": gradient_ramp(top), "steep zone": zone_ramp()}
    for number, (trait, stem) in enumerate(trait_stems(traits, ("frequency",)).items()):
        for quantity, ramp in ramps.items():
            yield _of_band(file, len(names) * number + names.index(quantity) + 1, trait, stem, quantity, ramp)
    if traits:
        counts = _steps(STEEPNESS_MAP, np.linspace(0.0, len(traits), len(traits) + 1), label=lambda value: f"{value:g}")
        yield _of_band(file, len(names) * len(traits) + 1, "all traits", "all", "steep zones", counts)


def colour_tables(least_shells: float) -> dict[str, str]:
    """Return the ramps of surfaces as plain tables of colours, by their names from the output folder."""
    ramps = {
        "frequency": frequency_ramp(), "standard_error": error_ramp(), "effective_shells": shells_ramp(least_shells),
    }  # fmt: skip
    return {f"{FOLDER}/{name}.txt": colour_text(ramp) for name, ramp in ramps.items()}


def frequency_ramp() -> list[Colour]:
    """Return the colours of frequencies, the figures' own, between the same fixed limits."""
    values = np.linspace(*FREQUENCY_LIMITS, STEPS + 1)
    colours = palettes.frequency_colours(values)
    return [
        Colour(float(value), _hex(colour), f"{100 * value:.0f} %" if number % 10 == 0 else "")
        for number, (value, colour) in enumerate(zip(values, colours, strict=True))
    ]


def error_ramp() -> list[Colour]:
    """Return the colours of standard errors: the darker, the less sure."""
    return _steps(ERROR_MAP, np.linspace(0.0, ERROR_TOP, 7), label=lambda value: f"{value:.2f}")


def shells_ramp(least: float) -> list[Colour]:
    """Return the colours of effective shells, in steps that grow, from the fewest that a cell may have."""
    start = max(least, 1.0)
    values = np.geomspace(start, max(SHELLS_TOP, 2 * start), 6)
    colours = colormaps[SHELLS_MAP](np.linspace(0.1, 1.0, len(values)), bytes=True)
    return [
        Colour(float(f"{value:.2g}"), _hex(colour), f"{float(f'{value:.2g}'):g}")
        for value, colour in zip(values, colours, strict=True)
    ]


def gradient_ramp(top: float) -> list[Colour]:
    """Return the colours of gradients per kilometre, up to a round number."""
    return _steps(STEEPNESS_MAP, np.linspace(0.0, round_top(top), 6), label=lambda value: f"{value:.2g} per km")


def round_top(value: float) -> float:
    """Return the next of 1, 1.5, 2, 3, 4, 5, 6, 8 and 10 times a power of ten.

    Examples
    --------
    >>> round_top(0.064), round_top(0.0)
    (0.08, 0.01)
    """
    if not value > 0:
        return 0.01
    unit = 10.0 ** math.floor(math.log10(value))
    steps = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return float(f"{next(step for step in steps if step * unit >= value * 0.999999) * unit:.2g}")


def zone_ramp() -> list[Colour]:
    """Return the colours of the codes of steep zones."""
    return [
        Colour(0.0, PAPER, "no steeper than chance"),
        Colour(1.0, "#8C8C8C", "steeper than samples placed at random"),
        Colour(2.0, STEEPER, "steeper than an even slope, too"),
    ]


def frequency_rules(field: str, points: bool) -> list[Rule]:
    """Return ten classes of a frequency, in the colours of their middles, and what isn't known."""
    edges = np.linspace(*FREQUENCY_LIMITS, CLASSES + 1)
    colours = palettes.frequency_colours((edges[1:] + edges[:-1]) / 2)
    rules = []
    if points:
        rules.append(Rule("no shell judged", _HOLLOW, (Condition(field, "missing"),)))
    for number, colour in enumerate(colours):
        low, high = float(edges[number]), float(edges[number + 1])
        below = Condition(field, "below" if number < CLASSES - 1 else "at most", high)
        symbol = Symbol(fill=_hex(colour), stroke=INK if points else "", size=8)
        title = f"{100 * low:.0f} to {100 * high:.0f} %"
        rules.append(Rule(title, symbol, (Condition(field, "at least", low), below)))
    return rules


def cluster_rules(when: tuple[Condition, ...]) -> list[Rule]:
    """Return the groups of local association, colour and shape together; the quiet ones are drawn first."""
    groups = sorted(LOCAL_GROUPS.items(), key=lambda item: item[0] not in ("no local signal", "not tested"))
    return [Rule(mark.label, _symbol(mark), (*when, Condition("local_group", "is", name))) for name, mark in groups]


def change_rules(when: tuple[Condition, ...]) -> list[Rule]:
    """Return classes of change: upright triangles rose, hanging ones fell, the fuller the colour the more."""
    rules = [
        Rule(
            "unchanged", Symbol(fill=_colour_at(CHANGE_MAP, 0.5), stroke=INK, size=6),
            (*when, Condition("difference", "at least", -NONE), Condition("difference", "below", NONE)),
        )
    ]  # fmt: skip
    for low, high in zip(_CHANGES, (*_CHANGES[1:], None), strict=True):
        middle = FULL if high is None else (low + high) / 2
        points = _points(low, high)
        rose, fell = [Condition("difference", "at least", low)], [Condition("difference", "below", -low)]
        if high is not None:
            rose.append(Condition("difference", "below", high))
            fell.append(Condition("difference", "at least", -high))
        for word, sign, limits, turn in (("rose", 1, rose, 0.0), ("fell", -1, fell, 180.0)):
            colour = _colour_at(CHANGE_MAP, (sign * middle + FULL) / (2 * FULL))
            symbol = Symbol(fill=colour, stroke=INK, mark="triangle", size=10, rotation=turn)
            rules.append(Rule(f"{word} by {points}", symbol, (*when, *limits)))
    return rules


def _points(low: float, high: float | None) -> str:
    if high is None:
        return f"{100 * low:.0f} points or more"
    return f"up to {100 * high:.0f} points" if low == NONE else f"{100 * low:.0f} to {100 * high:.0f} points"


def zone_rules(when: tuple[Condition, ...]) -> list[Rule]:
    """Return the two kinds of steep zone, outlined as in the figures."""
    kinds = (("samples placed at random", ZONE), ("an even slope over the region", STEEPER))
    return [
        Rule(f"steeper than {words}", Symbol(stroke=colour, width=1.5), (*when, Condition("steeper_than", "is", words)))
        for words, colour in kinds
    ]


def line_rules(layer: Layer, traits: Mapping[str, Sequence[str]]) -> list[Rule]:
    """Return a line, or a band, for each species and trait that has one: colour by trait, dashes by species."""
    marks = palettes.trait_marks([trait for own in traits.values() for trait in own])
    dashes = ((), (7.0, 3.0), (2.0, 3.0), (7.0, 3.0, 2.0, 3.0))
    drawn = set(zip(layer.features["species"], layer.features["trait"], strict=True))
    rules = [
        Rule(
            f"{species}: {trait}",
            _stretch(layer, marks[trait].fill, dashes[number % len(dashes)]),
            (Condition("species", "is", species), Condition("trait", "is", trait)),
        )
        for number, (species, own) in enumerate(traits.items())
        for trait in own
        if (species, trait) in drawn
    ]
    # A style has at least one rule, though nothing may be drawn.
    return rules or [Rule(layer.title, _stretch(layer, INK, ()))]


def _stretch(layer: Layer, colour: str, dash: tuple[float, ...]) -> Symbol:
    if "Polygon" in layer.kind:
        return Symbol(fill=colour, opacity=0.25)
    return Symbol(stroke=colour, width=2.2, dash=dash)


def _habitat_rules(layer: Layer) -> list[Rule]:
    found = sorted(str(name) for name in layer.features["habitat"].dropna().unique())
    rules = [Rule("habitat not known", _HOLLOW, (Condition("habitat", "missing"),))]
    return rules + [
        Rule(name, _symbol(mark), (Condition("habitat", "is", name),))
        for name, mark in palettes.class_marks(found).items()
    ]


def _symbol(mark: Mark) -> Symbol:
    shape, turn = _SHAPES[mark.marker]
    fill = "" if mark.fill == "none" else mark.fill
    return Symbol(fill=fill, stroke=mark.edge, mark=shape, rotation=turn, size=round(_PIXELS * mark.size, 1))


def _of_layer(file: str, layer: Layer, end: str, about: str, rules: Sequence[Rule]) -> Style:
    name = f"{FOLDER}/{layer.name}{'.' + end if end else ''}.sld"
    title = f"{layer.title}: {about}"
    text = vector_style(layer.name, _KINDS[layer.kind], title, rules)
    return Style(name, text, file, layer.name, title)


def _of_band(file: str, band: int, trait: str, stem: str, quantity: str, ramp: Sequence[Colour]) -> Style:
    raster = file.rpartition("/")[2].removesuffix(".tif")
    title = f"{trait}: {quantity}"
    text = raster_style(raster, band, title, ramp)
    return Style(f"{FOLDER}/{raster}.{stem}.{slug(quantity, '_')}.sld", text, file, f"band {band}, {title}", title)


def _steps(ramp: str, values: NDArray[np.float64], *, label: Callable[[float], str]) -> list[Colour]:
    colours = colormaps[ramp](np.linspace(0.0, 1.0, len(values)), bytes=True)
    return [
        Colour(float(f"{value:.6g}"), _hex(colour), label(value)) for value, colour in zip(values, colours, strict=True)
    ]


def _colour_at(ramp: str, share: float) -> str:
    colours: NDArray[np.uint8] = np.asarray(colormaps[ramp]([share], bytes=True))
    return _hex(colours[0])


def _hex(colour: Iterable[int]) -> str:
    red, green, blue = list(colour)[:3]
    return f"#{int(red):02X}{int(green):02X}{int(blue):02X}"
