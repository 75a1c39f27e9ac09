"""Imports point one way, and the start stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import morphcline

HOME = Path(morphcline.__file__).parent

#: Each layer may import the layers named; its own always.
MAY_IMPORT = {
    "errors": set(),
    "language": {"errors"},
    "scoring": {"errors", "language", "study"},
    "places": {"errors", "language", "study"},
    "stats": {"errors"},
    "study": {"errors", "language"},
    "workers": {"errors"},
    "records": {"errors", "language", "scoring", "places", "study", "stats"},
    "files": {"errors", "language", "scoring", "places", "study", "records"},
    "render": {"errors", "language", "scoring", "places", "study", "files", "records"},
    "stages": {"errors", "language", "scoring", "places", "stats", "study", "records", "files", "render", "workers"},
    "provenance": {"errors", "language", "study", "files"},
    "runner": {"errors", "language", "study", "scoring", "files", "places", "stages", "workers", "provenance"},
    "checking": {"errors", "study", "workers", "files", "places", "stages", "runner"},
    "planner": {
        "errors",
        "language",
        "study",
        "scoring",
        "places",
        "stats",
        "records",
        "files",
        "render",
        "stages",
        "provenance",
        "runner",
        "readiness",
    },
    "readiness": {"errors", "study", "provenance", "runner"},
    "exporter": {
        "errors",
        "study",
        "scoring",
        "places",
        "records",
        "files",
        "stages",
        "provenance",
        "runner",
        "readiness",
    },
    "progress": {"errors", "language", "runner"},
    "catalogue": {"errors", "language", "files", "__init__"},
    "noting": {
        "errors",
        "language",
        "study",
        "scoring",
        "records",
        "files",
        "render",
        "provenance",
        "runner",
    },
    "cli": {
        "errors",
        "language",
        "study",
        "stages",
        "runner",
        "checking",
        "planner",
        "noting",
        "exporter",
        "catalogue",
        "workers",
        "progress",
    },
    "__main__": {"cli"},
    "__init__": {"study", "runner", "checking"},
}
MODULES = sorted(HOME.rglob("*.py"))


def layer_of(path: Path) -> str:
    return path.relative_to(HOME).parts[0].removesuffix(".py")


def imported_layers(path: Path) -> set[str]:
    layers = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "morphcline" and len(parts) > 1 and parts[1] != "__version__":
                layers.add(parts[1])
    return layers


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(HOME).as_posix())
def test_imports_point_one_way(path: Path) -> None:
    layer = layer_of(path)
    assert imported_layers(path) <= MAY_IMPORT[layer] | {layer}


@pytest.mark.parametrize(
    "path",
    [path for path in MODULES if layer_of(path) == "stats"],
    ids=lambda path: path.relative_to(HOME).as_posix(),
)
def test_stats_know_no_frames_files_or_plots(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    roots = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            roots |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            roots.add(node.module.split(".")[0])
    assert not roots & {"pandas", "geopandas", "rasterio", "matplotlib", "folium", "pathlib", "logging", "os"}


def test_a_module_stays_within_some_400_lines() -> None:
    long = {path.name: n for path in MODULES if (n := len(path.read_text(encoding="utf-8").splitlines())) > 480}
    assert not long


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; from morphcline.cli import cli\n"
        "try: cli(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'geopandas', 'sklearn', 'matplotlib', 'folium', 'rasterio', 'pydantic'}\n"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Usage" in done.stdout
