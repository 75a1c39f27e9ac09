"""A section of the report in English and in French: every text is another, none of it left in English."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator

from morphcline.language import Language, speaking
from morphcline.render.report.parts import Section

FRENCH = Language("fr")

#: Words that French doesn't have, frequent enough to betray a sentence left in English.
_ENGLISH = re.compile(
    r"\b(?:the|of|and|in|is|are|were|was|to|with|by|from|not|for|than|that|which|at|its|it|among|shells?|sites? with|"
    r"yellow|pink|brown|unbanded|banded|woodland|hedgerow)\b",
    re.IGNORECASE,
)
#: Names, files, symbols, and words that are spelt alike in both languages.
_ALIKE = re.compile(
    r"Cepaea (?:nemoralis|hortensis)|[\w/-]+\.(?:csv|xlsx)|F_ST|AICc"
    r"|\b(?:Sites?|Habitats?|Points|Locus|Holm|Mantel|Moran|Clines?|[Cc]entre|Transects?)\b"
)


def typeset(text: str) -> str:
    """Return a French text with the spaces that don't break: narrow before ``; ? !`` and between thousands."""
    text = re.sub(r" (?=[;?!])|(?<=\d) (?=\d{3})", "\u202f", text)
    return re.sub(r" (?=[:%»])|(?<=«) |(?<=\bp) (?=[=<])|(?<=\bp [=<]) |(?<=\d) (?=k?m\b)", "\xa0", text)


def texts_of(section: Section) -> Iterator[str]:
    """Yield every text of a section, in order."""
    yield section.title
    yield from section.paragraphs
    for points in section.points:
        yield points.heading
        yield from points.texts
    for table in section.tables:
        yield table.caption
        yield from table.text
        yield from table.numbers
        for row in table.rows:
            yield from row
    yield from section.notes


def check_french(texts: Callable[[], Iterable[str]]) -> list[str]:
    """Check that texts differ between English and French, and that the French hold no English; return these."""
    english = list(texts())
    with speaking(FRENCH):
        french = list(texts())
    assert len(english) == len(french)
    for before, after in zip(english, french, strict=True):
        assert "{" not in before + after
        assert not _ENGLISH.search(_ALIKE.sub("", after)), after
        if re.search(r"[a-z]{3}", _ALIKE.sub("", before), re.IGNORECASE):
            assert before != after
    return french
