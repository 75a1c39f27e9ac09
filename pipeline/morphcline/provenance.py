"""What a run rested on and what it made: digests, settings in force, versions; the record kept in ``run.json``."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from morphcline.files.atomic import write_text
from morphcline.language import kept, restored

RUN_FILE = "run.json"

#: What the record holds of each stage that has run.
_ENTRY = {
    "finished", "seconds", "because", "code", "sections", "settings", "sources", "reads", "accounts", "outputs",
    "columns", "account",
}  # fmt: skip

#: Files that belong to a named file and change what is read from it.
_COMPANIONS = (".shx", ".dbf", ".prj", ".cpg", ".tfw", ".tifw", ".aux.xml", ".ovr")

_PACKAGES = (
    "numpy", "scipy", "pandas", "pyarrow", "openpyxl", "geopandas", "pyogrio", "shapely", "pyproj", "rasterio",
    "exactextract", "scikit-learn", "joblib", "matplotlib", "folium", "jinja2", "pydantic",
)  # fmt: skip

#: Endings of this package's own sources.
_SOURCES = {".py", ".j2", ".css", ".js", ".po"}

#: What only the stages that draw use.
_RENDERING = {"render", "locales"}

# What these hold can't change what a stage writes.
_NOT_SCIENCE = {
    "cli.py", "__main__.py", "progress.py", "template.py", "planner.py", "checking.py", "readiness.py", "exporter.py",
    "noting.py", "catalogue.py",
}  # fmt: skip


def digest_of(path: Path) -> str | None:
    """Return a digest of a file's content and of the companions beside it, or None where there is no file."""
    if not path.is_file():
        return None
    digest = hashlib.blake2b(digest_size=16)
    for part in (path, *_companions(path)):
        digest.update(part.suffix.encode())
        with part.open("rb") as file:
            while chunk := file.read(1 << 20):
                digest.update(chunk)
    return digest.hexdigest()


def _companions(path: Path) -> list[Path]:
    beside = [path.with_suffix(suffix) for suffix in _COMPANIONS] + [
        Path(f"{path}.aux.xml"),
        Path(f"{path}.ovr"),
    ]
    return sorted({companion for companion in beside if companion != path and companion.is_file()})


@cache
def code_digest(*, with_render: bool) -> str:
    """Return a digest of this package's own sources; ``render`` counts only for the stages that draw."""
    home = Path(__file__).parent
    digest = hashlib.blake2b(digest_size=16)
    for path in sorted(home.rglob("*")):
        name = path.relative_to(home)
        if path.suffix not in _SOURCES or name.name in _NOT_SCIENCE:
            continue
        if name.parts[0] in _RENDERING and not with_render:
            continue
        digest.update(name.as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """Return the versions of this package and of those that do its arithmetic."""
    from morphcline import __version__

    found = {"morphcline": __version__}
    for package in _PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "absent"
    return found


def read_run(folder: Path) -> dict[str, Any]:
    """Return the record of earlier runs in an output folder; empty when there is none that can be read.

    What another version wrote in another shape, or a damaged file, counts as not having run.
    """
    try:
        record = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(record, dict):
        return {}
    stages = record.get("stages")
    whole = stages.items() if isinstance(stages, dict) else ()
    return {
        **record,
        "stages": {
            name: {**item, "account": restored(item["account"])}
            for name, item in whole
            if isinstance(item, dict) and item.keys() >= _ENTRY
        },
    }


def write_run(folder: Path, record: Mapping[str, Any]) -> None:
    """Write the record of a run, whole."""
    write_text(folder / RUN_FILE, json.dumps(kept(record), indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def changed_settings(before: Any, now: Any, key: str = "") -> list[str]:
    """Name the settings that differ, with both values: ``[surfaces] cell_m 500.0 -> 250.0``."""
    if isinstance(before, dict) and isinstance(now, dict):
        names = sorted({*before, *now})
        return [
            change
            for name in names
            for change in changed_settings(before.get(name), now.get(name), f"{key}.{name}" if key else name)
        ]
    if before == now:
        return []
    section, _, name = key.rpartition(".")
    label = f"[{section}] {name}" if section else f"[{name}]"
    return [f"{label} {_brief(before)} -> {_brief(now)}"]


def _brief(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."
