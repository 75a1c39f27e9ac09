"""About a dataset, in the Ecological Metadata Language (EML 2.2.0): who holds it, what, when and where it covers.

Elements stand in the order that the language's schema asks for (Ecological Metadata Language 2.2.0, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as Xml

from morphcline import __version__

EML_FILE = "eml.xml"
#: Of the language; the address at which it is told of too.
NAMESPACE = "https://eml.ecoinformatics.org/eml-2.2.0"
_WHOLE_DATE = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")

#: Addresses of licences that go by a short name (Creative Commons; names as in the SPDX list).
LICENCES = {
    "CC0-1.0": ("https://creativecommons.org/publicdomain/zero/1.0/", "Creative Commons Zero 1.0"),
    "CC-BY-4.0": ("https://creativecommons.org/licenses/by/4.0/", "Creative Commons Attribution 4.0"),
    "CC-BY-SA-4.0": (
        "https://creativecommons.org/licenses/by-sa/4.0/",
        "Creative Commons Attribution-ShareAlike 4.0",
    ),
    "CC-BY-NC-4.0": (
        "https://creativecommons.org/licenses/by-nc/4.0/",
        "Creative Commons Attribution-NonCommercial 4.0",
    ),
    "CC-BY-NC-SA-4.0": (
        "https://creativecommons.org/licenses/by-nc-sa/4.0/",
        "Creative Commons Attribution-NonCommercial-ShareAlike 4.0",
    ),
    "ODbL-1.0": ("https://opendatacommons.org/licenses/odbl/1-0/", "Open Data Commons Open Database License 1.0"),
    "ODC-By-1.0": ("https://opendatacommons.org/licenses/by/1-0/", "Open Data Commons Attribution License 1.0"),
    "PDDL-1.0": ("https://opendatacommons.org/licenses/pddl/1-0/", "Open Data Commons Public Domain Dedication 1.0"),
}


@dataclass(frozen=True)
class About:
    """What is told of a dataset.

    Parameters
    ----------
    identifier, title, abstract : str
    holder, contact, licence : str
        Empty where the study names none.
    published : str
        ISO date.
    species : tuple of str
    dates : tuple of str
        Every date of the dataset, as precise as given.
    bounds : tuple of float, optional
        West, south, east and north of what is shown, degrees.
    methods : str
    """

    identifier: str
    title: str
    abstract: str
    holder: str
    contact: str
    licence: str
    published: str
    species: tuple[str, ...]
    dates: tuple[str, ...]
    bounds: tuple[float, float, float, float] | None
    methods: str


def licence_address(licence: str) -> str:
    """Return the address of a licence, where it is one or its short name is known; else nothing.

    Examples
    --------
    >>> licence_address("CC-BY-4.0"), licence_address("ask us")
    ('https://creativecommons.org/licenses/by/4.0/', '')
    """
    by_name = {name.casefold(): address for name, (address, _) in LICENCES.items()}
    plain = licence.strip()
    if re.fullmatch(r"https?://\S+", plain):
        return plain
    return by_name.get("-".join(plain.casefold().split()), "")


def licence_title(licence: str) -> str:
    """Return a licence as people call it."""
    titles = {name.casefold(): title for name, (_, title) in LICENCES.items()}
    return titles.get("-".join(licence.casefold().split()), licence.strip())


def contact_kind(contact: str) -> str:
    """Return what a contact is: ``"email"``, ``"url"``, or nothing where it is words.

    Examples
    --------
    >>> contact_kind("snails@example.org"), contact_kind("https://example.org/snails"), contact_kind("at the museum")
    ('email', 'url', '')
    """
    if re.fullmatch(r"https?://\S+", contact):
        return "url"
    return "email" if re.fullmatch(r"[^\s@]+@[^\s@]+\.[^\s@]+", contact) else ""


def metadata(about: About) -> str:
    """Return the text of ``eml.xml``."""
    root = Xml.Element(
        "eml:eml",
        {
            "xmlns:eml": NAMESPACE, "packageId": f"{about.identifier}:{about.published}", "system": "morphcline",
            "xml:lang": "en", "scope": "system",
        },
    )  # fmt: skip
    dataset = Xml.SubElement(root, "dataset")
    _text(dataset, "alternateIdentifier", about.identifier)
    _text(dataset, "title", about.title)
    _party(dataset, "creator", about)
    _text(dataset, "pubDate", about.published)
    _text(dataset, "language", "en")
    _text(Xml.SubElement(dataset, "abstract"), "para", about.abstract)
    keywords = Xml.SubElement(dataset, "keywordSet")
    for word in ("Occurrence", "Sampling event", "shell colour polymorphism", *about.species):
        _text(keywords, "keyword", word)
    _rights(dataset, about)
    _coverage(dataset, about)
    _party(dataset, "contact", about)
    step = Xml.SubElement(Xml.SubElement(dataset, "methods"), "methodStep")
    _text(Xml.SubElement(step, "description"), "para", about.methods)
    _text(step, "instrumentation", f"morphcline {__version__}")
    return as_text(root)


def as_text(root: Xml.Element) -> str:
    """Return an XML document's text, indented."""
    Xml.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Xml.tostring(root, encoding="unicode") + "\n"


