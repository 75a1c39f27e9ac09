"""The language of what people read: messages from a gettext catalogue, numbers with the language's own marks."""

from __future__ import annotations

import gettext
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache, reduce
from importlib.resources import files
from importlib.resources.abc import Traversable
from io import BytesIO
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING, Any

from morphcline.errors import Problem, StudyFileError

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog, Message

#: Languages that come with the package; English is the language of the messages themselves.
SHIPPED = ("en", "fr")


@dataclass(frozen=True)
class Language:
    """A language by its code, and the user's own catalogue where there is one.

    Parameters
    ----------
    code : str
        Such as ``"fr"`` or ``"pt_BR"``: of the marks in numbers, and of the page's ``lang``.
    catalogue : Path, optional
        A ``.po`` file; the shipped one otherwise.
    """

    code: str = "en"
    catalogue: Path | None = None

    @property
    def tag(self) -> str:
        """The code as HTML and browsers write it: ``"pt-BR"``."""
        return self.code.replace("_", "-")


ENGLISH = Language()
_SPOKEN: ContextVar[Language] = ContextVar("language", default=ENGLISH)


def spoken() -> Language:
    """Return the language in force here."""
    return _SPOKEN.get()


@contextmanager
def speaking(language: Language) -> Iterator[None]:
    """Put a language in force for a block; work sent to another process has to do so again there."""
    token = _SPOKEN.set(language)
    try:
        yield
    finally:
        _SPOKEN.reset(token)


def _(message: str) -> str:
    """Return a message in the language in force; values are put in afterwards: ``_("{n} of them").format(n=3)``."""
    return _translations(_SPOKEN.get()).gettext(message)


def many(singular: str, plural: str, count: float) -> str:
    """Return the form of a message that a number asks for; the number is put in afterwards.

    A number between whole ones is plural in English (1.5 points); elsewhere its whole part decides, as in French, where
    1,5 is singular (Unicode CLDR, plural rules).
    """
    language = _SPOKEN.get()
    if language == ENGLISH:
        return singular if count == 1 else plural
    return _translations(language).ngettext(singular, plural, int(count))


def within(context: str, message: str) -> str:
    """Return a message that means another thing elsewhere; the context tells translators which is meant."""
    return _translations(_SPOKEN.get()).pgettext(context, message)


def marked(message: str) -> str:
    """Mark a message for the catalogue and leave it as it is: it is looked up where it is shown."""
    return message


class Said(str):
    """A sentence that remembers how it was made, so that it can be said again in another language.

    It reads as English wherever text does (``run.json``, a terminal); :func:`again` says it in the language in force.

    Parameters
    ----------
    message : str
        With ``{names}`` for the values, as it stands in the catalogue.
    values : mapping
        Numbers, which are shown with their marks; texts, which are looked up themselves; or other sentences.
    """

    message: str
    values: dict[str, Any]
    #: The message for several, and how many there are; empty for a sentence of one form.
    plural: str
    number: int

    def __new__(cls, message: str, /, **values: Any) -> Said:
        """Put the sentence together in English."""
        return _put_together(message, "", 0, values)

    def __reduce__(self) -> tuple[Any, tuple[str, str, int, dict[str, Any]]]:
        return _put_together, (self.message, self.plural, self.number, self.values)


def said_many(singular: str, plural: str, number: int, /, **values: Any) -> Said:
    """Return a sentence in the form that a number asks for, in whatever language it will be said."""
    return _put_together(singular, plural, number, values)


def said_list(texts: Iterable[str]) -> str:
    """Return texts with commas between them as a part of a sentence that can be said again."""
    return reduce(lambda before, after: Said("{before}, {after}", before=before, after=after), list(texts) or [""])


def _put_together(message: str, plural: str, number: int, values: dict[str, Any]) -> Said:
    form = plural if plural and number != 1 else message
    shown = {name: _with_digits(value) for name, value in values.items()}
    said = str.__new__(Said, form.format(**shown) if values else form)
    said.message, said.plural, said.number, said.values = message, plural, number, values
    return said


