"""Read a study file into a frozen, typed :class:`Study`, reporting every problem at once."""

from __future__ import annotations

import difflib
import tomllib
import types
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from morphcline.errors import Problem, StudyFileError
from morphcline.language import Language
from morphcline.study._base import Section
from morphcline.study.autocorrelation import Autocorrelation
from morphcline.study.clines import Change, Clines
from morphcline.study.general import General
from morphcline.study.habitat import Habitat
from morphcline.study.plan import Plan
from morphcline.study.publish import Publish
from morphcline.study.records import FIELDS, EarlierSurvey, RecordSource
from morphcline.study.report import Report
from morphcline.study.scoring import Scoring
from morphcline.study.steepness import Steepness
from morphcline.study.surfaces import Surfaces
from morphcline.study.temperature import Temperature

#: What the commonest kinds of value accept, in words.
_ACCEPTED = {
    "string_pattern_mismatch": "a slug of a-z, 0-9, - and _",
    "string_type": "a text in quotation marks",
    "int_": "a whole number",
    "float_": "a number",
    "finite_number": "a finite number",
    "bool_": "true or false",
    "path_type": "a path in quotation marks",
    "tuple_type": "a list in square brackets",
    "too_short": "a list that isn't empty",
    "dict_type": "a table",
    "model_": "a table",
}

#: Keys that name a file.
_FILES = {"path", "area", "barriers", "mask", "reachability", "near", "pseudonym_key", "catalogue"}

#: What to add where a key is missing, if its name alone doesn't say.
_EXAMPLES = {
    "counted": 'add it, for example counted = { colour = ["pink"] }',
    "crs": 'add it, for example crs = "EPSG:2154"',
    "path": 'add it, for example path = "records.csv"',
}


class Study(Section):
    """A whole study: every section with its defaults filled in, every path absolute.

    Attributes
    ----------
    file : path
        The study file.
    study, scoring, habitat, temperature, surfaces, steepness, autocorrelation, clines, change, publish, report, plan
        The sections; ``habitat`` and ``temperature`` are None when the study has no such raster.
    records : tuple of RecordSource
        The survey's own files.
    earlier : tuple of EarlierSurvey
    """

    file: Path
    study: General
    records: tuple[RecordSource, ...]
    earlier: tuple[EarlierSurvey, ...] = ()
    scoring: Scoring = Scoring()
    habitat: Habitat | None = None
    temperature: Temperature | None = None
    surfaces: Surfaces = Surfaces()
    steepness: Steepness = Steepness()
    autocorrelation: Autocorrelation = Autocorrelation()
    clines: Clines = Clines()
    change: Change = Change()
    publish: Publish = Publish()
    report: Report = Report()
    plan: Plan = Plan()

    @property
    def language(self) -> Language:
        """In which people read what the study says."""
        return Language(self.publish.language, self.publish.catalogue)

    def shown(self, path: Path) -> str:
        """Return a path as the user wrote it: relative to the study file where it lies below its folder."""
        for base in (self.file.parent, self.file.parent.parent):
            if path.is_relative_to(base):
                return path.relative_to(base).as_posix()
        return path.name


