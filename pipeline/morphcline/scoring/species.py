"""Species names: read what a recorder wrote, and the lip that goes with each species.

Names accepted for the two studied species and for the land snails most often sent in with them are common practice with
no single source; the list was written from memory and is no checklist.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from morphcline.errors import Problem, StudyFileError

NEMORALIS = "Cepaea nemoralis"
HORTENSIS = "Cepaea hortensis"

_LIPS = {NEMORALIS: "dark", HORTENSIS: "white"}

#: Accepted name: other genera it has been placed in, older or other names, common names.
_KNOWN: dict[str, tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = {
    NEMORALIS: (
        ("Helix", "Tachea"), (),
        (
            "grove snail", "brown lipped snail", "dark lipped snail", "brown lipped banded snail",
            "dark lipped banded snail",
        ),
    ),
    HORTENSIS: (("Helix", "Tachea"), (), ("white lipped snail", "white lipped banded snail")),
    "Caucasotachea vindobonensis": (("Cepaea", "Helix"), (), ("viennese banded snail",)),
    "Macularia sylvatica": (("Cepaea", "Helix"), (), ()),
    "Arianta arbustorum": (("Helix", "Helicigona"), (), ("copse snail",)),
    "Cornu aspersum": (
        ("Helix", "Cantareus", "Cryptomphalus"), ("aspersa", "aspersus"), ("garden snail", "brown garden snail"),
    ),
    "Helix pomatia": ((), (), ("roman snail", "edible snail", "burgundy snail")),
    "Helix lucorum": ((), (), ()),
    "Theba pisana": (("Helix", "Euparypha"), (), ("sandhill snail", "white garden snail")),
    "Eobania vermiculata": (("Helix", "Massylaea", "Otala"), (), ("chocolate banded snail",)),
    "Cernuella virgata": (("Helicella",), (), ("striped snail",)),
    "Monacha cantiana": ((), (), ("kentish snail",)),
    "Fruticicola fruticum": (("Bradybaena", "Eulota"), (), ("bush snail",)),
    "Helicigona lapicida": (("Helix", "Chilotrema"), (), ("lapidary snail",)),
    "Bradybaena similaris": (("Helix",), (), ("asian trampsnail",)),
}  # fmt: skip

_QUALIFIER = re.compile(r"(?<!\w)(cf|aff)(?:\.|(?=\s))|\((\?)\)|(\?)", re.IGNORECASE)
_GENUS_ONLY = frozenset({"sp", "spp", "sp.", "spp."})
_AUTHORS = frozenset(
    {"l", "linn", "linne", "linnaeus", "m", "o", "f", "o.f", "muller", "mueller", "drap", "draparnaud", "ferussac"}
)
_JOINING = frozenset({"et", "and", "in", "ex", "von", "de", "da", "di", "van", "f", "o"})


@dataclass(frozen=True)
class Species:
    """A name that a record carries.

    Parameters
    ----------
    name : str
        The accepted name, without authority; the genus alone when ``rank`` is "genus".
    rank : {"species", "genus"}
    qualifier : str
        ``"cf."``, ``"aff."``, ``"?"``, or empty.
    """

    name: str
    rank: str = "species"
    qualifier: str = ""


class UnknownSpecies(ValueError):  # noqa: N818 - named for what the recorder will read
    """A name that isn't known here; the sentence gives the nearest known one, if any is near."""


def read_species(text: str) -> Species:
    """Return the accepted name of what a recorder wrote.

    Parameters
    ----------
    text : str
        ``"Cepaea nemoralis"``, ``"C. nemoralis"``, ``"nemoralis"``, an older genus (``"Helix nemoralis"``), a common
        name, each in any case, with a qualifier (cf., aff., ?) or an authority; or a genus (``"Cepaea sp."``).

    Returns
    -------
    Species
        Not necessarily one that a study analyses: the usual look-alikes are known too.

    Raises
    ------
    UnknownSpecies
        When the name is empty, misspelt, of two species at once, or of a species that isn't on the list.

    Examples
    --------
    >>> read_species("C. cf. nemoralis (Linnaeus, 1758)")
    Species(name='Cepaea nemoralis', rank='species', qualifier='cf.')
    >>> read_species("white-lipped snail").name
    'Cepaea hortensis'
    """
    qualifier, plain = _without_qualifier(" ".join(text.split()))
    if not plain:
        raise UnknownSpecies("the species name is empty")
    words = plain.split()
    common = _folded(plain).replace("-", " ")
    if common in _BY_COMMON_NAME:
        return Species(_BY_COMMON_NAME[common], "species", qualifier)
    genus = words[0].capitalize()
    if genus in _GENERA and (len(words) == 1 or (len(words) == 2 and words[1].casefold() in _GENUS_ONLY)):
        return Species(genus, "genus", qualifier)
    found = _binomial(words)
    if found is None:
        raise UnknownSpecies(_sentence(text.strip(), plain))
    return Species(found, "species", qualifier)


def check_studied(names: Iterable[str], file: str = "") -> None:
    """Raise a problem for each name that a study gives for a species it analyses and that isn't one's accepted name.

    Parameters
    ----------
    names : iterable of str
        ``[scoring] species``.
    file : str
        The study file as messages name it.

    Raises
    ------
    StudyFileError
        For names that :func:`read_species` can't read, or reads to another name: no record would ever carry them.
    """
    problems = [
        Problem(file, "[scoring] species", f"{name!r} {found}", accepted)
        for name in names
        for found, accepted in _unfit_for_study(name)
    ]
    if problems:
        raise StudyFileError(problems)


