"""The layers of the stages of surfaces and clines: their names, fields and what each field holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd

from morphcline.errors import SourceError
from morphcline.files.geopackage import Layer
from morphcline.files.vectors import read_shapes

_KEY = {"species": "species, by its full name", "trait": "trait"}
_CENTRES = {
    **_KEY,
    "model": "model of the cline",
    "line": "straight, or curved where surveys drawn from a straight line seldom gain as much by a bend",
    "level": "confidence of the band round the line",
    "p_curved": "p-value of a straight line against a bent one",
    "sites": "sites with at least one shell judged",
}


@dataclass(frozen=True)
class Described:
    """A layer before its features are known."""

    name: str
    kind: str
    title: str
    description: str
    fields: Mapping[str, str]
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def of(self, features: gpd.GeoDataFrame) -> Layer:
        """Return the layer with its features."""
        return Layer(self.name, self.kind, self.title, self.description, features, self.fields, words=self.words)


def read_layers(path: Path, layers: Sequence[Described], crs: str) -> list[Layer]:
    """Return layers of a file that this package wrote; one without features comes back empty."""
    found = []
    for layer in layers:
        try:
            features = read_shapes(path, crs, layer=layer.name)
        except SourceError:  # it holds no shape
            features = gpd.GeoDataFrame({name: [] for name in layer.fields}, geometry=[], crs=crs)
        found.append(layer.of(features))
    return found


LINES = Described(
    "centre_lines",
    "MultiLineString",
    "Centres of clines",
    "Line on which a trait's frequency is halfway between the two ends of its cline, within the study area.",
    _CENTRES,
)
BANDS = Described(
    "centre_bands",
    "MultiPolygon",
    "Bands round the centres of clines",
    "Band that holds the centre line with the confidence of the field level, pointwise on average along the line.",
    _CENTRES,
)
CONTOURS = Described(
    "contours",
    "MultiLineString",
    "Lines of equal frequency",
    "Lines on which a trait's smoothed frequency has one value.",
    {**_KEY, "level": "frequency along the line, 0 to 1", "length_m": "length in metres"},
)
ZONES = Described(
    "steep_zones",
    "MultiPolygon",
    "Steep zones",
    "Cells in which a trait's smoothed frequency is steeper than chance: pattern, not proof of a barrier.",
    {
        **_KEY,
        "steeper_than": "what it is steeper than",
        "area_km2": "area in square kilometres",
    },
    {
        "steeper_than": {
            "samples placed at random": "steeper than samples placed at random allow",
            "an even slope over the region": "steeper than an even slope over the region allows, too",
        }
    },
)