def load_study(file: str | Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    file : path
        A TOML file; relative paths in it count from its folder.

    Returns
    -------
    Study

    Raises
    ------
    StudyFileError
        With every problem found: unreadable TOML, unknown keys (and the nearest known one), values out of range.
        Files that the study names are not opened here.
    """
    file = Path(file).absolute()
    document = _read_toml(file)
    problems = list(_zero_characters(document, file))
    if problems:
        raise StudyFileError(problems)
    shaped = _shape(document, file, problems)
    study: Study | None = None
    try:
        study = Study.model_validate({"file": file, **shaped})
    except ValidationError as error:
        problems += _problems(error, file)
        problems += _absent_files(shaped, file.parent)
    if problems or study is None:
        raise StudyFileError(problems)
    absolute: Study = _with_absolute_paths(study, file.parent)
    return absolute


def _read_toml(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        problem = Problem(
            str(file), "", "there is no such file", "name a study file, or make one with: morphcline new DIR"
        )
    except IsADirectoryError:
        problem = Problem(str(file), "", "this is a folder", "name the study file in it")
    except PermissionError:
        problem = Problem(str(file), "", "the file may not be read", "change its permissions")
    except UnicodeDecodeError as error:
        problem = Problem(file.name, f"byte {error.start}", "this is not UTF-8 text", "save the study file as UTF-8")
    except RecursionError:
        problem = Problem(
            file.name, "", "its brackets are nested too deeply", "a study file as morphcline new writes one"
        )
    except ValueError as error:  # not TOML, or a number of thousands of figures
        problem = Problem(file.name, "", f"this is not TOML: {error}", "mend the line named")
    raise StudyFileError(problem)


def _zero_characters(value: Any, file: Path, *location: Any) -> Iterator[Problem]:
    """Name texts with a character NUL, which no path and no name can hold."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _zero_characters(item, file, *location, key.replace("\0", "\\0"))
            if "\0" in key:
                yield Problem(file.name, _where(list(location)), f"found the key {key!r}", "a key without it")
    elif isinstance(value, list):
        for place, item in enumerate(value):
            yield from _zero_characters(item, file, *location, place)
    elif isinstance(value, str) and "\0" in value:
        yield Problem(file.name, _where(list(location)), f"found {_brief(value)}", "a text without the character NUL")


def _shape(document: dict[str, Any], file: Path, problems: list[Problem]) -> dict[str, Any]:
    """Bring the three ways to write ``[records]`` (one path, a list of paths, tables) into one."""
    shaped = dict(document)
    tables = shaped.get("records")
    if tables is None:
        return shaped
    earlier: list[dict[str, Any]] = []
    sources: list[Any] = []
    for table in tables if isinstance(tables, list) else [tables]:
        if not isinstance(table, dict):
            problems.append(
                Problem(file.name, "records", f"found {table!r}", "a table [records], or tables [[records]]")
            )
            continue
        rest = {key: value for key, value in table.items() if key != "earlier"}
        sources += _a_source_per_path(rest)
        if "earlier" in table:
            found = table["earlier"]
            earlier += found if isinstance(found, list) else [found]
    shaped["records"] = sources
    if earlier:
        shaped["earlier"] = [_shape_earlier(survey) for survey in earlier]
    return shaped


def _shape_earlier(survey: Any) -> Any:
    if not isinstance(survey, dict):
        return survey
    rest = {key: value for key, value in survey.items() if key != "name"}
    name = {"name": survey["name"]} if "name" in survey else {}
    return {**name, "sources": _a_source_per_path(rest)}


def _a_source_per_path(table: dict[str, Any]) -> list[dict[str, Any]]:
    paths = table.get("path")
    if isinstance(paths, list):
        return [{**table, "path": path} for path in paths]
    return [table]


def _problems(error: ValidationError, file: Path) -> Iterator[Problem]:
    told: dict[tuple[str, str], list[str]] = {}
    for item in error.errors(include_url=False):
        location = _without_union_tags(item["loc"])
        where, found, accepted = _in_words(item, location)
        # A choice of several kinds reports one error a kind.
        kinds = told.setdefault((where, found), [])
        if accepted not in kinds:
            kinds.append(accepted)
    for (where, found), kinds in told.items():
        yield Problem(file.name, where, found, _either(kinds))


def _either(kinds: list[str]) -> str:
    """Join the kinds of value that a key accepts; advice of another sort stands as it is."""
    advice = [kind for kind in kinds if kind.startswith(("add it", "did you", "fields", "known", "!"))]
    if advice:
        return advice[0].removeprefix("!")
    return f"{' or '.join(kinds)} is accepted"


def _in_words(item: Any, location: list[int | str]) -> tuple[str, str, str]:
    """Return where, what was found and what is accepted."""
    kind, last = item["type"], location[-1] if location else ""
    if last == "[key]":
        name, inside = str(location[-2]), location[:-2]
        if kind != "literal_error":
            return _where(inside), f"found the key {name!r}", "a raster code, a whole number,"
        return _where(inside), f"the field {name!r} is unknown", _nearest(name, FIELDS, "fields: ")
    if kind == "extra_forbidden":
        known = sorted(_known_keys(Study, location[:-1]))
        return _where(location), f"the key {last!r} is unknown", _nearest(str(last), known, "known keys here: ")
    if kind == "missing":
        return _where(location), "this key is missing", _EXAMPLES.get(str(last), "add it")
    found = f"found {_brief(item['input'])}"
    for start, words in _ACCEPTED.items():
        if kind.startswith(start):
            return _where(location), found, words
    message = str(item["msg"])
    if message.startswith("Value error, "):
        return _where(location), found, "!" + message.removeprefix("Value error, ")
    return _where(location), found, message.removeprefix("Input should be ")


def _without_union_tags(location: tuple[int | str, ...]) -> list[int | str]:
    """Drop what pydantic adds to say which member of a union it tried: no key of the user's is called that."""
    before = (None, *location)
    return [part for part, previous in zip(location, before, strict=False) if not _is_union_tag(part, previous)]


def _is_union_tag(part: int | str, previous: int | str | None) -> bool:
    if not isinstance(part, str):
        return False
    if part == "path":
        return previous in {"axis", "basemap", "locator"}
    return part in {"float", "int", "str", "bool", "Neighbours", "Within"} or part.startswith(
        ("literal[", "function-", "constrained-", "lax-or-strict", "tuple[")
    )


def _brief(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _where(location: list[Any]) -> str:
    names = [str(part) if not isinstance(part, int) else f"#{part + 1}" for part in location]
    if len(names) <= 1:
        return "".join(names)
    return f"[{'.'.join(names[:-1])}] {names[-1]}"


def _nearest(name: str, known: Iterable[str], listing: str) -> str:
    names = list(known)
    near = difflib.get_close_matches(name, names, n=1)
    return f"did you mean {near[0]!r}?" if near else listing + ", ".join(names)


def _known_keys(model: type[BaseModel], location: Iterable[Any]) -> set[str]:
    for part in location:
        if isinstance(part, int) or part not in model.model_fields:
            continue
        inner = _section_in(model.model_fields[part].annotation)
        if inner is None:
            return set()
        model = inner
    names = set(model.model_fields)
    return names - {"file", "earlier"} if model is Study else names


def _section_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (Union, types.UnionType, tuple, list):
        for argument in get_args(annotation):
            found = _section_in(argument)
            if found is not None:
                return found
    return None


def _absent_files(shaped: Any, base: Path) -> Iterator[Problem]:
    """Name files that aren't there, though the study can't be read whole: every problem is told at once."""
    if isinstance(shaped, list):
        for item in shaped:
            yield from _absent_files(item, base)
    elif isinstance(shaped, dict):
        for key, value in shaped.items():
            if key in _FILES and isinstance(value, str) and not (base / value).exists():
                yield Problem(value, "", "there is no such file", f"mend {key} in the study file")
            else:
                yield from _absent_files(value, base)


def _with_absolute_paths(value: Any, base: Path) -> Any:
    """Return a copy of a section in which every path counts from ``base``."""
    if isinstance(value, Path):
        return value if value.is_absolute() else (base / value).resolve()
    if isinstance(value, tuple):
        return tuple(_with_absolute_paths(item, base) for item in value)
    if isinstance(value, BaseModel):
        changed = {
            name: _with_absolute_paths(getattr(value, name), base)
            for name in value.model_fields_set
            if isinstance(getattr(value, name), Path | tuple | BaseModel)
        }
        return value.model_copy(update=changed)
    return value
