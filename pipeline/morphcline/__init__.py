"""Turn a banded-snail survey into maps of morph clines.

The names promised to other programs are :func:`load_study`, :func:`check` and :func:`run`; everything else may move
between versions. They are imported when first asked for, so that ``import morphcline`` stays light.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from morphcline.checking import check
    from morphcline.runner import RunResult, run
    from morphcline.study import Study, load_study

__version__ = "0.1.0"
__all__ = ["RunResult", "Study", "__version__", "check", "load_study", "run"]

_HOMES = {
    "load_study": "morphcline.study",
    "Study": "morphcline.study",
    "check": "morphcline.checking",
    "run": "morphcline.runner",
    "RunResult": "morphcline.runner",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'morphcline' has no attribute {name!r}")