def expected_lip(name: str) -> str:
    """Return the lip colour a species usually has: "dark", "white", or "" for species without a rule here.

    Notes
    -----
    Common practice, no single source. It fails at times: white-lipped *C. nemoralis* are locally common on the Atlantic
    fringe, dark-lipped *C. hortensis* are rare everywhere; a lip that disagrees is a reason to look again and no more.
    """
    return _LIPS.get(name, "")


def slug(text: str, joiner: str = "-") -> str:
    """Return a name for files and columns: lower case, every run of other than letters and digits one ``joiner``.

    Accents are dropped, so that the name holds a-z and 0-9 alone.

    Examples
    --------
    >>> slug("Cepaea nemoralis"), slug("long herbage", joiner="_")
    ('cepaea-nemoralis', 'long_herbage')
    """
    return joiner.join(re.findall(r"[a-z0-9]+", _folded(text)))


def _folded(text: str) -> str:
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in decomposed if not unicodedata.combining(sign))


def _without_qualifier(text: str) -> tuple[str, str]:
    found = _QUALIFIER.search(text)
    if found is None:
        return "", text
    qualifier = f"{found[1].lower()}." if found[1] else "?"
    return qualifier, " ".join(_QUALIFIER.sub(" ", text).split())


def _binomial(words: list[str]) -> str | None:
    """Return the accepted name of ``[genus] [(subgenus)] epithet [authority]``, or None."""
    first = words[0].casefold()
    if first in _BY_EPITHET:
        names = _BY_EPITHET[first]
        return names[0] if len(names) == 1 and _is_authority(words[1:], first) else None
    rest = words[1:]
    if len(rest) > 1 and rest[0].startswith("(") and rest[0].endswith(")"):
        rest = rest[1:]
    if not rest:
        return None
    epithet = rest[0].casefold()
    for name in _BY_EPITHET.get(epithet, ()):
        genera = (name.split()[0].casefold(), *(genus.casefold() for genus in _KNOWN[name][0]))
        short = first.rstrip(".")
        abbreviated = len(short) == 1 or first.endswith(".")
        if any(genus.startswith(short) if abbreviated else genus == short for genus in genera):
            return name if _is_authority(rest[1:], epithet) else None
    return None


def _unfit_for_study(name: str) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a name as that of a species studied, and what is accepted."""
    try:
        read = read_species(name)
    except UnknownSpecies:
        near = _nearest(name)
        yield "is no species known here", f"did you mean {near!r}?" if near else "known species: " + ", ".join(_KNOWN)
        return
    if read.rank != "species":
        yield "is a genus", f"name species, such as {NEMORALIS!r} or {HORTENSIS!r}"
    elif read.name != name:
        yield "is not the accepted name", f"write {read.name!r}"


def _is_authority(words: list[str], epithet: str) -> bool:
    """Return whether what follows the epithet is nothing, the epithet again (the nominate form), or author and year."""
    if words and words[0].casefold() == epithet:
        words = words[1:]
    bare = [word.strip("(),.[]&") for word in words]
    if any(word.casefold() in _BY_EPITHET or "/" in word for word in bare):
        return False
    if any(re.fullmatch(r"1[789][0-9]{2}|20[0-9]{2}", word) for word in bare):
        return all(word.isdigit() or not word or word[0].isupper() or word in _JOINING for word in bare)
    return all(not word or _folded(word) in _AUTHORS for word in bare)  # without a year, "Juv" isn't an author


def _sentence(text: str, plain: str) -> str:
    epithets = [word for word in _BY_EPITHET if re.search(rf"\b{word}\b", plain.casefold())]
    if len({_BY_EPITHET[epithet] for epithet in epithets}) > 1:
        return f'"{text}" names more than one species; give one, or the genus alone ("Cepaea sp.")'
    if near := _nearest(plain):
        return f'the species "{text}" is not known; the nearest known name is {near}'
    return f'the species "{text}" is not known; expected a name such as {NEMORALIS} or {HORTENSIS}'


def _nearest(plain: str) -> str:
    """Return the accepted name of the known spelling nearest to a text, or "" when none is near."""
    choices = {known.casefold(): name for known, name in _SPELLINGS.items()}
    near = difflib.get_close_matches(plain.casefold(), choices, n=1, cutoff=0.75)
    return choices[near[0]] if near else ""


_BY_EPITHET: dict[str, tuple[str, ...]] = {}
_BY_COMMON_NAME: dict[str, str] = {}
_SPELLINGS: dict[str, str] = {}
for _name, (_genera, _epithets, _common) in _KNOWN.items():
    for _epithet in (_name.split()[1], *_epithets):
        _BY_EPITHET[_epithet] = (*_BY_EPITHET.get(_epithet, ()), _name)
        for _genus in (_name.split()[0], *_genera):
            _SPELLINGS[f"{_genus} {_epithet}"] = _name
        _SPELLINGS[f"{_name[0]}. {_epithet}"] = _name
        _SPELLINGS[_epithet] = _name
    for _word in _common:
        _BY_COMMON_NAME[_word] = _name
        _SPELLINGS[_word] = _name
_GENERA = frozenset(name.split()[0] for name in _KNOWN) | {"Helix"}
