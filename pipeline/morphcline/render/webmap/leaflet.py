"""The map library's own script and style, taken from an installed package and put into the page whole.

The page must open without a network and years later, so nothing in it may be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.resources import files
from importlib.resources.abc import Traversable

from morphcline.errors import MorphclineError

#: SHA-256 of Leaflet 1.9.4 as its authors published it; another content is refused.
_SCRIPT_SHA256 = "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a"
_STYLE_SHA256 = "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6"

_URL = re.compile(r"url\(([^)]+)\)")


def leaflet_script() -> str:
    """Return the script, with its licence notice.

    Raises
    ------
    MorphclineError
        When the installed file isn't the one that was examined.
    """
    text = _examined("leaflet.js", _SCRIPT_SHA256)
    text = re.sub(r"\n?//# sourceMappingURL=\S+", "", text)
    if "</script" in text.lower():
        raise MorphclineError("the map library's script can't be put into a page: it holds an end tag")
    return text.strip()


def leaflet_style() -> str:
    """Return the style sheet, each picture it names put into it.

    Raises
    ------
    MorphclineError
        When the installed file isn't the one that was examined.
    """
    return _URL.sub(_as_data, _examined("leaflet.css", _STYLE_SHA256)).strip()


def _folder() -> Traversable:
    return files("js_lib_leaflet") / "static" / "js_lib_leaflet"


def _examined(name: str, sha256: str) -> str:
    content = (_folder() / name).read_bytes()
    if hashlib.sha256(content).hexdigest() != sha256:
        raise MorphclineError(
            f"{name} of the installed map library is not the version this package was made for; reinstall morphcline"
        )
    return content.decode("utf-8")


def _as_data(match: re.Match[str]) -> str:
    name = match.group(1).strip("'\"")
    if name.startswith(("data:", "#")):
        return match.group(0)
    content = (_folder() / name).read_bytes()
    return f"url(data:image/png;base64,{base64.b64encode(content).decode()})"
