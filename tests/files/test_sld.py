"""Styles by hand, and against the structure that the standard has."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from morphcline.files.sld import Colour, Condition, Rule, Symbol, colour_text, raster_style, vector_style
from sld_structure import OGC, SLD, check_style, fields_of, layer_of

RULES = [
    Rule("none seen", Symbol(stroke="#666666", size=5), (Condition("yellow_frequency", "missing"),)),
    Rule(
        "0 to 50 %",
        Symbol(fill="#00224D", stroke="#1A1A1A", mark="triangle", rotation=180.0, opacity=0.5),
        (Condition("yellow_frequency", "at least", 0.0), Condition("yellow_frequency", "below", 0.5)),
    ),
    Rule("in woods & hedges", Symbol(fill="#FFFFFF"), (Condition("habitat", "is", "woodland <old>"),)),
    Rule("known", Symbol(fill="#FFFFFF"), (Condition("habitat", "known"),)),
]


@pytest.mark.parametrize("kind", ["Point", "Line", "Polygon"])
def test_a_style_of_a_layer_is_built_as_the_standard_has_it(kind: str) -> None:
    root = check_style(vector_style("sites", kind, "Sites", RULES, about="What they are"))  # type: ignore[arg-type]
    assert layer_of(root) == "sites"
    assert fields_of(root) == {"yellow_frequency", "habitat"}
    assert [rule.findtext(f"{SLD}Title") for rule in root.iter(f"{SLD}Rule")] == [rule.title for rule in RULES]
    assert len(list(root.iter(f"{SLD}{kind}Symbolizer"))) == len(RULES)


def test_conditions_are_those_asked_for() -> None:
    root = ElementTree.fromstring(vector_style("sites", "Point", "Sites", RULES))
    missing, between, equal, known = (rule.find(f"{OGC}Filter") for rule in root.iter(f"{SLD}Rule"))
    assert missing is not None
    assert [child.tag for child in missing] == [f"{OGC}PropertyIsNull"]
    assert between is not None
    both = between.find(f"{OGC}And")
    assert both is not None
    assert [(child.tag.removeprefix(OGC), child.findtext(f"{OGC}Literal")) for child in both] == [
        ("PropertyIsGreaterThanOrEqualTo", "0"),
        ("PropertyIsLessThan", "0.5"),
    ]
    assert equal is not None
    assert equal.findtext(f"{OGC}PropertyIsEqualTo/{OGC}Literal") == "woodland <old>"
    assert known is not None
    assert known.findtext(f"{OGC}Not/{OGC}PropertyIsNull/{OGC}PropertyName") == "habitat"


def test_a_symbol_without_a_fill_is_hollow() -> None:
    root = ElementTree.fromstring(vector_style("sites", "Point", "Sites", RULES))
    marks = list(root.iter(f"{SLD}Mark"))
    assert marks[0].find(f"{SLD}Fill") is None
    assert marks[0].find(f"{SLD}Stroke") is not None
    assert marks[1].findtext(f"{SLD}WellKnownName") == "triangle"
    assert {p.get("name"): p.text for p in marks[1].iter(f"{SLD}CssParameter")} == {
        "fill": "#00224D", "fill-opacity": "0.5", "stroke": "#1A1A1A", "stroke-width": "0.5",
    }  # fmt: skip


def test_a_style_of_a_raster_picks_its_band_and_maps_values_to_colours() -> None:
    ramp = [Colour(0.0, "#00224D", "0 %"), Colour(0.5, "#7C7B78"), Colour(1.0, "#FDE737", "100 %")]
    root = check_style(raster_style("cepaea-nemoralis", 4, "pink: frequency", ramp))
    assert root.findtext(f".//{SLD}GrayChannel/{SLD}SourceChannelName") == "4"
    entries = [(e.get("quantity"), e.get("color"), e.get("label")) for e in root.iter(f"{SLD}ColorMapEntry")]
    assert entries == [("0", "#00224D", "0 %"), ("0.5", "#7C7B78", None), ("1", "#FDE737", "100 %")]


def test_a_plain_table_of_colours_has_a_line_a_value_and_one_for_no_data() -> None:
    text = colour_text([Colour(0.0, "#00224D"), Colour(0.25, "#FF8000")])
    assert text == "nv 0 0 0 0\n0 0 34 77 255\n0.25 255 128 0 255\n"


def test_the_check_of_structure_finds_what_is_out_of_place() -> None:
    good = vector_style("sites", "Point", "Sites", RULES)
    for wrong, instead in (
        ("<Title>Sites</Title>\n      <IsDefault>1</IsDefault>", "<IsDefault>1</IsDefault><Title>Sites</Title>"),
        ("<WellKnownName>circle", "<WellKnownName>blob"),
        ("#00224D", "navy"),
    ):
        assert wrong in good
        with pytest.raises(AssertionError):
            check_style(good.replace(wrong, instead))
    with pytest.raises(ElementTree.ParseError):
        check_style(good.replace("</NamedLayer>", ""))
