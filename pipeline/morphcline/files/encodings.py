"""The bytes of a text file become text, or one sentence."""

from __future__ import annotations

import re

from morphcline.errors import Problem, SourceError

_ACCEPTED = "utf-8, utf-16, cp1252 or latin-1, say"
#: Half a character, which some encodings let through and no file can hold.
_HALF = re.compile("[\ud800-\udfff]")


def decode(data: bytes, shown: str, encoding: str, *, named_in: str = "[records] encoding") -> str:
    """Return the text of some bytes.

    Parameters
    ----------
    data : bytes
    shown : str
        The file as messages name it.
    encoding : str
    named_in : str
        Where the encoding is named.

    Raises
    ------
    SourceError
        When there is no such encoding of texts, or the bytes aren't text in it.
    """
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        row = _row(data[: error.start].decode("latin-1"))
        raise SourceError(_not_text(shown, f"row {row}, byte {error.start}", encoding, named_in)) from error
    except (LookupError, ValueError) as error:  # ValueError: of codecs that aren't meant for files
        raise SourceError(Problem(shown, named_in, f"found {encoding!r}", _ACCEPTED)) from error
    half = _HALF.search(text)
    if half is not None:
        raise SourceError(_not_text(shown, f"row {_row(text[: half.start()])}", encoding, named_in))
    return text.removeprefix("\ufeff")


def refuse_zero_bytes(text: str, shown: str) -> None:
    """Refuse a text with the character NUL: no program writes it, and what follows it may be lost or misplaced."""
    at = text.find("\0")
    if at >= 0:
        raise SourceError(
            Problem(
                shown,
                f"row {_row(text[:at])}",
                "there is a character NUL, as in files that are damaged or aren't text",
                "take a sound copy of the file; if it is UTF-16, name that in [records] encoding",
            )
        )


def _row(before: str) -> int:
    return before.count("\n") + before.count("\r") - before.count("\r\n") + 1


def _not_text(shown: str, where: str, encoding: str, named_in: str) -> Problem:
    accepted = f"save the file as UTF-8, or name its encoding in {named_in}"
    return Problem(shown, where, f"this is not {encoding} text", accepted)
