"""Rows of records from a Darwin Core archive: each occurrence with its event and its measurements, under our fields.

What can't be meant (a quantity that counts no shells, two colours for one shell) is passed on as it stands, so that the
row is rejected with it for a reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.errors import Problem, SourceError
from morphcline.language import Said, said_many
from morphcline.records import exchange_words as words
from morphcline.records.texts import TextColumn, TextTable, folded, tidy
from morphcline.scoring.formulas import UnreadableBanding, read_banding
from morphcline.study import FIELDS

EVENT, OCCURRENCE = "Event", "Occurrence"
EXTENDED, PLAIN = "ExtendedMeasurementOrFact", "MeasurementOrFact"
_MEASURED = (EXTENDED, PLAIN)
#: Helper column: whether the shells of a row were recorded one by one.
SINGLY = "recorded singly"

#: Terms without which no archive can be read, by what the row is about; any of a group does.
NEEDED: Mapping[str, tuple[tuple[str, ...], ...]] = {
    EVENT: (),
    OCCURRENCE: (("scientificName",), ("organismQuantity", "individualCount", "occurrenceStatus")),
    EXTENDED: (("measurementType",), ("measurementValue",)),
    PLAIN: (("measurementType",), ("measurementValue",)),
}
_PLACED = ("decimalLatitude", "decimalLongitude")
_PLACE = (*_PLACED, "geodeticDatum", "coordinateUncertaintyInMeters")
_WGS84 = frozenset({"wgs84", "epsg:4326", "wgs1984", "worldgeodeticsystem1984"})
_FACT = frozenset({"occurrenceID", "measurementType", "measurementValue"})
#: Terms that are read of rows that aren't occurrences; of those every cell is kept.
READ: Mapping[str, frozenset[str]] = {
    EVENT: frozenset(
        {"parentEventID", "fieldNumber", "eventDate", "year", "month", "day", "habitat", "locationID", "recordedBy"}
    ).union(_PLACE),
    EXTENDED: _FACT,
    PLAIN: _FACT,
}
#: Generations of events above one that are looked through for a place.
_DEEPEST = 20
#: Problems told of one file; the rest are counted.
_TOLD = 20

Texts = NDArray[np.object_]
Rows = NDArray[np.intp]


@dataclass(frozen=True)
class ArchiveFile:
    """One file of an archive, every cell as text.

    Parameters
    ----------
    shown : str
        As messages name it.
    row_type : str
        What a row is about, the last part of its address: ``"Event"``.
    id : (n,) array of str
        Of the core: each row's own id; of an extension: the id of the row of the core to which it belongs.
    columns : mapping of str to (n,) array of str
        By the term's name.
        Of events and measurements only those terms that are read (:data:`READ`).
    row : (n,) array of int64
        Row numbers as a person sees them.
    beyond : mapping of int to tuple of str
        For a row (by position) with more cells than there are columns: the cells beyond.
    terms : tuple of str
        All that the file has.
    """

    shown: str
    row_type: str
    id: Texts
    columns: Mapping[str, Texts]
    row: NDArray[np.int64]
    beyond: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    terms: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.row)

    def __getitem__(self, term: str) -> Texts:
        """Return the texts of a term; empty ones where the file doesn't have it."""
        return self.columns[term] if term in self.columns else np.full(len(self), "", dtype=object)

    def blank(self) -> NDArray[np.bool_]:
        """Tell which rows hold nothing."""
        blank: NDArray[np.bool_] = self.id == ""
        for texts in self.columns.values():
            blank &= texts == ""
        return blank


@dataclass(frozen=True)
class Archive:
    """An archive as read.

    Parameters
    ----------
    shown : str
    core : ArchiveFile
        Of events, or of occurrences.
    extensions : tuple of ArchiveFile
    dataset : str
        Its title, where it tells one.
    """

    shown: str
    core: ArchiveFile
    extensions: tuple[ArchiveFile, ...]
    dataset: str = ""


