"""What a Styled Layer Descriptor may hold and in which order, written down from the standard to check ours against.

OGC 02-070, "Styled Layer Descriptor Implementation Specification" 1.0.0, annex A (and clause 10 for styles, 11 for
symbolizers); OGC 02-059, "Filter Encoding" 1.0.0, clauses 9 and 10. Only what our styles use of them is written down:
anything else fails.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
MANY = 10**9

#: Element to its children in their order: name, least and greatest number.
CHILDREN: dict[str, list[tuple[str, int, int]]] = {
    "sld:StyledLayerDescriptor": [("sld:Name", 0, 1), ("sld:Title", 0, 1), ("sld:NamedLayer", 0, MANY)],
    "sld:NamedLayer": [("sld:Name", 1, 1), ("sld:UserStyle", 0, MANY)],
    "sld:UserStyle": [
        ("sld:Name", 0, 1), ("sld:Title", 0, 1), ("sld:Abstract", 0, 1), ("sld:IsDefault", 0, 1),
        ("sld:FeatureTypeStyle", 1, MANY),
    ],
    "sld:FeatureTypeStyle": [("sld:Name", 0, 1), ("sld:Title", 0, 1), ("sld:Rule", 1, MANY)],
    "sld:Rule": [
        ("sld:Name", 0, 1), ("sld:Title", 0, 1), ("sld:Abstract", 0, 1), ("ogc:Filter", 0, 1),
        ("sld:PointSymbolizer", 0, 1), ("sld:LineSymbolizer", 0, 1), ("sld:PolygonSymbolizer", 0, 1),
        ("sld:RasterSymbolizer", 0, 1),
    ],
    "sld:PointSymbolizer": [("sld:Graphic", 0, 1)],
    "sld:Graphic": [("sld:Mark", 0, MANY), ("sld:Opacity", 0, 1), ("sld:Size", 0, 1), ("sld:Rotation", 0, 1)],
    "sld:Mark": [("sld:WellKnownName", 0, 1), ("sld:Fill", 0, 1), ("sld:Stroke", 0, 1)],
    "sld:LineSymbolizer": [("sld:Stroke", 0, 1)],
    "sld:PolygonSymbolizer": [("sld:Fill", 0, 1), ("sld:Stroke", 0, 1)],
    "sld:Fill": [("sld:CssParameter", 0, MANY)],
    "sld:Stroke": [("sld:CssParameter", 0, MANY)],
    "sld:RasterSymbolizer": [("sld:Opacity", 0, 1), ("sld:ChannelSelection", 0, 1), ("sld:ColorMap", 0, 1)],
    "sld:ChannelSelection": [("sld:GrayChannel", 1, 1)],
    "sld:GrayChannel": [("sld:SourceChannelName", 1, 1)],
    "sld:ColorMap": [("sld:ColorMapEntry", 0, MANY)],
    "ogc:Filter": [
        ("ogc:And", 0, 1), ("ogc:Not", 0, 1), ("ogc:PropertyIsEqualTo", 0, 1), ("ogc:PropertyIsLessThan", 0, 1),
        ("ogc:PropertyIsGreaterThanOrEqualTo", 0, 1), ("ogc:PropertyIsLessThanOrEqualTo", 0, 1),
        ("ogc:PropertyIsNull", 0, 1),
    ],
    **{
        f"ogc:PropertyIs{name}": [("ogc:PropertyName", 1, 1), ("ogc:Literal", 1, 1)]
        for name in ("EqualTo", "LessThan", "GreaterThanOrEqualTo", "LessThanOrEqualTo")
    },
    "ogc:PropertyIsNull": [("ogc:PropertyName", 1, 1)],
    "ogc:Not": [("ogc:PropertyIsNull", 1, 1)],
}  # fmt: skip
#: Elements with text, and what it must look like.
NUMBER = r"-?\d+(\.\d+)?(e-?\d+)?"
TEXTS = {
    "sld:Name": r".+", "sld:Title": r".+", "sld:Abstract": r".+", "sld:IsDefault": r"[01]", "sld:Opacity": NUMBER,
    "sld:Size": NUMBER, "sld:Rotation": NUMBER, "sld:SourceChannelName": r"\d+", "ogc:PropertyName": r"[a-z][a-z0-9_]*",
    "sld:WellKnownName": r"square|circle|triangle|star|cross|x", "ogc:Literal": r".+",
}  # fmt: skip
#: Parameters of Fill and Stroke by their Scalable Vector Graphics names (02-070, clauses 11.1.3 and 11.2.2).
PARAMETERS = {
    "fill": r"#[0-9A-F]{6}", "fill-opacity": NUMBER, "stroke": r"#[0-9A-F]{6}", "stroke-width": NUMBER,
    "stroke-dasharray": rf"{NUMBER}( {NUMBER})*",
}  # fmt: skip
#: Required attributes, then others allowed, of a colour map's entry: the standard gives ColorMap itself none.
ENTRY = {"color": r"#[0-9A-F]{6}", "quantity": NUMBER}
ENTRY_ALSO = {"label": r".+", "opacity": NUMBER}


def named(element: ElementTree.Element) -> str:
    return element.tag.replace(SLD, "sld:").replace(OGC, "ogc:")


def check_style(text: str) -> ElementTree.Element:
    """Assert that a style is well formed and built as the standard has it; return its root."""
    root = ElementTree.fromstring(text.encode())
    assert named(root) == "sld:StyledLayerDescriptor"
    assert root.get("version") == "1.0.0"
    _check(root)
    return root


def fields_of(root: ElementTree.Element) -> set[str]:
    """Return the fields that a style's conditions name."""
    return {str(element.text) for element in root.iter(f"{OGC}PropertyName")}


def layer_of(root: ElementTree.Element) -> str:
    """Return the layer that a style is for."""
    return str(root.findtext(f"{SLD}NamedLayer/{SLD}Name"))


def _check(element: ElementTree.Element) -> None:
    name = named(element)
    if name == "sld:CssParameter":
        assert set(element.attrib) == {"name"}
        assert re.fullmatch(PARAMETERS[element.attrib["name"]], element.text or ""), (element.attrib, element.text)
    elif name == "sld:ColorMapEntry":
        assert set(ENTRY) <= set(element.attrib) <= {*ENTRY, *ENTRY_ALSO}
        for key, value in element.attrib.items():
            assert re.fullmatch({**ENTRY, **ENTRY_ALSO}[key], value), (key, value)
    elif name in TEXTS:
        assert not len(element)
        assert re.fullmatch(TEXTS[name], element.text or ""), (name, element.text)
    elif name == "ogc:And":
        assert len(element) >= 2
    else:
        _check_children(element, CHILDREN[name])
    if name not in ("sld:StyledLayerDescriptor", "sld:CssParameter", "sld:ColorMapEntry"):
        assert not element.attrib, name
    for child in element:
        _check(child)


def _check_children(element: ElementTree.Element, allowed: list[tuple[str, int, int]]) -> None:
    found = [named(child) for child in element]
    assert set(found) <= {name for name, _, _ in allowed}, (named(element), found)
    order = [[name for name, _, _ in allowed].index(name) for name in found]
    assert order == sorted(order), (named(element), found)
    for name, least, most in allowed:
        assert least <= found.count(name) <= most, (named(element), name)
