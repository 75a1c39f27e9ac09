"""Settings as strangers may read them: files by their names alone, and nothing that tells what is kept private."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from morphcline.study.load import Study

#: Sections whose settings change results.
_WHOLE = ("scoring", "habitat", "temperature", "surfaces", "steepness", "autocorrelation", "clines", "change")
#: Keys of others that may be told: which places are sensitive, for one, may not.
_KEYS: Mapping[str, tuple[str, ...]] = {"study": ("crs", "seed"), "publish": ("blur_m", "names")}


def told_settings(study: Study, recorded: Mapping[str, Any]) -> dict[str, str | float | bool]:
    """Return the settings of a run that may be told, ``"[surfaces] cell_m"`` to value; tables and lists as JSON.

    Parameters
    ----------
    study : Study
        Tells which settings name files.
    recorded : mapping
        Section to key to plain value, as kept in the record of the run.
    """
    paths = set(_paths(study))
    settings: dict[str, str | float | bool] = {}
    for section in ("study", *_WHOLE, "publish"):
        values = recorded.get(section)
        for key, value in values.items() if isinstance(values, dict) else ():
            if value is None or key not in _KEYS.get(section, (key,)):
                continue
            if f"{section}.{key}" in paths:
                value = [_name(one) for one in value] if isinstance(value, list) else _name(value)
            plain = isinstance(value, str | int | float)
            settings[f"[{section}] {key}"] = value if plain else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return settings


def _name(path: object) -> str:
    return str(path).replace("\\", "/").rsplit("/", 1)[-1]


def _paths(section: BaseModel, above: str = "") -> Iterator[str]:
    """Yield the keys that hold paths."""
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, BaseModel):
            yield from _paths(value, f"{above}{name}.")
        elif isinstance(value, Path) or (isinstance(value, tuple) and any(isinstance(one, Path) for one in value)):
            yield f"{above}{name}"
