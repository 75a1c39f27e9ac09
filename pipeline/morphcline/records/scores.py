"""What a row says about its shells: species, lip, colour, banding, age, condition and count, checked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morphcline.records.columns import Fields
from morphcline.records.numbers import read_count
from morphcline.records.texts import TextColumn, folded
from morphcline.records.verdicts import Verdicts
from morphcline.scoring.formulas import Banding, read_banding
from morphcline.scoring.shells import read_age, read_colour, read_condition, read_lip
from morphcline.scoring.species import Species, read_species

#: Said of a search that found no shell.
NONE_FOUND = "searched, none found"
_NO_SPECIES = Species("", "")


@dataclass(frozen=True)
class Scores:
    """The shells of every row; all arrays have a value a row, rejected rows included.

    Parameters
    ----------
    species, rank, qualifier, lip, colour, banding, band_class, mended, age, condition : (n,) arrays of str
        ``rank`` is "species", "genus" or empty.
    count : (n,) array of int64
        Shells; 1 where the layout has no counts.
    studied : (n,) array of bool
        The species is one the study analyses.
    """

    species: NDArray[np.object_]
    rank: NDArray[np.object_]
    qualifier: NDArray[np.object_]
    lip: NDArray[np.object_]
    colour: NDArray[np.object_]
    banding: NDArray[np.object_]
    band_class: NDArray[np.object_]
    mended: NDArray[np.object_]
    age: NDArray[np.object_]
    condition: NDArray[np.object_]
    count: NDArray[np.int64]
    studied: NDArray[np.bool_]

    def taken(self, rows: NDArray[np.intp]) -> Scores:
        """Return the scores of the rows given by position, in that order."""
        return Scores(*(getattr(self, part.name)[rows] for part in dataclass_fields(self)))


@dataclass(frozen=True)
class Reading:
    """What the texts of a column mean, each different text read once.

    Parameters
    ----------
    column : TextColumn
    meanings : tuple
        Of each word of the column.
    complaints : tuple of str
        Why a word can't be read; empty where it was.
    """

    column: TextColumn
    meanings: tuple[Any, ...]
    complaints: tuple[str, ...]

    @classmethod
    def of(cls, column: TextColumn, reader: Callable[[str], Any], default: Any) -> Reading:
        """Read a column with a function that raises ValueError with a sentence."""
        meanings, complaints = [], []
        for word in column.words:
            try:
                meanings.append(reader(word))
                complaints.append("")
            except ValueError as error:
                meanings.append(default)
                complaints.append(str(error).rstrip("."))
        return cls(column, tuple(meanings), tuple(complaints))

    def values(self, part: Callable[[Any], Any] = lambda meaning: meaning, dtype: Any = object) -> NDArray[Any]:
        """Return a part of the meaning of every row's text."""
        by_word = np.empty(len(self.meanings), dtype=dtype)
        for place, meaning in enumerate(self.meanings):
            by_word[place] = part(meaning)
        return by_word[self.column.codes]

    @cached_property
    def failed(self) -> NDArray[np.bool_]:
        """Whether a row's text couldn't be read."""
        return np.array([complaint != "" for complaint in self.complaints], dtype=bool)[self.column.codes]

    def reasons(self, what: str = "") -> TextColumn:
        """Return the complaint of every row, with what it is about in front."""
        front = f"{what}: " if what else ""
        return TextColumn(self.column.codes, tuple(f"{front}{complaint}" for complaint in self.complaints))


def read_counts(column: TextColumn, verdicts: Verdicts, empty: int | None) -> NDArray[np.int64]:
    """Read numbers of shells, rejecting rows without a usable one.

    Parameters
    ----------
    column : TextColumn
    verdicts : Verdicts
    empty : int or None
        What an empty cell means; None rejects the row.
    """
    reading = Reading.of(column, lambda text: read_count(text) if text else (empty or 0), 0)
    counts = reading.values(dtype=np.int64)
    if empty is None:
        told = "the count is empty; expected a whole number, 0 if none was found"
        verdicts.reject(column.empty, "count-missing", told)
    verdicts.reject(reading.failed, "count-not-whole", reading.reasons())
    below = column.changed(lambda word: f'the count "{word}" is below zero; expected 0 or more')
    verdicts.reject(counts < 0, "count-negative", below)
    return counts


