"""Styles as Styled Layer Descriptors 1.0.0, an open standard that GIS programs and map servers read.

Elements and their order are those of OGC 02-070, "Styled Layer Descriptor Implementation Specification", version 1.0.0
(clauses 10 and 11 and annex A); conditions are of OGC 02-059, "Filter Encoding", version 1.0.0. Nothing beyond either
is used, so that no program needs an extension to draw them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from xml.etree import ElementTree

#: The standard's own names bear no prefix, so that the plainest of readers finds them.
_NAMESPACES = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "xmlns:xsi": "http://www.w3.org/2001/XMLSchema-instance",
    "xsi:schemaLocation": "http://www.opengis.net/sld http://schemas.opengis.net/sld/1.0.0/StyledLayerDescriptor.xsd",
}

Kind = Literal["Point", "Line", "Polygon"]


@dataclass(frozen=True)
class Symbol:
    """How a shape looks.

    Parameters
    ----------
    fill : str
        ``#RRGGBB``; empty: none.
    stroke : str
        Of the outline, or of a line; empty: none.
    width : float
        Of the stroke, in pixels.
    opacity : float
        Of the fill.
    dash : tuple of float
        Lengths of strokes and gaps in turn, in pixels.
    mark : str
        Of a point: ``square, circle, triangle, star, cross`` or ``x``, the standard's well-known names.
    size : float
        Of a point, in pixels.
    rotation : float
        Of a point, in degrees clockwise.
    """

    fill: str = ""
    stroke: str = ""
    width: float = 0.5
    opacity: float = 1.0
    dash: tuple[float, ...] = ()
    mark: str = "circle"
    size: float = 8.0
    rotation: float = 0.0


@dataclass(frozen=True)
class Condition:
    """What a field must be.

    Parameters
    ----------
    field : str
    test : {"is", "at least", "below", "at most", "missing", "known"}
    value : str or float, optional
        For all but the last two.
    """

    field: str
    test: Literal["is", "at least", "below", "at most", "missing", "known"]
    value: str | float | None = None


_COMPARISONS = {
    "is": "PropertyIsEqualTo",
    "at least": "PropertyIsGreaterThanOrEqualTo",
    "below": "PropertyIsLessThan",
    "at most": "PropertyIsLessThanOrEqualTo",
}


@dataclass(frozen=True)
class Rule:
    """A class of features and its symbol.

    Parameters
    ----------
    title : str
        As a legend shows it.
    symbol : Symbol
    when : tuple of Condition
        All of them must hold; none: every feature.
    """

    title: str
    symbol: Symbol
    when: tuple[Condition, ...] = ()


@dataclass(frozen=True)
class Colour:
    """The colour of a value in a raster.

    Parameters
    ----------
    value : float
    colour : str
        ``#RRGGBB``.
    label : str
        For a legend; empty where the value is only a step of the ramp.
    """

    value: float
    colour: str
    label: str = ""


def vector_style(layer: str, kind: Kind, title: str, rules: Sequence[Rule], *, about: str = "") -> str:
    """Return the style of a vector layer as XML.

    Parameters
    ----------
    layer : str
        Its name in the file.
    kind : {"Point", "Line", "Polygon"}
    title : str
    rules : sequence of Rule
        In the order of a legend; the first is drawn first.
    about : str
        An abstract.
    """
    root, style = _start(layer, title, about)
    features = _add(style, "FeatureTypeStyle")
    for number, rule in enumerate(rules, start=1):
        element = _add(features, "Rule")
        _add(element, "Name", f"rule_{number}")
        _add(element, "Title", rule.title)
        _filter(element, rule.when)
        _symbolizer(element, kind, rule.symbol)
    return _text(root)


def raster_style(
    layer: str, band: int, title: str, colours: Sequence[Colour], *, opacity: float = 1.0, about: str = ""
) -> str:
    """Return the style of one band of a raster as XML: colours between the values given are mixed in proportion.

    Parameters
    ----------
    layer : str
        The raster's name without its ending.
    band : int
        Counted from 1.
    title : str
    colours : sequence of Colour
        By rising value, without gaps; cells with no data stay transparent.
    opacity : float
    about : str
    """
    root, style = _start(layer, title, about)
    rule = _add(_add(style, "FeatureTypeStyle"), "Rule")
    _add(rule, "Name", f"band_{band}")
    _add(rule, "Title", title)
    raster = _add(rule, "RasterSymbolizer")
    _add(raster, "Opacity", f"{opacity:g}")
    channel = _add(_add(raster, "ChannelSelection"), "GrayChannel")
    _add(channel, "SourceChannelName", str(band))
    ramp = _add(raster, "ColorMap")
    for entry in colours:
        element = _add(ramp, "ColorMapEntry")
        element.set("color", entry.colour)
        element.set("quantity", f"{entry.value:.12g}")
        if entry.label:
            element.set("label", entry.label)
    return _text(root)


def colour_text(colours: Sequence[Colour]) -> str:
    """Return a colour table as plain text, a line a value: the value, red, green, blue, opacity; ``nv``: no data.

    It is the form that GDAL's own colour-relief tool reads.
    """
    lines = ["nv 0 0 0 0"]
    for entry in colours:
        red, green, blue = (int(entry.colour[at : at + 2], 16) for at in (1, 3, 5))
        lines.append(f"{entry.value:.12g} {red} {green} {blue} 255")
    return "\n".join(lines) + "\n"


def _start(layer: str, title: str, about: str) -> tuple[ElementTree.Element, ElementTree.Element]:
    root = ElementTree.Element("StyledLayerDescriptor", {"version": "1.0.0", **_NAMESPACES})
    named = _add(root, "NamedLayer")
    _add(named, "Name", layer)
    style = _add(named, "UserStyle")
    _add(style, "Title", title)
    if about:
        _add(style, "Abstract", about)
    _add(style, "IsDefault", "1")
    return root, style


def _filter(rule: ElementTree.Element, conditions: Sequence[Condition]) -> None:
    if not conditions:
        return
    place = _add(rule, "ogc:Filter")
    if len(conditions) > 1:
        place = _add(place, "ogc:And")
    for condition in conditions:
        if condition.test in ("missing", "known"):
            within = _add(place, "ogc:Not") if condition.test == "known" else place
            element = _add(within, "ogc:PropertyIsNull")
            _add(element, "ogc:PropertyName", condition.field)
            continue
        element = _add(place, f"ogc:{_COMPARISONS[condition.test]}")
        _add(element, "ogc:PropertyName", condition.field)
        value = condition.value
        _add(element, "ogc:Literal", value if isinstance(value, str) else f"{value:.12g}")


def _symbolizer(rule: ElementTree.Element, kind: Kind, symbol: Symbol) -> None:
    symbolizer = _add(rule, f"{kind}Symbolizer")
    if kind == "Point":
        graphic = _add(symbolizer, "Graphic")
        mark = _add(graphic, "Mark")
        _add(mark, "WellKnownName", symbol.mark)
        _paint(mark, symbol, filled=True)
        _add(graphic, "Size", f"{symbol.size:g}")
        if symbol.rotation:
            _add(graphic, "Rotation", f"{symbol.rotation:g}")
    else:
        _paint(symbolizer, symbol, filled=kind == "Polygon")


def _paint(parent: ElementTree.Element, symbol: Symbol, *, filled: bool) -> None:
    if filled and symbol.fill:
        fill = _add(parent, "Fill")
        _parameter(fill, "fill", symbol.fill)
        if symbol.opacity < 1:
            _parameter(fill, "fill-opacity", f"{symbol.opacity:g}")
    if symbol.stroke:
        stroke = _add(parent, "Stroke")
        _parameter(stroke, "stroke", symbol.stroke)
        _parameter(stroke, "stroke-width", f"{symbol.width:g}")
        if symbol.dash:
            _parameter(stroke, "stroke-dasharray", " ".join(f"{length:g}" for length in symbol.dash))


def _parameter(parent: ElementTree.Element, name: str, value: str) -> None:
    _add(parent, "CssParameter", value).set("name", name)


def _add(parent: ElementTree.Element, name: str, text: str | None = None) -> ElementTree.Element:
    element = ElementTree.SubElement(parent, name)
    element.text = text
    return element


def _text(root: ElementTree.Element) -> str:
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"
