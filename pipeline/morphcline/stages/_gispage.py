"""The page that says which layers and styles there are, and what every field holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from morphcline.files.geopackage import Layer
from morphcline.stages._gisstyles import FOLDER, Style


def layers_page(
    title: str, files: Mapping[str, Sequence[Layer]], styles: Sequence[Style], tables: Iterable[str]
) -> str:
    """Return a page in Markdown.

    Parameters
    ----------
    title : str
        Of the study.
    files : mapping
        File to its layers.
    styles : sequence of Style
    tables : iterable of str
        Plain tables of colours, by their names from the output folder.
    """
    lines = [f"# Layers and styles: {title}", ""]
    lines += [
        "Names of layers and fields stay the same from version to version. What a field holds stands in the files, "
        "too, where a GIS shows it beside the field. An empty field is not known, never zero.", "",
    ]  # fmt: skip
    for file, layers in files.items():
        lines += [f"## {file}", ""]
        for layer in layers:
            lines += [
                f"### {layer.name}",
                "",
                f"{layer.title}. {layer.description}",
                "",
                "| field | holds |",
                "|---|---|",
            ]
            lines += [f"| `{name}` | {text} |" for name, text in layer.fields.items()]
            lines.append("")
    lines += [
        "## Styles", "",
        "Styled Layer Descriptors (SLD 1.0.0, OGC 02-070) in the colours and marks of the figures: load one for the "
        "layer or band named. A style with a species and a trait in its name shows the features of these alone. "
        "Colours of frequencies run from 0 to 100 % on every map, so that maps compare.", "",
        "| style | for | layer or band |", "|---|---|---|",
        *(f"| `{_within(style.name)}` | `{style.of}` | {style.part} |" for style in styles), "",
        "Plain tables of colours (value, red, green, blue, opacity), for tools that read no SLD:", "",
        *(f"- `{_within(name)}`" for name in tables), "",
    ]  # fmt: skip
    return "\n".join(lines)


def _within(name: str) -> str:
    return name.removeprefix(f"{FOLDER}/")
