"""What became of rows, in words: why they were rejected or flagged, and why shells don't count."""

from __future__ import annotations

from morphcline.language import _, many, marked
from morphcline.render import labels

#: By code of rejection, as a table's cell.
_REJECTED = {
    "empty-row": marked("Empty row"),
    "row-ragged": marked("More cells than the header"),
    "site-missing": marked("No site named in a table of sites"),
    "site-twice": marked("Two places for one site in a table of sites"),
    "count-missing": marked("No number of shells"),
    "count-not-whole": marked("Number of shells not a whole number"),
    "count-negative": marked("Number of shells below zero"),
    "age-unreadable": marked("Age not understood"),
    "condition-unreadable": marked("Condition not understood"),
    "lip-unreadable": marked("Lip not understood"),
    "species-missing": marked("No species given"),
    "species-unknown": marked("Species not known"),
    "species-not-studied": marked("Species of a genus that is not analysed"),
    "banding-unreadable": marked("Banding not understood"),
    "colour-unreadable": marked("Colour not understood"),
    "colour-contradicts": marked("Two colours for one shell"),
    "date-unreadable": marked("Date not understood"),
    "site-not-in-table": marked("Site not in the table of sites, and no place"),
    "position-missing": marked("No place given"),
    "position-unreadable": marked("Place not understood"),
    "position-zero": marked("Both coordinates zero"),
    "position-swapped": marked("Coordinates exchanged"),
    "position-outside-crs": marked("Place outside the coordinate system"),
    "position-outside-area": marked("Place far outside the study's area"),
    "position-in-water": marked("Place in water, with no land near"),
}
#: By code of a flag.
_FLAGGED = {
    "mended-score": marked("Banding mended before it could be read"),
    "mended-date": marked("Date mended from a workbook's number for a day"),
    "lip-against-species": marked("Lip of the other species"),
    "date-absent": marked("No date given"),
    "date-in-future": marked("Date in the future"),
    "far-from-rest": marked("Place far from the others or outside the area"),
    "position-vague": marked("Place known only roughly"),
    "near-water": marked("Place in water, with land near"),
    "habitat-disagrees": marked("Habitat noted is not the raster's"),
    "name-in-two-places": marked("One site's name at places far apart"),
    "double": marked("Recorded twice at one place"),
    "count-large": marked("Very many shells in one row"),
    "small-sample": marked("Small sample"),
}
CODES = {**_REJECTED, **_FLAGGED}
_NOT_ANALYSED = " is not analysed in this study"


def code_in_words(code: str) -> str:
    """Return a code of rejection or of a flag as a cell of a table."""
    return _(CODES[code]) if code in CODES else labels.sentence(code.replace("-", " "))


def not_counted(because: str, shells: int) -> str:
    """Return how many shells don't count for one reason, to stand in a list: ``"5 juveniles"``.

    Parameters
    ----------
    because : str
        A cell of ``not_counted_because``.
    shells : int
    """
    n = labels.number(shells)
    if because == "juvenile":
        return many("{n} juvenile", "{n} juveniles", shells).format(n=n)
    if because == "juvenile: no lip":
        return many("{n} without a lip, taken for a juvenile", "{n} without a lip, taken for juveniles", shells).format(
            n=n
        )
    if because == "no complete lip":
        return many("{n} without a complete lip", "{n} without a complete lip", shells).format(n=n)
    if because == "worn or bleached":
        return many("{n} worn or bleached", "{n} worn or bleached", shells).format(n=n)
    if because == "not named to species":
        return many("{n} not named to species", "{n} not named to species", shells).format(n=n)
    if because.endswith(_NOT_ANALYSED):
        return _("{n} of {species}, which this study doesn't analyse").format(
            n=n, species=because.removesuffix(_NOT_ANALYSED)
        )
    return _("{n} for this: {reason}").format(n=n, reason=because)
