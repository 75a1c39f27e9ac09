"""Put the page together: the map library, the survey's numbers, the choices, the legend and the table of sites."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import branca.element
import folium
import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup, escape

from morphcline.render.palettes import FADE, LOCAL_GROUPS, Mark, opacity
from morphcline.render.webmap.leaflet import leaflet_script, leaflet_style
from morphcline.render.webmap.overlay import Overlay
from morphcline.render.webmap.payload import as_script_value, palette, survey_payload
from morphcline.scoring import cautions

#: Nothing may be fetched, whatever slips into the page.
CONTENT_POLICY = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:"

_SIZES = (10, 30, 100)


@dataclass(frozen=True)
class PageData:
    """What the page shows.

    Parameters
    ----------
    title, period : str
        ``period`` such as ``"2019 to 2024"``.
    sites : DataFrame
        site, name, lon, lat, habitat, temperature_c: names and places as they may be shown.
    frequencies, local : DataFrame
        ``frequencies.csv`` and ``local.csv``.
    overlays : mapping
        Species and trait to a picture of the surface.
    rings : sequence
        Lines of the study area (closed) and of the backdrop, as (longitude, latitude).
    min_shells, min_total : int
        What makes a sample large enough.
    clusters_note, places_note : str
        Sentences for the legend and below the map.
    confidence : str
        Of the intervals, such as ``"95%"``.
    """

    title: str
    period: str
    sites: pd.DataFrame
    frequencies: pd.DataFrame
    local: pd.DataFrame
    overlays: Mapping[tuple[str, str], Overlay]
    rings: Sequence[Sequence[tuple[float, float]]]
    min_shells: int
    min_total: int
    clusters_note: str
    places_note: str
    confidence: str


class OfflineMap(folium.Map):
    """A map that brings its own script and style instead of fetching them."""

    # The parent's lists are shared by all maps and name servers; emptied here for this class alone.
    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - the parent declares it so
    default_css: list[tuple[str, str]] = []  # noqa: RUF012


class SurveyLayers(branca.element.MacroElement):
    """The survey on a map: one compact value and the script that draws it."""

    _template = Template(
        "{% macro script(this, kwargs) %}\n"
        "{{ this.code }}\n"
        "showSurvey({{ this._parent.get_name() }}, {{ this.value }});\n"
        "{% endmacro %}"
    )

    def __init__(self, value: str, code: str) -> None:
        super().__init__()
        self._name = "SurveyLayers"
        self.value = value
        self.code = code


def render_page(data: PageData) -> str:
    """Return the page as one HTML file that needs no network.

    Parameters
    ----------
    data : PageData

    Returns
    -------
    str
        The same text for the same data.
    """
    south, west, north, east = _bounds(data)
    payload = survey_payload(data.sites, data.frequencies, data.local, data.overlays, data.rings)
    payload |= {"period": data.period, "bounds": [[south, west], [north, east]]}

    survey_map = OfflineMap(location=[(south + north) / 2, (west + east) / 2], tiles=None, prefer_canvas=True)
    layers = SurveyLayers(as_script_value(payload), _own_file("page.js"))
    survey_map.add_child(layers)
    figure = survey_map.get_root()
    # Identifiers are random by default, and the page must come out the same each time.
    for element, name in ((survey_map, "survey"), (layers, "layers"), (figure, "page")):
        element._id = name
    head = "".join(
        (
            f'<meta http-equiv="Content-Security-Policy" content="{CONTENT_POLICY}">\n',
            f"<title>{escape(data.title)}: map</title>\n",
            f"<style>{leaflet_style()}</style>\n",
            f"<style>{_own_file('page.css')}</style>\n",
            f"<script>{leaflet_script()}</script>\n",
        )
    )
    survey_map.render()
    parts = {
        part: "\n".join(str(child.render()) for child in getattr(figure, part)._children.values())
        for part in ("header", "html", "script")
    }
    body = _environment().get_template("page.html.j2").render(_words(data), map=Markup(parts["html"]))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n'
        f"{_mended_head(parts['header'])}\n{head}</head>\n<body>\n{body}\n"
        f"<script>\n{parts['script']}\n</script>\n</body>\n</html>\n"
    )


def _bounds(data: PageData) -> tuple[float, float, float, float]:
    """Return the limits of all that is drawn: sites, outline and surfaces."""
    points = [(row.lat, row.lon) for row in data.sites.itertuples()]
    points += [(latitude, longitude) for ring in data.rings for longitude, latitude in ring]
    for overlay in data.overlays.values():
        points += [(overlay.south, overlay.west), (overlay.north, overlay.east)]
    latitudes, longitudes = zip(*points, strict=True)
    return float(min(latitudes)), float(min(longitudes)), float(max(latitudes)), float(max(longitudes))


def _mended_head(head: str) -> str:
    """Let readers zoom: the parent's viewport forbids it, against WCAG 1.4.4."""
    return head.replace(", maximum-scale=1.0, user-scalable=no", "").replace("maximum-scale=1.0, user-scalable=no", "")


def _own_file(name: str) -> str:
    return files("morphcline.render.webmap").joinpath(name).read_text(encoding="utf-8").strip()


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("morphcline", "render/webmap"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _words(data: PageData) -> dict[str, Any]:
    return {
        "title": data.title,
        "palette": palette(),
        "grades": _grades(),
        "sizes": [{"shells": shells, "radius": round(_radius(shells), 1)} for shells in _SIZES],
        "groups": [{"label": mark.label, "svg": Markup(_shape(mark))} for mark in LOCAL_GROUPS.values()],
        "min_shells": data.min_shells,
        "min_total": data.min_total,
        "clusters_note": data.clusters_note,
        "places_note": data.places_note,
        "confidence": data.confidence,
        "cautions": (*cautions.EVIDENCE, *cautions.FIELDWORK),
    }


def _grades() -> list[dict[str, Any]]:
    """Return samples of the fade: as full as it gets, in between, as pale as it gets."""
    errors = (FADE[0], sum(FADE) / 2, FADE[1])
    words = (f"{100 * errors[0]:.0f} points or less", f"{100 * errors[1]:.0f} points", f"{100 * errors[2]:.0f} or more")
    return [
        {"opacity": round(value, 2), "label": label}
        for value, label in zip(opacity(errors).tolist(), words, strict=True)
    ]


def _radius(shells: int) -> float:
    """Give a site's radius in pixels; the script draws it by the same rule."""
    return float(min(3 + shells**0.5 * 0.75, 13))


def _shape(mark: Mark) -> str:
    radius = mark.size * 1.25
    paint = f'fill="{mark.fill}" stroke="{mark.edge}"'
    if mark.marker == "o":
        return f'<circle cx="14" cy="10" r="{radius:g}" {paint}/>'
    left, right, top, bottom = 14 - radius, 14 + radius, 10 - radius, 10 + radius
    corners = {
        "s": [(left, top), (right, top), (right, bottom), (left, bottom)],
        "^": [(14, top), (right, bottom), (left, bottom)],
        "v": [(14, bottom), (right, top), (left, top)],
    }[mark.marker]
    return f'<polygon points="{" ".join(f"{x:g},{y:g}" for x, y in corners)}" {paint}/>'