def read_records(archive: Archive) -> TextTable:
    """Return an archive's occurrences as a sheet of records in the layout of counts.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    TextTable
        Columns: our fields, :data:`SINGLY`, and the cells of the occurrence as they came.

    Raises
    ------
    SourceError
        When the files don't fit together: ids that are empty, come twice or lead nowhere, needed terms that are absent.
    """
    occurrences, events = _parts(archive)
    measurements = [file for file in archive.extensions if file.row_type in _MEASURED]
    for file in (occurrences, *measurements):
        _refuse(_lacking(file))
    of_event = None if events is None else _found(occurrences, occurrences.id, events, "eventID")
    of_id = _ids(occurrences, "occurrenceID", occurrences["occurrenceID"] if events is not None else occurrences.id)
    facts, unread = _facts(measurements, of_id, events, len(occurrences))
    columns = _fields(occurrences, events, of_event, facts)
    warnings = list(_warnings(archive, occurrences, events, of_event, unread))
    taken = {folded(name) for name in columns}
    came = {name: texts for name, texts in occurrences.columns.items() if folded(name) not in taken}
    # A row that holds nothing stays one.
    blank = occurrences.blank()
    texts = {name: TextColumn.of(np.where(blank, "", values).tolist()) for name, values in {**columns, **came}.items()}
    core = "events" if events is not None else "occurrences"
    details = {"archive": f"Darwin Core, core of {core}"} | ({"dataset": archive.dataset} if archive.dataset else {})
    return TextTable(
        occurrences.shown, tuple(texts), texts, occurrences.row, occurrences.beyond,
        details=details, warnings=tuple(warnings),
    )  # fmt: skip


def one_row_a_shell(observations: pd.DataFrame, table: TextTable) -> pd.DataFrame:
    """Return an archive's observations with shells that were recorded one by one in a row each, as they had been.

    Parameters
    ----------
    observations : DataFrame
        ``row``, ``count`` and ``_layout``, which becomes that of a row a shell.
    table : TextTable
        As :func:`read_records` returned it.
    """
    if SINGLY not in table.columns:
        return observations
    single = np.isin(observations["row"], table.row[table.columns[SINGLY].texts() == words.SINGLE])
    single &= (observations["count"] > 0).to_numpy()
    times = np.where(single, observations["count"], 1)
    told = observations.assign(
        count=np.where(single, 1, observations["count"]), _layout=np.where(single, "shells", observations["_layout"])
    )
    return told.loc[told.index.repeat(times)].reset_index(drop=True)


def _parts(archive: Archive) -> tuple[ArchiveFile, ArchiveFile | None]:
    """Return the occurrences, and the events where they are the core."""
    if archive.core.row_type == OCCURRENCE:
        return archive.core, None
    found = [file for file in archive.extensions if file.row_type == OCCURRENCE]
    if archive.core.row_type != EVENT or not found:
        has = ", ".join(file.row_type or "?" for file in (archive.core, *archive.extensions))
        accepted = "a core of events with occurrences, or a core of occurrences"
        raise SourceError(Problem(archive.shown, "meta.xml", f"its files hold {has}", accepted))
    return found[0], archive.core


def _lacking(file: ArchiveFile) -> Iterator[Problem]:
    for group in NEEDED.get(file.row_type, ()):
        if not any(name in file.columns for name in group):
            found = f"no field has the term {' or '.join(group)}, which is needed for rows of {file.row_type}"
            yield Problem(file.shown, "meta.xml", found, f"its terms: {', '.join(file.terms) or 'none'}")


def _refuse(problems: Iterator[Problem] | Sequence[Problem]) -> None:
    told = list(problems)
    if len(told) > _TOLD:
        more = f"and {len(told) - _TOLD:,} more rows likewise"
        told = [*told[:_TOLD], Problem(told[0].file, "", more, "mend them too")]
    if told:
        raise SourceError(told)


