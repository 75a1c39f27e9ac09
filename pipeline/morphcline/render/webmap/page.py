"""Put the page together: the map library, the survey's numbers, the choices, the legend, the charts and the tables."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from importlib.resources import files
from typing import Any

import branca.element
import folium
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup, escape

from morphcline.language import _, again, many, spoken, within
from morphcline.render import labels
from morphcline.render.report.templates import in_italics
from morphcline.render.webmap.cells import MOST_SITES
from morphcline.render.webmap.contents import PageData
from morphcline.render.webmap.leaflet import leaflet_script, leaflet_style
from morphcline.render.webmap.legend import legend_parts
from morphcline.render.webmap.messages import group_names, script_messages
from morphcline.render.webmap.payload import survey_payload
from morphcline.render.webmap.plain import as_script_value
from morphcline.render.webmap.statements import regional_rows
from morphcline.scoring import cautions
from morphcline.scoring.species import HORTENSIS, NEMORALIS

#: Nothing may be fetched, whatever slips into the page.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)

#: The page's own script, in the order in which its parts need each other.
SCRIPT = (
    "base", "survey", "state", "marks", "grid", "view", "maps", "card", "search", "table", "chart", "profile",
    "correlogram", "download", "main",
)  # fmt: skip


class OfflineMap(folium.Map):
    """A map that brings its own script and style instead of fetching them."""

    # The parent's lists are shared by all maps and name servers; emptied here for this class alone.
    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - the parent declares it so
    default_css: list[tuple[str, str]] = []  # noqa: RUF012


class SurveyLayers(branca.element.MacroElement):
    """The survey on a map: a call of the page's script, which finds the numbers in the page."""

    _template = Template(
        "{% macro script(this, kwargs) %}\nmorphmap.start({{ this._parent.get_name() }});\n{% endmacro %}"
    )

    def __init__(self) -> None:
        super().__init__()
        self._name = "SurveyLayers"


def render_page(data: PageData) -> str:
    """Return the page as one HTML file that needs no network.

    Parameters
    ----------
    data : PageData

    Returns
    -------
    str
        The same text for the same data and language.
    """
    payload = survey_payload(data)
    payload |= {
        "lang": spoken().tag, "messages": script_messages(), "groupNames": group_names(), "mostSites": MOST_SITES,
        "title": data.title, "confidence": data.wording.confidence,
    }  # fmt: skip
    (south, west), (north, east) = payload["bounds"]
    survey_map = OfflineMap(
        location=[(south + north) / 2, (west + east) / 2], tiles=None, prefer_canvas=True, zoom_control=False
    )
    layers = SurveyLayers()
    survey_map.add_child(layers)
    figure = survey_map.get_root()
    # Identifiers are random by default, and the page must come out the same each time.
    for element, name in ((survey_map, "survey"), (layers, "layers"), (figure, "page")):
        element._id = name
    survey_map.render()
    parts = {
        part: "\n".join(str(child.render()) for child in getattr(figure, part)._children.values())
        for part in ("header", "html", "script")
    }
    head = "".join(
        (
            f'<meta http-equiv="Content-Security-Policy" content="{CONTENT_POLICY}">\n',
            f"<title>{escape(_('{title}: map').format(title=data.title))}</title>\n",
            f"<style>{leaflet_style()}</style>\n",
            f"<style>{_own_file('page.css')}\n{_own_file('print.css')}</style>\n",
            f"<script>{leaflet_script()}</script>\n",
        )
    )
    body = _environment().get_template("page.html.j2").render(_words(data, payload), map=Markup(parts["html"]))
    script = "\n".join(_own_file(f"script/{name}.js") for name in SCRIPT)
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(spoken().tag)}">\n<head>\n'
        f"{_mended_head(parts['header'])}\n{head}</head>\n<body>\n{body}\n"
        f'<script type="application/json" id="survey-numbers">{as_script_value(payload)}</script>\n'
        f"<script>\n{script}\n{parts['script']}\n</script>\n</body>\n</html>\n"
    )


def _shape(bounds: list[list[float]]) -> float:
    """Return how much wider than high the map's frame is: about as what it shows, with some room."""
    (south, west), (north, east) = bounds
    height = math.degrees(math.asinh(math.tan(math.radians(north))) - math.asinh(math.tan(math.radians(south))))
    return round(min(max((east - west) / max(height, 1e-6), 0.8), 1.6), 2)


def _mended_head(head: str) -> str:
    """Let readers zoom: the parent's viewport forbids it, against WCAG 1.4.4."""
    return head.replace(", maximum-scale=1.0, user-scalable=no", "").replace("maximum-scale=1.0, user-scalable=no", "")


def _own_file(name: str) -> str:
    return files("morphcline.render.webmap").joinpath(name).read_text(encoding="utf-8").strip()


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("morphcline", "render/webmap"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update({"_": _, "many": many, "within": within, "again": again})
    return environment


def _words(data: PageData, payload: Mapping[str, Any]) -> dict[str, Any]:
    first = payload["species"][0]["traits"][0] if payload["species"] else None
    withheld = int((data.sites["lon"].isna() | data.sites["lat"].isna()).sum())
    cells = payload["cells"]
    names = dict.fromkeys((*data.frequencies["species"].unique(), NEMORALIS, HORTENSIS))
    return {
        "title": data.title,
        "statement": first["statement"] if first else _("No shells were judged for any trait."),
        "in_italics": partial(in_italics, tuple(names)),
        "legend": legend_parts(),
        "wording": data.wording,
        "shape": _shape(payload["bounds"]),
        "withheld": labels.counted(withheld, "site") if withheld else "",
        "cells": None if cells is None else {
            "side": labels.distance(cells["side"]), "most": labels.number(MOST_SITES),
            "sites": labels.counted(cells["sites"], "site"),
        },
        "region": regional_rows(data),
        "surveys": list(dict.fromkeys(data.change["earlier_survey"])) if cells is None else [],
        "has_centres": bool(data.centres),
        "cautions": [again(text) for text in (*cautions.EVIDENCE, *cautions.FIELDWORK)],
    }  # fmt: skip
