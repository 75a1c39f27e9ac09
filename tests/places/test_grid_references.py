"""A grid reference names a square by its south-west corner; published pairs, the printed layout, and laws."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.grid_references import GridSquare, UnreadableReference, read_grid_reference

# Reference, easting and northing of the corner, side in metres.
BRITISH = [
    # Ordnance Survey, "A guide to coordinate systems in Great Britain", Annex C: E 651409.903, N 313177.270
    ("TG 51409 13177", 651409, 313177, 1),
    # Ordnance Survey, leaflet on National Grid references (Southampton)
    ("SU 387 148", 438700, 114800, 100),
    ("NN 166 712", 216600, 771200, 100),
    # corners of the printed sheet of 100 km squares
    ("SV", 0, 0, 100_000),
    ("NS", 200000, 600000, 100_000),
    ("HP", 400000, 1200000, 100_000),
    ("HY 1234 5678", 312340, 1056780, 10),
]
# NISRA postcode and landmark list: Belfast City Hall 333831, 374015; Giant's Causeway 294724, 444769; Enniskillen
# Castle 223141, 344221. True origin 53 30 N 8 W = 200000, 250000 (OSi/OSNI co-ordinate guide).
IRISH = [
    ("J 33 74", 333000, 374000, 1000),
    ("J 338 740", 333800, 374000, 100),
    ("C 947 447", 294700, 444700, 100),
    ("H 231 442", 223100, 344200, 100),
    ("N 00 50", 200000, 250000, 1000),
]
# GeographicLib's GeoConvert documentation: 33.3 N 44.4 E is 38N 444140.545 3684706.356, 38SMB4414084706, and to a
# kilometre 38SMB4484 (truncated: 4414 and 84706 would round to 44 and 85).
MGRS = [
    ("38SMB4414084706", 444140, 3684706, 1, "EPSG:32638"),
    ("38S MB 44 84", 444000, 3684000, 1000, "EPSG:32638"),
]


@pytest.mark.parametrize(("text", "easting", "northing", "size"), BRITISH)
def test_british_references_as_published(text: str, easting: float, northing: float, size: float) -> None:
    square = read_grid_reference(text, grid="british")
    assert square.corner == (easting, northing)
    assert (square.size_m, square.crs) == (size, "EPSG:27700")
    if size < 100_000:
        assert read_grid_reference(text) == square


@pytest.mark.parametrize(("text", "easting", "northing", "size"), IRISH)
def test_irish_references_as_published(text: str, easting: float, northing: float, size: float) -> None:
    square = read_grid_reference(text)
    assert square.corner == (easting, northing)
    assert (square.size_m, square.crs) == (size, "EPSG:29903")


@pytest.mark.parametrize(("text", "easting", "northing", "size", "crs"), MGRS)
def test_mgrs_references_as_published(text: str, easting: float, northing: float, size: float, crs: str) -> None:
    square = read_grid_reference(text)
    assert square.corner == (easting, northing)
    assert (square.size_m, square.crs) == (size, crs)


def test_the_published_point_lies_in_its_truncated_mgrs_square() -> None:
    easting, northing = 444140.545, 3684706.356  # GeoConvert documentation
    for digits in ("4414084706", "44148470", "441847", "4484", "48"):
        square = read_grid_reference("38SMB" + digits)
        assert abs(easting - square.easting) <= square.size_m / 2
        assert abs(northing - square.northing) <= square.size_m / 2


def test_southern_mgrs_zones_are_southern_utm_zones() -> None:
    assert read_grid_reference("56HLH3469").crs == "EPSG:32756"


# The sheet of 100 km squares as printed on the maps, the southernmost row first.
SHEET = [
    square
    for row in (
        "SV SW SX SY SZ TV TW",
        "SQ SR SS ST SU TQ TR",
        "SL SM SN SO SP TL TM",
        "SF SG SH SJ SK TF TG",
        "SA SB SC SD SE TA TB",
        "NV NW NX NY NZ OV OW",
        "NQ NR NS NT NU OQ OR",
        "NL NM NN NO NP OL OM",
        "NF NG NH NJ NK OF OG",
        "NA NB NC ND NE OA OB",
        "HV HW HX HY HZ JV JW",
        "HQ HR HS HT HU JQ JR",
        "HL HM HN HO HP JL JM",
    )
    for square in row.split()
]
IRISH_SHEET = "VWXYZ QRSTU LMNOP FGHJK ABCDE".replace(" ", "")


@given(st.integers(0, len(SHEET) - 1), st.integers(0, 99_999), st.integers(0, 99_999), st.integers(0, 5), st.booleans())
def test_every_british_square_holds_the_point_it_was_written_for(
    number: int, east: int, north: int, digits: int, spaced: bool
) -> None:
    gap = " " if spaced else ""
    text = SHEET[number] + gap + f"{east:05d}"[:digits] + gap + f"{north:05d}"[:digits]
    square = read_grid_reference(text.lower() if spaced else text, grid=None if digits else "british")
    easting, northing = number % 7 * 100_000 + east, number // 7 * 100_000 + north
    assert square.size_m == 10 ** (5 - digits)
    assert square.easting - square.size_m / 2 <= easting < square.easting + square.size_m / 2
    assert square.northing - square.size_m / 2 <= northing < square.northing + square.size_m / 2


@pytest.mark.parametrize("number", range(25))
def test_irish_letters_run_row_by_row_from_the_south(number: int) -> None:
    square = read_grid_reference(f"{IRISH_SHEET[number]} 00 00")
    assert square.corner == (number % 5 * 100_000, number // 5 * 100_000)


def test_a_tetrad_is_counted_in_columns_from_the_south_west() -> None:
    # common practice: A is the south-west, E the north-west, Z the north-east 2 km square; O is left out
    assert read_grid_reference("SP50A") == GridSquare(451000.0, 201000.0, "EPSG:27700", 2000.0)
    assert read_grid_reference("SP50E").corner == (450000, 208000)
    assert read_grid_reference("SP50F").corner == (452000, 200000)
    assert read_grid_reference("SP50P").corner == (454000 + 0, 208000)
    assert read_grid_reference("SP50Z").corner == (458000, 208000)
    assert read_grid_reference("J37A").size_m == 2000


def test_the_uncertainty_is_half_the_diagonal() -> None:
    square = read_grid_reference("SU 387 148")
    assert square.uncertainty_m == pytest.approx(math.hypot(50, 50))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "the grid reference is empty"),
        ("   ", "the grid reference is empty"),
        ("NE", "may be a square of 100 km or a word"),
        ("no", "may be a square of 100 km or a word"),
        ("hello", "is no grid reference: expected two letters"),
        ("XX 12 34", "the letters XX name no square of the British grid"),
        ("SI 12 34", "the letter I, which grid letters don't use"),
        ("SU 387", "has 3 digits: easting and northing need the same number"),
        ("SU 3871 48", "parts its digits as 3871 and 48"),
        ("SU 38 71 48", "parts its digits as 38 and 71 and 48"),
        ("SU 123456 123456", "has 12 digits: at most 10"),
        ("SP50O", "the letter O, which names no 2 km square"),
        ("38SIB4484", "names no square of the military grid"),
        ("61SMB4484", "names no square of the military grid"),
        ("38SMB448", "has 3 digits"),
        ("SU 38.7 14.8", "is no grid reference"),
    ],
)
def test_what_is_wrong_is_said(text: str, sentence: str) -> None:
    with pytest.raises(UnreadableReference, match=sentence):
        read_grid_reference(text)


def test_a_grid_that_is_asked_for_is_held_to() -> None:
    with pytest.raises(UnreadableReference, match="written like a British reference, not an Irish one"):
        read_grid_reference("SU 387 148", grid="irish")
    with pytest.raises(UnreadableReference, match="expected zone, band, two letters"):
        read_grid_reference("somewhere", grid="mgrs")
    assert read_grid_reference("J 33 74", grid="irish").crs == "EPSG:29903"


@given(st.from_regex(r"\A[A-Za-z]{1,2} ?[0-9]{0,12}\Z"))
def test_whatever_looks_like_a_reference_is_a_square_of_its_grid_or_refused(text: str) -> None:
    try:
        square = read_grid_reference(text)
    except UnreadableReference:
        digits = sum(letter.isdigit() for letter in text)
        letters = "".join(filter(str.isalpha, text)).upper()
        assert (
            digits == 0 or digits % 2 or digits > 10 or "I" in letters or (len(letters) == 2 and letters not in SHEET)
        )
    else:
        most = (700_000, 1_300_000) if square.crs == "EPSG:27700" else (500_000, 500_000)
        assert 0 < square.easting < most[0]
        assert 0 < square.northing < most[1]