def _ids(file: ArchiveFile, term: str, ids: Texts) -> dict[str, int]:
    """Return the position of each id, which must come once where it isn't empty."""
    known: dict[str, int] = {}
    problems = []
    for at, text in enumerate(ids):
        if text and known.setdefault(text, at) != at:
            found = f"{term} {text!r} is that of row {file.row[known[text]]} already"
            problems.append(Problem(file.shown, f"row {file.row[at]}", found, "give each row an id of its own"))
    _refuse(problems)
    return known


def _found(file: ArchiveFile, ids: Texts, core: ArchiveFile, term: str) -> Rows:
    """Return the core's row for each row of another file; -1 for rows that hold nothing."""
    _refuse(
        Problem(core.shown, f"row {core.row[at]}", f"{term} is empty", "give each row an id of its own")
        for at in np.flatnonzero((core.id == "") & ~core.blank())
    )
    known = _ids(core, term, core.id)
    at = np.array([known.get(text, -1) for text in ids], dtype=np.intp)
    lost = np.flatnonzero((at < 0) & ~file.blank())
    _refuse(
        Problem(
            file.shown, f"row {file.row[row]}",
            f"its {term} {ids[row]!r} is in no row of {core.shown}" if ids[row] else f"its {term} is empty",
            f"one of the {len(known):,} ids there, such as {next(iter(known), '')!r}",
        )
        for row in lost
    )  # fmt: skip
    return at


def _facts(
    files: Sequence[ArchiveFile], of_id: Mapping[str, int], events: ArchiveFile | None, rows: int
) -> tuple[dict[str, Texts], dict[str, int]]:
    """Return the values of each kind of measurement that is read, by occurrence; and how many of others there are."""
    values: dict[str, dict[int, list[str]]] = {}
    unread: dict[str, int] = {}
    for file in files:
        ids = file["occurrenceID"] if events is not None else np.where(file.id != "", file.id, file["occurrenceID"])
        if events is not None:
            _found(file, file.id, events, "eventID")
        problems = []
        kinds = {kind: words.SYNONYMS.get(_letters(kind), "") for kind in set(file["measurementType"])}
        for at, (name, kind, value) in enumerate(
            zip(ids, file["measurementType"], file["measurementValue"], strict=True)
        ):
            if not name:
                continue  # of an event, not of shells
            if name not in of_id:
                found = f"its occurrenceID {name!r} is in no row of occurrences"
                problems.append(Problem(file.shown, f"row {file.row[at]}", found, "the id of an occurrence, or none"))
                continue
            ours = kinds[kind]
            if not ours:
                unread[kind] = unread.get(kind, 0) + 1
            elif value:
                said = values.setdefault(ours, {}).setdefault(of_id[name], [])
                if value not in said:
                    said.append(value)
        _refuse(problems)
    facts = {}
    for kind, said_of in values.items():
        texts = np.full(rows, "", dtype=object)
        for at, said in said_of.items():
            texts[at] = " | ".join(said)
        facts[kind] = texts
    return facts, unread


def _letters(text: str) -> str:
    return "".join(sign for sign in text.casefold() if sign.isalnum())


