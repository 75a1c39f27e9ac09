"""The settings in force, defaults included, as plain values that are the same on every machine."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from morphcline.study.load import Study


def settings_in_force(study: Study, sections: tuple[str, ...] | None = None) -> dict[str, Any]:
    """Return the settings, defaults included, as plain values; paths count from the study file's folder.

    Parameters
    ----------
    study : Study
    sections : tuple of str, optional
        Only these.
    """
    plain = study.model_dump(mode="python", include=set(sections) if sections is not None else None)
    plain.pop("file", None)
    settings: dict[str, Any] = _plain(plain, study)
    return settings


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
