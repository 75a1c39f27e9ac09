"""XML of strangers: nothing of it is looked up outside itself, and no part of it is multiplied."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable
from functools import partial
from xml.etree import ElementTree as Xml
from xml.parsers import expat

from morphcline.errors import Problem, SourceError

_CHUNK = 1 << 16


class _Started(Exception):  # noqa: N818 - the first element has come: no mistake
    pass


def parse_xml(data: bytes, shown: str) -> Xml.Element:
    """Return the root of a document.

    Raises
    ------
    SourceError
        When it isn't XML, or declares a document type: entities would come from there.
    """
    _refuse_types([data], shown)
    try:
        return Xml.fromstring(data)
    except (Xml.ParseError, LookupError, ValueError) as error:  # the latter two: of the encoding it names
        raise SourceError(Problem(shown, "", f"this is not XML: {error}", "mend the line named")) from error


def check_parts(archive: zipfile.ZipFile, shown: str) -> None:
    """Refuse an archive a part of which declares a document type; damaged parts are left to who reads them."""
    for entry in archive.infolist():
        if entry.filename.endswith((".xml", ".rels")):
            with archive.open(entry) as part:
                _refuse_types(iter(partial(part.read, _CHUNK), b""), f"{shown}#{entry.filename}")


def _refuse_types(chunks: Iterable[bytes], shown: str) -> None:
    """Refuse a document type, which can only stand before the first element: no more than that is looked at."""
    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = partial(_refuse, shown)
    parser.StartElementHandler = _stop
    try:
        for chunk in chunks:
            parser.Parse(chunk, False)
    except (_Started, expat.ExpatError, LookupError, ValueError):
        return  # it has begun, or is no XML: whoever reads it says so


def _refuse(shown: str, *_: object) -> None:
    problem = Problem(shown, "", "it declares a document type, and may ask for other files by it", "plain XML")
    raise SourceError(problem)


def _stop(*_: object) -> None:
    raise _Started