def _fields(
    occurrences: ArchiveFile, events: ArchiveFile | None, of_event: Rows | None, facts: Mapping[str, Texts]
) -> dict[str, Texts]:
    """Return a column for each of our fields that an archive can hold."""
    nothing = np.full(len(occurrences), "", dtype=object)
    lineage = _lineage(events) if events is not None else []

    def from_event(term: str, *, inherited: bool) -> Texts:
        texts = occurrences[term].copy()
        if events is None or of_event is None:
            return texts
        for above in lineage if inherited else lineage[:1]:
            at = np.where(of_event >= 0, above[of_event], -1)
            wanting = (texts == "") & (at >= 0)
            texts[wanting] = events[term][at[wanting]]
        return texts

    place = _places(occurrences, events, of_event, lineage)
    site = from_event("locationID", inherited=True)
    if events is not None and of_event is not None:
        parent = np.where(of_event >= 0, events["parentEventID"][of_event], "")
        site = np.where(site == "", parent, site)
    date = from_event("eventDate", inherited=True)
    date = np.where(date == "", _date_by_parts(from_event, len(occurrences)), date)
    condition = facts.get(words.CONDITION, nothing)
    remarks = occurrences["occurrenceRemarks"]
    made = np.array([text.startswith((words.NOT_COUNTED, words.NONE_FOUND)) for text in remarks], dtype=bool)
    columns = {
        "site": site,
        "visit": from_event("fieldNumber", inherited=False),
        "date": date,
        "longitude": place["decimalLongitude"],
        "latitude": place["decimalLatitude"],
        "crs": np.array([_crs(text) for text in place["geodeticDatum"]], dtype=object),
        "position_uncertainty_m": place["coordinateUncertaintyInMeters"],
        "species": occurrences["scientificName"],
        "qualifier": occurrences["identificationQualifier"],
        "lip": facts.get(words.LIP, nothing),
        "colour": facts.get(words.COLOUR, nothing),
        "banding": _banding(facts.get(words.FORMULA, nothing), facts.get(words.BAND_CLASS, nothing)),
        "count": _counts(occurrences),
        "age": occurrences["lifeStage"],
        "condition": np.where(condition == "", _condition(occurrences["vitality"]), condition),
        "habitat": from_event("habitat", inherited=True),
        "recorder": from_event("recordedBy", inherited=False),
        "note": np.where(made, "", remarks),
        SINGLY: facts.get(words.UNIT, nothing),
    }
    if not set(columns) - {SINGLY} <= set(FIELDS):
        raise KeyError("a column is none of the fields")
    return columns


def _lineage(events: ArchiveFile) -> list[Rows]:
    """Return, generation by generation, each event's own row, its parent's, and so on; -1 where there is none."""
    known = {text: at for at, text in enumerate(events.id) if text}
    parent = np.array([known.get(text, -1) for text in events["parentEventID"]], dtype=np.intp)
    lost = [at for at, text in enumerate(events["parentEventID"]) if text and text not in known]
    _refuse(
        Problem(
            events.shown, f"row {events.row[at]}",
            f"its parentEventID {events['parentEventID'][at]!r} is the eventID of no row", "an eventID, or none",
        )
        for at in lost
    )  # fmt: skip
    generations = [np.arange(len(events), dtype=np.intp)]
    while (generations[-1] >= 0).any():
        if len(generations) > _DEEPEST:
            found = f"events lie more than {_DEEPEST} deep in one another, or are their own parents"
            raise SourceError(Problem(events.shown, "parentEventID", found, "events whose parents come to an end"))
        above = generations[-1]
        generations.append(np.where(above >= 0, parent[above], -1))
    return generations[:-1]


def _places(
    occurrences: ArchiveFile, events: ArchiveFile | None, of_event: Rows | None, lineage: Sequence[Rows]
) -> dict[str, Texts]:
    """Return each row's place: its own whole, else that of its event, else that of the next event above."""
    place = {term: occurrences[term].copy() for term in _PLACE}
    if events is None or of_event is None:
        return place
    for above in lineage:
        at = np.where(of_event >= 0, above[of_event], -1)
        wanting = (place[_PLACED[0]] == "") & (place[_PLACED[1]] == "") & (at >= 0)
        for term in _PLACE:
            place[term][wanting] = events[term][at[wanting]]
    return place


def _crs(datum: str) -> str:
    """Return a datum as a CRS; the usual names of that of satellite fixes are read, others as they stand."""
    return "EPSG:4326" if folded(datum) in _WGS84 else datum


def _date_by_parts(from_event: Callable[..., Texts], rows: int) -> Texts:
    year, month, day = (from_event(term, inherited=True) for term in ("year", "month", "day"))
    texts = np.full(rows, "", dtype=object)
    for at in np.flatnonzero(year != ""):
        parts = [year[at].zfill(4)]
        for part in (month[at], day[at]):
            if not part:
                break
            parts.append(part.zfill(2))
        texts[at] = "-".join(parts)
    return texts


