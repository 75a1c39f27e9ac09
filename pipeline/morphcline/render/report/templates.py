"""Fill a template of this folder: one self-contained HTML page, with its style inside."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from typing import Any

from markupsafe import Markup, escape

from morphcline.language import _, again, many, spoken, within


def fill(template: str, *, filters: Mapping[str, Callable[..., Any]] | None = None, **values: Any) -> str:
    """Return a page made from a template, which says its texts with ``_``, ``many``, ``within`` and ``again``.

    Parameters
    ----------
    template : str
        Name of the file.
    filters : mapping, optional
        Further filters, by name.
    **values
        What the template names; a name without a value is an error. ``tag`` is the language, for ``<html lang>``.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("morphcline", "render/report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update({"_": _, "many": many, "within": within, "again": again, "tag": spoken().tag})
    environment.filters.update(filters or {})
    style = files("morphcline.render.report").joinpath("report.css").read_text(encoding="utf-8")
    return environment.get_template(template).render(style=style, **values).rstrip() + "\n"


def in_italics(names: Sequence[str], text: str) -> Markup:
    """Escape a text and set the species' names in it in italics."""
    marked = str(escape(text))
    for name in names:
        marked = marked.replace(str(escape(name)), f"<i>{escape(name)}</i>")
    return Markup(marked)


def of_css(text: str) -> Markup:
    """Return a text as a string of a style sheet that stands within a page."""
    plain = "".join(mark if mark.isalnum() or mark in " .,:;-" else f"\\{ord(mark):x} " for mark in text)
    return Markup(f'"{plain}"')