def _with_digits(value: Any) -> Any:
    """Return a number as English writes it: whole ones with commas between thousands."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    return f"{value:,}" if isinstance(value, int) else f"{value:g}"


def again(text: str) -> str:
    """Return a sentence in the language in force; a plain text is looked up as it is."""
    if not isinstance(text, Said):
        return _(text) if text else text
    message = many(text.message, text.plural, text.number) if text.plural else _(text.message)
    values = {name: _shown_again(value) for name, value in text.values.items()}
    return message.format(**values) if values else message


def _shown_again(value: Any) -> Any:
    if isinstance(value, str):
        return again(value)
    digits = _with_digits(value)
    return digits if digits is value else with_marks(digits)


def kept(value: Any) -> Any:
    """Return plain values for a record in which sentences can be found again by :func:`restored`."""
    if isinstance(value, Said):
        forms = {"said": value.message} | ({"plural": value.plural, "number": value.number} if value.plural else {})
        return forms | {"with": kept(value.values)}
    if isinstance(value, Mapping):
        return {str(name): kept(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [kept(item) for item in value]
    return value


def restored(value: Any) -> Any:
    """Return what :func:`kept` was given."""
    if isinstance(value, Mapping):
        if {"said", "with"} <= value.keys() <= {"said", "plural", "number", "with"}:
            return _put_together(
                value["said"], value.get("plural", ""), value.get("number", 0), restored(value["with"])
            )
        return {name: restored(item) for name, item in value.items()}
    if isinstance(value, list):
        return [restored(item) for item in value]
    return value


def with_marks(text: str) -> str:
    """Return a number, formatted as Python does, with the marks of the language in force.

    Examples
    --------
    >>> with speaking(Language("fr")):
    ...     with_marks(f"{1234.5:,.1f}").replace(chr(0x202F), "_")
    '1_234,5'
    """
    decimal, thousands = _marks(_SPOKEN.get().code)
    if (decimal, thousands) == (".", ","):
        return text
    return text.translate({ord("."): decimal, ord(","): thousands})


@lru_cache(maxsize=8)
def _marks(code: str) -> tuple[str, str]:
    if code == "en":
        return ".", ","
    from babel import Locale

    symbols = Locale.parse(code).number_symbols["latn"]
    return str(symbols["decimal"]), str(symbols["group"])


@lru_cache(maxsize=8)
def _translations(language: Language) -> gettext.NullTranslations:
    if language.catalogue is None and language.code == "en":
        return gettext.NullTranslations()
    return read_catalogue(language)


def read_catalogue(language: Language) -> gettext.GNUTranslations:
    """Read a catalogue for use; messages that it lacks stay in English.

    Raises
    ------
    StudyFileError
        As :func:`catalogue_of`.
    """
    from babel.messages.mofile import write_mo

    compiled = BytesIO()
    write_mo(compiled, catalogue_of(language))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def catalogue_of(language: Language) -> Catalog:
    """Return a language's catalogue: the user's own, or the parts that come with the package put together.

    Raises
    ------
    StudyFileError
        When there is no catalogue of that language, the file can't be read as one, or a translation asks for a value
        that its message doesn't have.
    """
    from babel.messages.catalog import Catalog
    from babel.messages.pofile import PoFileError, read_po

    if language.catalogue is not None:
        sources: list[Traversable] = [language.catalogue] if language.catalogue.is_file() else []
    else:
        home = files("morphcline").joinpath(f"locales/{language.code}")
        sources = [file for file in home.iterdir() if file.name.endswith(".po")] if home.is_dir() else []
    if not sources:
        shown = language.catalogue.name if language.catalogue else language.code
        raise StudyFileError(
            Problem(
                "",
                "[publish] language",
                f"there is no catalogue {shown!r}",
                f"shipped: {', '.join(SHIPPED)}; any other with a .po file of your own in [publish] catalogue",
            )
        )
    whole = Catalog(locale=language.code)
    problems: list[Problem] = []
    for source in sorted(sources, key=lambda file: file.name):
        try:
            part = read_po(BytesIO(source.read_bytes()), locale=language.code, abort_invalid=True)
        except (PoFileError, UnicodeDecodeError, ValueError) as error:
            problem = Problem(
                source.name, "", f"this is not a gettext catalogue: {error}", "a .po file in UTF-8 is accepted"
            )
            raise StudyFileError(problem) from error
        for message in part:
            # What is marked as fuzzy is a guess that nobody has looked at.
            if message.id and not message.fuzzy:
                problems += _ill_fitting(source.name, message)
                whole.add(message.id, message.string, context=message.context)
    if problems:
        raise StudyFileError(problems)
    return whole


def _ill_fitting(file: str, message: Message) -> Iterator[Problem]:
    """Yield what would stop a message from being filled in: names of values that it doesn't have, loose braces."""
    said = [message.id] if isinstance(message.id, str) else list(message.id)
    translations = [message.string] if isinstance(message.string, str) else list(message.string or ())
    known = set().union(*(placeholders(text) for text in said))
    for text in translations:
        try:
            unknown = sorted(placeholders(text) - known)
        except ValueError as error:
            yield Problem(file, f"line {message.lineno}", f"{text!r} can't be filled in: {error}", "mend its braces")
            continue
        if unknown:
            shown = ", ".join(f"{{{name}}}" for name in sorted(known)) or "none"
            yield Problem(file, f"line {message.lineno}", f"{text!r} asks for {{{unknown[0]}}}", f"it may use {shown}")


def placeholders(message: str) -> set[str]:
    """Return the names in braces for which values are put into a message.

    Raises
    ------
    ValueError
        When its braces don't pair.
    """
    return {name for _before, name, _format, _conversion in Formatter().parse(message) if name is not None}
