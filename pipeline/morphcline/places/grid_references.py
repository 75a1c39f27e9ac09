"""Read British, Irish and MGRS grid references: a reference names a square, never a point."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

GridName = Literal["british", "irish", "mgrs"]

BRITISH_CRS = "EPSG:27700"

#: TM75 / Irish Grid, not TM65 (EPSG:29902): the mapping adjustment of 1975 took the place of that of 1965 on the maps
#: of both parts of Ireland. The registry's transformations to WGS 84 have the same parameters for both, so the choice
#: moves no record.
IRISH_CRS = "EPSG:29903"

_LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"  # a 5 x 5 block, rows from the north, without I
_TETRADS = "ABCDEFGHIJKLMNPQRSTUVWXYZ"  # 2 km squares of a 10 km square, columns from the south-west, without O
_HUNDRED_KM = 100_000.0
_TETRAD_M = 2_000.0
_MAX_DIGITS = 5  # a metre
_FORM = {
    "british": "two letters and an even number of digits, such as SU 387 148",
    "irish": "one letter and an even number of digits, such as J 338 740",
    "mgrs": "zone, band, two letters and an even number of digits, such as 31U DQ 48251 11932",
}


class UnreadableReferenceError(ValueError):
    """A grid reference can't be read; the message says why."""


#: The name under which callers know it.
UnreadableReference = UnreadableReferenceError


@dataclass(frozen=True)
class GridSquare:
    """The square that a grid reference names.

    Parameters
    ----------
    easting, northing : float
        Its centre, in metres; the reference itself names the south-west corner.
    crs : str
        ``EPSG:27700`` (British), ``EPSG:29903`` (Irish), or the UTM zone's for MGRS.
    size_m : float
        Side of the square.
    """

    easting: float
    northing: float
    crs: str
    size_m: float

    @property
    def uncertainty_m(self) -> float:
        """Half the diagonal: no point of the square is farther from its centre."""
        return self.size_m / math.sqrt(2.0)

    @property
    def corner(self) -> tuple[float, float]:
        """Easting and northing of the south-west corner, as the reference gives them."""
        return self.easting - self.size_m / 2, self.northing - self.size_m / 2


def read_grid_reference(text: str, grid: GridName | None = None) -> GridSquare:
    """Return the square that a grid reference names.

    Parameters
    ----------
    text : str
        Upper or lower case, with or without blanks. With digits it names a square of 10 km to 1 m; without, one of
        100 km, read only where ``grid`` is given, for "NE" or "no" may be anything. British and Irish references may
        name a 2 km square (tetrad) by two digits and a letter, ``SP50A``, counted in columns from the south-west
        (common practice in biological recording, no single source).
    grid : {"british", "irish", "mgrs"}, optional
        Otherwise the form decides: one letter is Irish, two are British, a zone number first is MGRS.

    Returns
    -------
    GridSquare

    Raises
    ------
    UnreadableReference
        With a sentence that says what is wrong.

    Examples
    --------
    >>> read_grid_reference("TG 51409 13177").corner
    (651409.0, 313177.0)
    >>> read_grid_reference("J3374")
    GridSquare(easting=333500.0, northing=374500.0, crs='EPSG:29903', size_m=1000.0)
    """
    packed = "".join(text.split()).upper()
    if not packed:
        raise UnreadableReferenceError("the grid reference is empty")
    found = _form_of(packed)
    if found is None:
        wanted = [_FORM[grid]] if grid else list(_FORM.values())
        raise UnreadableReferenceError(f"{text!r} is no grid reference: expected {', or '.join(wanted)}")
    if grid is not None and found != grid:
        raise UnreadableReferenceError(
            f"{text!r} is written like {_ARTICLE[found]} reference, not {_ARTICLE[grid]} one"
        )
    if packed.isalpha() and grid is None:
        raise UnreadableReferenceError(
            f"{text!r} may be a square of 100 km or a word: at least two digits are expected, such as SU 38"
        )
    _check_halves(text)
    if found == "mgrs":
        return _read_mgrs(text, packed)
    letters = 2 if found == "british" else 1
    east, north = _hundred_km_square(text, packed[:letters])
    crs = BRITISH_CRS if found == "british" else IRISH_CRS
    return _square_within(text, packed[letters:], east, north, crs)


