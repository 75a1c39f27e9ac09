"""Search everything that a run made for the public for what it must not hold."""

from __future__ import annotations

import base64
import io
import re
import struct
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pypdf

E_MAIL = re.compile(rb"[A-Za-z0-9._%+-]+@[A-Za-z0-9-]+\.[A-Za-z]{2,}")
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
    folder: Path, places: Sequence[tuple[float, float]], texts: Sequence[str], *, allowed: Sequence[str] = ()
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
    """
    found = []
    coordinates = {value for place in places for value in place}
    packed = [(value, struct.pack(order, value)) for value in coordinates for order in ("<d", ">d")]
    short = _numbers({_digits(value) for value in coordinates})
    whole = _numbers({f"{value:.6f}".rstrip("0") for value in coordinates if value != round(value)})
    for path in public_files(folder):
        name = path.relative_to(folder).as_posix()
        for piece, data in pieces(name, path.read_bytes()):
            drawn = any(ending in piece for ending in _DRAWN)
            for match in (whole if drawn else short).findall(data):
                found.append(f"{piece}: the coordinate {match.decode()}")
            found += [f"{piece}: the coordinate {value} as a binary number" for value, bits in packed if bits in data]
            lower = data.lower()
            found += [f"{piece}: the text {text!r}" for text in texts if text.lower().encode() in lower]
            found += [
                f"{piece}: the address {match.decode()}"
                for match in E_MAIL.findall(data)
                if not piece.endswith((".png", ".png)", ".tif", ".pdf", ".gpkg")) and match.decode() not in allowed
            ]
    return found


def _digits(value: float) -> str:
    """Return as much of a coordinate as tells a place to some metres: five decimals of degrees, whole metres."""
    return f"{value:.5f}" if abs(value) < 1000 else f"{value:.0f}"


def _numbers(texts: set[str]) -> re.Pattern[bytes]:
    # The digits of a longer number aren't a coordinate, but more decimals of the same one are.
    return re.compile(b"(?<![0-9.])(?:" + b"|".join(re.escape(text.encode()) for text in sorted(texts)) + b")")