def _counts(occurrences: ArchiveFile) -> Texts:
    """Return the number of shells of each row; what is no such number is passed on as a text."""
    counts = np.full(len(occurrences), "", dtype=object)
    rows = zip(
        *(occurrences[term] for term in ("organismQuantity", "organismQuantityType", "individualCount")),
        occurrences["occurrenceStatus"], strict=True,
    )  # fmt: skip
    for at, (quantity, kind, individuals, status) in enumerate(rows):
        shells = tidy(kind).casefold() in words.COUNTS_SHELLS
        count = quantity if shells or not quantity else f"{quantity} {kind or 'of no organismQuantityType'}"
        if individuals and quantity and shells and individuals != quantity:
            count = f"{quantity} {kind}, individualCount {individuals}"
        elif individuals and not quantity:
            count = individuals
        plain = tidy(status).casefold()
        if plain == words.ABSENT:
            count = "0" if count in ("", "0") else f"{count} {status}"
        elif plain not in ("", words.PRESENT) or (plain == words.PRESENT and count == "0"):
            count = f"{count} {status}"
        counts[at] = count
    return counts


def _banding(formulas: Texts, classes: Texts) -> Texts:
    """Return the formula, else the class; both where they contradict each other."""
    agreed: dict[tuple[str, str], str] = {}
    for formula, band_class in set(zip(formulas, classes, strict=True)):
        agreed[formula, band_class] = formula or band_class
        if formula and band_class and folded(band_class) != words.UNSCORED:
            try:
                if read_banding(formula).band_class != read_banding(band_class).band_class:
                    agreed[formula, band_class] = f"{formula} | {band_class}"
            except UnreadableBanding:
                continue
    return np.array([agreed[pair] for pair in zip(formulas, classes, strict=True)], dtype=object)


def _condition(vitality: Texts) -> Texts:
    return np.array([words.CONDITION_OF.get(tidy(text).casefold(), text) for text in vitality], dtype=object)


def _warnings(
    archive: Archive,
    occurrences: ArchiveFile,
    events: ArchiveFile | None,
    of_event: Rows | None,
    unread: Mapping[str, int],
) -> Iterator[str]:
    if unread:
        told = ", ".join(f"{kind or '–'} ({number:,})" for kind, number in sorted(unread.items()))
        yield Said("{file}: measurements of these types aren't read: {types}", file=archive.shown, types=told)
    others = [f for f in archive.extensions if f is not occurrences and f.row_type not in _MEASURED]
    if others:
        told = ", ".join(f"{file.shown} ({len(file):,} × {file.row_type})" for file in others)
        yield Said("{file}: these files aren't read: {files}", file=archive.shown, files=told)
    for file in (archive.core, *archive.extensions):
        if file.beyond and (file is events or file.row_type in _MEASURED):
            yield said_many(
                "{file}: {n} row has more cells than columns (row {row}); those beyond aren't read",
                "{file}: {n} rows have more cells than columns (row {row}, for example); those beyond aren't read",
                len(file.beyond),
                file=file.shown,
                n=len(file.beyond),
                row=str(file.row[min(file.beyond)]),
            )
    if events is None or of_event is None:
        return
    used = set(of_event.tolist())
    parents = set(events["parentEventID"].tolist())
    bare = [at for at in np.flatnonzero(~events.blank()) if at not in used and events.id[at] not in parents]
    if bare:
        yield said_many(
            "{file}: {n} event has no occurrence, so nothing is read of it (row {row} of {events}); a search that "
            "found nothing is an occurrence with the status absent",
            "{file}: {n} events have no occurrence, so nothing is read of them (row {row} of {events}, for example); "
            "a search that found nothing is an occurrence with the status absent",
            len(bare),
            file=archive.shown,
            n=len(bare),
            row=str(events.row[bare[0]]),
            events=events.shown,
        )