def date_range(dates: Sequence[str]) -> tuple[str, str] | None:
    """Return the first and the last of some dates, each as precise as it is given; None where there is none.

    Examples
    --------
    >>> date_range(["2024-05-01", "2023/2024-06", ""])
    ('2023', '2024-06')
    """
    starts, ends = [], []
    for text in dates:
        first, slash, last = text.partition("/")
        if _WHOLE_DATE.fullmatch(first):
            starts.append(first)
            ends.append(last if slash and _WHOLE_DATE.fullmatch(last) else first)
    if not starts:
        return None
    # "2024" ends after "2024-06": what is missing at the end counts as the latest it can be.
    return min(starts), max(ends, key=lambda text: text + "-99-99"[len(text) - 4 :])


def _party(dataset: Xml.Element, role: str, about: About) -> None:
    party = Xml.SubElement(dataset, role)
    _text(party, "organizationName", about.holder or "The holder of the data")
    element = {"email": "electronicMailAddress", "url": "onlineUrl"}.get(contact_kind(about.contact))
    if element:
        _text(party, element, about.contact)


def _rights(dataset: Xml.Element, about: About) -> None:
    address = licence_address(about.licence)
    told = licence_title(about.licence) or "No licence is stated: ask the holder of the data."
    _text(Xml.SubElement(dataset, "intellectualRights"), "para", f"{told} {address}".strip())
    if address:
        licensed = Xml.SubElement(dataset, "licensed")
        _text(licensed, "licenseName", licence_title(about.licence))
        _text(licensed, "url", address)


def _coverage(dataset: Xml.Element, about: About) -> None:
    coverage = Xml.SubElement(dataset, "coverage")
    if about.bounds is not None:
        place = Xml.SubElement(coverage, "geographicCoverage")
        _text(place, "geographicDescription", f"{about.title}: what lies within these limits, as shown to the public")
        box = Xml.SubElement(place, "boundingCoordinates")
        west, south, east, north = about.bounds
        for side, value in (("west", west), ("east", east), ("north", north), ("south", south)):
            _text(box, f"{side}BoundingCoordinate", f"{value:.12g}")
    period = date_range(about.dates)
    if period is not None:
        dates = Xml.SubElement(Xml.SubElement(coverage, "temporalCoverage"), "rangeOfDates")
        # The language takes a year or a day: a month is told by its year, the column has it all.
        for name, text in (("beginDate", period[0]), ("endDate", period[1])):
            _text(Xml.SubElement(dates, name), "calendarDate", text if len(text) != 7 else text[:4])
    taxa = Xml.SubElement(coverage, "taxonomicCoverage")
    for name in about.species:
        one = Xml.SubElement(taxa, "taxonomicClassification")
        _text(one, "taxonRankName", "species" if " " in name else "genus")
        _text(one, "taxonRankValue", name)


def _text(parent: Xml.Element, name: str, text: str) -> None:
    Xml.SubElement(parent, name).text = text
