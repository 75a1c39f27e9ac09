"""Habitat classes, and a recorder's own words for them."""

from __future__ import annotations

import re
from collections.abc import Iterable

#: The classic classes of the trade (common practice, no single source).
CLASSES = (
    "woodland", "scrub", "hedgerow", "long herbage", "short grass", "dune", "garden and urban", "waste ground", "marsh",
)  # fmt: skip

#: Where no snail lives.
WATER = "water"

_WORDS: dict[str, tuple[str, ...]] = {
    "woodland": ("woodland", "wood", "woods", "forest", "copse", "spinney", "beechwood", "oakwood", "plantation"),
    "scrub": ("scrub", "bushes", "thicket", "bramble", "brambles", "gorse", "heath"),
    "hedgerow": ("hedgerow", "hedge", "hedges", "hedgerows", "hedgebank", "hedge bank"),
    "long herbage": (
        "long herbage", "rough herbage", "herbage", "tall herbs", "nettles", "nettle", "reeds", "riverbank",
        "river bank", "rank grass", "long grass", "rough grass", "tall grass", "road verge", "roadside verge", "verge",
    ),
    "short grass": (
        "short grass", "short turf", "turf", "pasture", "meadow", "lawn", "downland", "grassland", "grazed grass",
        "chalk grassland",
    ),
    "dune": ("dune", "dunes", "sand dune", "sand dunes", "marram"),
    "garden and urban": (
        "garden and urban", "garden", "gardens", "urban", "park", "churchyard", "cemetery", "allotment", "allotments",
        "town", "village", "wall", "back yard", "backyard",
    ),
    "waste ground": ("waste ground", "wasteland", "waste", "rubble", "quarry", "railway", "brownfield", "derelict"),
    "marsh": ("marsh", "fen", "swamp", "bog", "wetland", "wet meadow", "marshland"),
    WATER: ("water", "lake", "river", "pond", "sea"),
}  # fmt: skip
_BY_WORD = {word: name for name, words in _WORDS.items() for word in words}
_PARTS = [
    (re.compile(rf"\b{re.escape(word)}\b"), word, name)
    for word, name in sorted(_BY_WORD.items(), key=lambda item: (-len(item[0]), item[0]))
    if name != WATER
]


def read_habitat(text: str, *, others: Iterable[str] = ()) -> str:
    """Return the habitat class that a recorder's note means, or "" when it isn't understood.

    Parameters
    ----------
    text : str
        A class, a usual word for one, or a phrase that holds words of one class only.
    others : iterable of str
        Further classes of a study, accepted under their own names.

    Returns
    -------
    str
        One of `CLASSES`, ``"water"``, one of ``others``, or ``""``. A note that names two classes ("hedge by the wood")
        is not understood: which one the snails sat in can't be told. Water counts only when it stands alone ("by the
        lake" doesn't).

    Examples
    --------
    >>> read_habitat("Hedge"), read_habitat("edge of beechwood"), read_habitat("hedge by the wood")
    ('hedgerow', 'woodland', '')
    """
    plain = " ".join(re.sub(r"[\s_/,;.-]+", " ", text.casefold()).split())
    for other in others:
        if plain == " ".join(re.sub(r"[\s_/,;.-]+", " ", other.casefold()).split()):
            return other
    if plain in _BY_WORD:
        return _BY_WORD[plain]
    found = set()
    for pattern, _, name in _PARTS:  # longest first, so that "wet meadow" isn't a meadow
        if pattern.search(plain):
            found.add(name)
            plain = pattern.sub(" ", plain)
    return found.pop() if len(found) == 1 else ""
