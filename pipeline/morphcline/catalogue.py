"""A catalogue of all messages for a translator: read from the package's sources, written as a gettext ``.po`` file."""

from __future__ import annotations

import ast
from collections.abc import Collection, Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import IO, Any

from babel import Locale, UnknownLocaleError
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import PoFileError, read_po, write_po

from morphcline import __version__
from morphcline.errors import Problem, StudyFileError
from morphcline.files.atomic import whole_file
from morphcline.language import SHIPPED, Language, catalogue_of

_HOME = Path(__file__).parent
#: Where messages stand in a call: both forms of a plural, and the context before its message.
_KEYWORDS = {"_": None, "marked": None, "Said": None, "many": (1, 2), "said_many": (1, 2), "within": ((1, "c"), 2)}
_METHODS = [
    ("**.py", "morphcline.catalogue:literal_messages"),
    ("**.j2", "jinja2.ext:babel_extract"),
]
_HEADER = """\
# Messages of morphcline in LANGUAGE.
#
# Keep the names in braces: numbers and names take their place. Lines with msgctxt say where a short message stands.
# A message left empty is shown in English. In the study file: [publish] language and catalogue = "this file".
#"""


@dataclass(frozen=True)
class Written:
    """What was written.

    Parameters
    ----------
    path : Path
    messages, translated, dropped : int
        In all; with a translation; of an older catalogue and no longer said, kept as comments.
    """

    path: Path
    messages: int
    translated: int
    dropped: int


@lru_cache(maxsize=1)
def extracted() -> Catalog:
    """Return every message of the package, with where it stands."""
    found = Catalog(project="morphcline", version=__version__, charset="utf-8", fuzzy=False)
    for file, line, message, comments, context in extract_from_dir(_HOME, _METHODS, keywords=_KEYWORDS):
        found.add(message, locations=[(Path(file).as_posix(), line)], auto_comments=comments, context=context)
    return found


def literal_messages(
    file: IO[bytes], keywords: Collection[str], comment_tags: Collection[str], options: Mapping[str, Any]
) -> Iterator[tuple[int, str, tuple[str | None, ...], list[str]]]:
    """Yield the messages of a Python source for Babel: what the keywords are called with, where it is a literal.

    Babel's own reader takes every string between the brackets for a message, such as the key in ``_(TITLES["key"])``.
    """
    for node in ast.walk(ast.parse(file.read())):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in keywords):
            continue
        given = tuple(
            argument.value if isinstance(argument, ast.Constant) and isinstance(argument.value, str) else None
            for argument in node.args
        )
        if given and given[0] is not None:
            yield node.lineno, node.func.id, given, []


def write_catalogue(code: str, path: Path) -> Written:
    """Write a catalogue for a language, or bring one up to date.

    Parameters
    ----------
    code : str
        Of the language, such as ``"de"`` or ``"pt_BR"``.
    path : Path
        A file that is a catalogue already keeps its translations; any other file that is there stays as it is.

    Raises
    ------
    StudyFileError
        When the language isn't known, or the file is there and no catalogue.
    """
    language = _known(code)
    catalogue = _read(path, language) if path.exists() else Catalog(locale=language, fuzzy=False)
    catalogue.project, catalogue.version = "morphcline", __version__
    # A guess from a message of like wording would be shown as a translation.
    catalogue.update(deepcopy(extracted()), no_fuzzy_matching=True, update_header_comment=False)
    catalogue.header_comment = _HEADER.replace("LANGUAGE", Locale.parse(language).english_name or language)
    if language in SHIPPED and language != "en":
        _fill(catalogue, catalogue_of(Language(language)))
    content = BytesIO()
    write_po(content, catalogue, width=110)
    with whole_file(path) as temporary:
        temporary.write_bytes(content.getvalue())
    said = [message for message in catalogue if message.id]
    return Written(path, len(said), sum(_is_translated(message.string) for message in said), len(catalogue.obsolete))


def _known(code: str) -> str:
    try:
        return str(Locale.parse(code.replace("-", "_")))
    except (UnknownLocaleError, ValueError) as error:
        problem = Problem(
            "", "--language", f"the language {code!r} is not known", "a code such as de or pt_BR is accepted"
        )
        raise StudyFileError(problem) from error


def _read(path: Path, language: str) -> Catalog:
    try:
        found = read_po(BytesIO(path.read_bytes()), locale=language, abort_invalid=True)
    except (PoFileError, UnicodeDecodeError, ValueError) as error:
        raise _no_catalogue(path, str(error)) from error
    if not any(message.id for message in found) and not found.obsolete:
        raise _no_catalogue(path, "it holds no message")
    return found


def _no_catalogue(path: Path, why: str) -> StudyFileError:
    found = f"this file is there and is no catalogue ({why})"
    return StudyFileError(Problem(path.name, "", found, "give a new name, or a .po file to bring up to date"))


def _fill(catalogue: Catalog, shipped: Catalog) -> None:
    """Put translations that come with the package where the catalogue has none."""
    for message in catalogue:
        if not message.id or _is_translated(message.string):
            continue
        known = shipped.get(message.id if isinstance(message.id, str) else message.id[0], message.context)
        if known is not None:
            message.string = known.string


def _is_translated(string: str | tuple[str, ...] | list[str] | None) -> bool:
    if string is None or isinstance(string, str):
        return bool(string)
    return bool(string) and all(string)