_ARTICLE = {"british": "a British", "irish": "an Irish", "mgrs": "an MGRS"}


def _form_of(packed: str) -> GridName | None:
    if re.fullmatch(r"\d{1,2}[A-Z]{3}\d*", packed):
        return "mgrs"
    if re.fullmatch(r"[A-Z]{2}(\d*|\d\d[A-Z])", packed):
        return "british"
    if re.fullmatch(r"[A-Z](\d*|\d\d[A-Z])", packed):
        return "irish"
    return None


def _check_halves(text: str) -> None:
    """Refuse digits that the writer parted unequally: ``SU 3871 48`` would else be read as 387 148."""
    groups = re.findall(r"\d+", re.sub(r"^\s*\d{1,2}\s*(?=[A-Za-z])", "", text))
    if len(groups) > 2 or (len(groups) == 2 and len(groups[0]) != len(groups[1])):
        raise UnreadableReferenceError(
            f"{text!r} parts its digits as {' and '.join(groups)}: easting and northing need the same number of digits"
        )


def _check_digits(text: str, digits: str) -> int:
    """Return how many digits each of easting and northing has."""
    if len(digits) % 2:
        raise UnreadableReferenceError(
            f"{text!r} has {len(digits)} digits: easting and northing need the same number of digits"
        )
    if len(digits) > 2 * _MAX_DIGITS:
        raise UnreadableReferenceError(f"{text!r} has {len(digits)} digits: at most 10 (one metre) are accepted")
    return len(digits) // 2


def _position_in_block(letter: str) -> tuple[int, int]:
    """Return column from the west and row from the south of a letter in its block of 5 x 5."""
    row, column = divmod(_LETTERS.index(letter), 5)
    return column, 4 - row


def _hundred_km_square(text: str, letters: str) -> tuple[float, float]:
    if "I" in letters:
        raise UnreadableReferenceError(f"{text!r} holds the letter I, which grid letters don't use")
    if len(letters) == 1:
        column, row = _position_in_block(letters)
    else:
        big, small = _position_in_block(letters[0]), _position_in_block(letters[1])
        column, row = 5 * big[0] + small[0] - 10, 5 * big[1] + small[1] - 5  # SV lies at the false origin
        if not (0 <= column < 7 and 0 <= row < 13):
            raise UnreadableReferenceError(f"{text!r}: the letters {letters} name no square of the British grid")
    return column * _HUNDRED_KM, row * _HUNDRED_KM


def _square_within(text: str, rest: str, east: float, north: float, crs: str) -> GridSquare:
    tetrad = rest[2:] if len(rest) == 3 and rest[2].isalpha() else ""
    digits = rest[:2] if tetrad else rest
    half = _check_digits(text, digits)
    size = _HUNDRED_KM / 10**half
    if half:
        east += int(digits[:half]) * size
        north += int(digits[half:]) * size
    if tetrad:
        if tetrad not in _TETRADS:
            raise UnreadableReferenceError(f"{text!r} ends in the letter O, which names no 2 km square")
        column, row = divmod(_TETRADS.index(tetrad), 5)
        size = _TETRAD_M
        east, north = east + column * size, north + row * size
    return GridSquare(east + size / 2, north + size / 2, crs, size)


def _read_mgrs(text: str, packed: str) -> GridSquare:
    import mgrs

    digits = re.sub(r"^\d+[A-Z]+", "", packed)
    half = _check_digits(text, digits)
    try:
        zone, hemisphere, easting, northing = mgrs.MGRS().MGRSToUTM(packed)
    except mgrs.core.MGRSError:
        raise UnreadableReferenceError(
            f"{text!r} names no square of the military grid: its zone, band or letters don't go together"
        ) from None
    size = _HUNDRED_KM / 10**half
    # Releases of the library differ in whether they return corner or centre; this is the centre for both.
    east, north = (math.floor(value / size) * size + size / 2 for value in (easting, northing))
    return GridSquare(east, north, f"EPSG:{326 if hemisphere == 'N' else 327}{zone:02d}", size)