def read_scores(
    fields: Fields, verdicts: Verdicts, *, layout: str, species_studied: Sequence[str], nothing_found: NDArray[np.bool_]
) -> Scores:
    """Read the shells of every row, rejecting rows that can't be read.

    Parameters
    ----------
    fields : Fields
    verdicts : Verdicts
    layout : {"counts", "wide", "shells"}
    species_studied : sequence of str
    nothing_found : (n,) array of bool
        Rows known to stand for a search that found nothing: they need no species.
    """
    ages = _read_word(fields, "age", read_age, verdicts)
    conditions = _read_word(fields, "condition", read_condition, verdicts)
    lips = _read_word(fields, "lip", read_lip, verdicts)
    if layout == "wide":
        counts = np.ones(len(fields), dtype=np.int64)  # the cells bring their own
    else:
        counts = read_counts(fields["count"], verdicts, 1 if layout == "shells" else None)
        nothing_found = nothing_found | ((counts == 0) & ~fields["count"].empty)
    juvenile = (ages == "juvenile") | ((ages == "") & (lips == "absent"))
    species, rank, qualifier, studied = _read_species(fields, verdicts, species_studied, juvenile | nothing_found)
    colour, banding, band_class, mended = _read_morph(fields, verdicts, layout)
    return Scores(
        species, rank, qualifier, lips, colour, banding, band_class, mended, ages, conditions, counts, studied
    )  # fmt: skip


def why_not_counted(scores: Scores, counts: NDArray[np.int64]) -> NDArray[np.object_]:
    """Return why shells stay out of every frequency, "" where they count.

    Parameters
    ----------
    scores : Scores
    counts : (n,) array
        Shells seen.
    """
    reasons = np.full(len(counts), "", dtype=object)
    no_lip = scores.lip == "absent"
    unstudied = np.flatnonzero((scores.rank == "species") & ~scores.studied)
    reasons[unstudied] = [f"{name} is not analysed in this study" for name in scores.species[unstudied]]
    # From the weakest reason to the strongest, which overwrites.
    reasons[scores.rank != "species"] = "not named to species"
    reasons[scores.condition == "worn"] = "worn or bleached"
    reasons[no_lip] = "no complete lip"
    reasons[no_lip & (scores.age == "")] = "juvenile: no lip"
    reasons[scores.age == "juvenile"] = "juvenile"
    reasons[counts == 0] = NONE_FOUND
    return reasons


def _read_word(fields: Fields, name: str, reader: Callable[[str], str], verdicts: Verdicts) -> NDArray[np.object_]:
    reading = Reading.of(fields[name], reader, "")
    verdicts.reject(reading.failed, f"{name}-unreadable", reading.reasons(name))
    return reading.values()


def _read_species(
    fields: Fields, verdicts: Verdicts, studied: Sequence[str], may_be_unnamed: NDArray[np.bool_]
) -> tuple[NDArray[np.object_], NDArray[np.object_], NDArray[np.object_], NDArray[np.bool_]]:
    column = fields["species"]
    own = {folded(name): name for name in studied}
    genera = {name.split()[0] for name in studied}

    def read(text: str) -> Species:
        if not text:
            return _NO_SPECIES
        return Species(own[folded(text)]) if folded(text) in own else read_species(text)

    reading = Reading.of(column, read, _NO_SPECIES)
    verdicts.reject(
        column.empty & ~may_be_unnamed,
        "species-missing",
        f"the species is empty; expected a name such as {studied[0]}, or the age juvenile",
    )
    verdicts.reject(reading.failed, "species-unknown", reading.reasons())
    listed = ", ".join(studied)
    verdicts.reject(
        reading.values(lambda one: one.name != "" and one.name.split()[0] not in genera, dtype=bool),
        "species-not-studied",
        column.changed(lambda word: f'"{word}" is none of the species studied; expected {listed}'),
    )
    noted = fields["qualifier"].texts()
    qualifier = np.where(noted != "", noted, reading.values(lambda one: one.qualifier))
    return (
        reading.values(lambda one: one.name),
        reading.values(lambda one: one.rank),
        qualifier,
        reading.values(lambda one: one.name in studied, dtype=bool),
    )


def _read_morph(
    fields: Fields, verdicts: Verdicts, layout: str
) -> tuple[NDArray[np.object_], NDArray[np.object_], NDArray[np.object_], NDArray[np.object_]]:
    if layout == "wide":
        empty = np.full(len(fields), "", dtype=object)
        return empty, empty, empty, empty
    bandings = Reading.of(fields["banding"], read_banding, Banding())
    verdicts.reject(bandings.failed, "banding-unreadable", bandings.reasons("banding"))
    colours = Reading.of(fields["colour"], read_colour, "")
    verdicts.reject(colours.failed, "colour-unreadable", colours.reasons("colour"))
    within, stated = bandings.values(lambda banding: banding.colour), colours.values()
    contradicts = (within != "") & (stated != "") & (within != stated)
    if contradicts.any():
        verdicts.reject(contradicts, "colour-contradicts", _contradictions(fields["banding"], within, stated))
    return (
        np.where(stated != "", stated, within),
        bandings.values(lambda banding: banding.formula),
        bandings.values(lambda banding: banding.band_class),
        bandings.values(lambda banding: banding.mended),
    )


def _contradictions(banding: TextColumn, within: NDArray[np.object_], stated: NDArray[np.object_]) -> TextColumn:
    def sentence(word: str, inner: str, outer: str) -> str:
        return f'the banding "{word}" says {inner} and the colour says {outer}; expected one colour'

    return TextColumn.of(
        sentence(*row) if all(row) else "" for row in zip(banding.texts(), within, stated, strict=True)
    )
