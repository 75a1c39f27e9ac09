"""Search everything that a run made for the public for what it must not hold."""

from __future__ import annotations

import base64
import io
import re
import struct
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pypdf

# Tried at the start of a run of its characters alone, and as long as an address may be: packed images are long runs.
E_MAIL = re.compile(rb"(?<![A-Za-z0-9._%+-])[A-Za-z0-9._%+-]{1,64}@[A-Za-z0-9-]+\.[A-Za-z]{2,}")
_NUMBER = re.compile(rb"(?<![0-9.])-?[0-9][0-9.]{3,}")
#: Files that hold no binary numbers.
_TEXT = (".csv", ".html", ".json", ".svg", ".txt", ".md", ".sld", ".xml", ".png", ".png)", "(text)", "(metadata)")
#: Numbers in drawings are positions on the sheet: only a coordinate with all its decimals is told from one.
_DRAWN = {".svg", ".pdf"}


def public_files(folder: Path) -> list[Path]:
    """Return every file of an output folder that doesn't lie in ``private``."""
    return sorted(
        path for path in folder.rglob("*") if path.is_file() and path.relative_to(folder).parts[0] != "private"
    )


def pieces(name: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield a file's bytes, and those that stand in it compressed or encoded."""
    yield name, data
    if name.endswith(".zip"):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for member in archive.namelist():
                yield from pieces(f"{name}/{member}", archive.read(member))
    if name.endswith(".pdf"):
        reader = pypdf.PdfReader(io.BytesIO(data))
        yield f"{name} (text)", "\n".join(page.extract_text() for page in reader.pages).encode()
        yield f"{name} (metadata)", repr(reader.metadata).encode()
    if name.endswith((".html", ".svg")):
        for kind, text in re.findall(rb"data:(image/[a-z+]+|text/[a-z]+);base64,([A-Za-z0-9+/=]+)", data):
            ending = ".svg" if b"svg" in kind else ".png"
            yield from pieces(f"{name} ({ending})", base64.b64decode(text))


def leaks(
    folder: Path,
    places: Sequence[tuple[float, float]],
    texts: Sequence[str],
    *,
    allowed: Sequence[str] = (),
    many: bool = False,
) -> list[str]:
    """Say where a coordinate, a text or an e-mail address stands in a public file.

    Parameters
    ----------
    folder : Path
    places : sequence of (first, second)
        Exact coordinates, as recorded, in whatever CRS.
    texts : sequence of str
        Names, notes and the like, to be found whatever their capitals.
    allowed : sequence of str
        Addresses that may stand there.
    many : bool
        Among so many places that a number is like one's coordinate by chance: then one coordinate counts with a digit
        more, or when the other stands in the same file.
    """
    found = []
    coordinates = {value for place in places for value in place}
    packed = [(value, struct.pack(order, value)) for value in coordinates for order in ("<d", ">d")]
    short = {text for value in coordinates for text in _digits(value, int(many))}
    both = [tuple(_digits(value) for value in place) for place in places] if many else []
    halves = {text for place in both for texts_of in place for text in texts_of}
    whole = {f"{value:.6f}" if abs(value) < 1000 else f"{value:.6f}".rstrip("0") for value in coordinates if value % 1}
    for path in public_files(folder):
        name = path.relative_to(folder).as_posix()
        for piece, data in pieces(name, path.read_bytes()):
            drawn = any(ending in piece for ending in _DRAWN)
            found += [f"{piece}: the coordinate {number}" for number in _told(data, whole if drawn else short)]
            if both and not drawn:
                here = set(_told(data, halves))
                found += [f"{piece}: the place {place}" for place in both if all(here & texts_of for texts_of in place)]
            if not piece.endswith(_TEXT):
                found += [
                    f"{piece}: the coordinate {value} as a binary number" for value, bits in packed if bits in data
                ]
            lower = data.lower()
            found += [f"{piece}: the text {text!r}" for text in texts if text.lower().encode() in lower]
            found += [
                f"{piece}: the address {match.decode()}"
                for match in E_MAIL.findall(data)
                if not piece.endswith((".png", ".png)", ".tif", ".pdf", ".gpkg")) and match.decode() not in allowed
            ]
    return found


def _digits(value: float, more: int = 0) -> set[str]:
    """Return as much of a coordinate as tells a place to some metres: five decimals of degrees, whole metres."""
    decimals = (5 if abs(value) < 1000 else 0) + more
    cut = np.trunc(value * 10**decimals) / 10**decimals
    return {f"{value:.{decimals}f}", f"{cut:.{decimals}f}"}


def _told(data: bytes, numbers: set[str]) -> list[str]:
    # The digits of a longer number aren't a coordinate, but more decimals of the same one are.
    wanted = {number.encode() for number in numbers}
    lengths = sorted({len(number) for number in wanted})
    return [
        start.decode()
        for token in set(_NUMBER.findall(data))
        for length in lengths
        if len(start := token[:length]) == length and start in wanted
    ]
