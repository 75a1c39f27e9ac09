"""The settings in force, defaults included, as plain values that are the same on every machine."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from morphcline.study.load import Study


def settings_in_force(study: Study, sections: tuple[str, ...] | None = None) -> dict[str, Any]:
    """Return the settings, defaults included, as plain values; paths count from the study file's folder.

    Parameters
    ----------
    study : Study
    sections : tuple of str, optional
        Only these; ``"publish.blur_m"`` is one key of a section.

    Notes
    -----
    The names of sensitive sites give way to their number and a short digest: the settings stand in ``run.json``.
    """
    plain = study.model_dump(mode="python", include=None if sections is None else _include(sections))
    plain.pop("file", None)
    for rule in plain.get("publish", {}).get("sensitive") or ():
        rule["sites"] = _numbered(rule["sites"])
    settings: dict[str, Any] = _plain(plain, study)
    return settings


def _numbered(names: Sequence[str]) -> str:
    """Return what tells that names were changed, and not what they are: they may be addresses."""
    digest = hashlib.sha256("\n".join(names).encode()).hexdigest()
    return f"{len(names)} names, {digest[:5]}" if names else ""


def _include(sections: tuple[str, ...]) -> dict[str, Any]:
    """Return what pydantic is to include: True for a whole section, the keys' names for a part of one."""
    include: dict[str, Any] = {}
    for name in sections:
        section, _, key = name.partition(".")
        if not key:
            include[section] = True
        elif include.get(section) is not True:
            include.setdefault(section, set()).add(key)
    return include


def _plain(value: Any, study: Study) -> Any:
    if isinstance(value, Path):
        return source_key(study, value)
    if isinstance(value, Mapping):
        return {str(key): _plain(item, study) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item, study) for item in value]
    return value


def source_key(study: Study, path: Path) -> str:
    """Name a user's file relative to the study file, the same on every machine."""
    try:
        return Path(os.path.relpath(path, study.file.parent)).as_posix()
    except ValueError:  # another drive on Windows
        return path.as_posix()
