"""Several figures on one sheet of exact size: letters that go on, shared legends once, one caption, one table."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from morphcline.errors import Problem, StudyFileError
from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.figures.keys import Key, draw_keys, height_of_keys, lettered_key, spans
from morphcline.render.figures.sheet import (
    MAX_HEIGHT_MM,
    Figure,
    Place,
    Sheet,
    letter_number,
    no_taller_than,
    placed,
    style,
)

GAP_MM = 3.0
EDGE_MM = 1.5
KEY_GAP_MM = 3.0
#: A figure isn't drawn lower than this to make room for legends.
LEAST_MM = 40.0


@dataclass(frozen=True)
class Part:
    """A figure to be drawn on a plate.

    Parameters
    ----------
    name : str
        Of the figure, or ``"figure/trait"``.
    draw : callable
        Takes ``width_mm`` and returns a figure on one sheet.
    species : str
        For headings, where a plate has several; empty otherwise.
    """

    name: str
    draw: Callable[..., Any]
    species: str = ""


@dataclass(frozen=True)
class _Drawn:
    """What a part comes out as: its figure, how high it is, its letters and the keys it asks for."""

    part: Part
    figure: Figure
    height_mm: float
    letters: tuple[str, ...]
    keys: tuple[Key, ...]
    limit_mm: float


def draw_plate(name: str, parts: Sequence[Part], *, title: str, columns: int, width_mm: float) -> list[Figure]:
    """Draw figures beside and below one another, on as many sheets as their heights ask for.

    Parameters
    ----------
    name : str
        Of the first sheet; the others are ``<name>_2`` and so on.
    parts : sequence of Part
        At least one, in reading order.
    title : str
        Begins the caption; may be empty.
    columns : int
    width_mm : float

    Returns
    -------
    list of Figure
        More than one where the figures are taller together than a page.

    Raises
    ------
    StudyFileError
        When a single row of figures doesn't fit a page.
    """
    column = (width_mm - (columns - 1) * GAP_MM) / columns
    rows: list[list[_Drawn]] = []
    first = 0
    for start in range(0, len(parts), columns):
        rows.append(_row(parts[start : start + columns], column, first, width_mm))
        first += sum(len(one.letters) for one in rows[-1])
    sheets = _sheets(name, rows, width_mm)
    return [
        _sheet(name if i == 0 else f"{name}_{i + 1}", rows, title, column, width_mm, (i + 1, len(sheets)))
        for i, rows in enumerate(sheets)
    ]


def _row(parts: Sequence[Part], column: float, first: int, width_mm: float) -> list[_Drawn]:
    """Draw the parts of a row to learn what they ask for, lower where a page wouldn't hold them and their keys."""
    limit = MAX_HEIGHT_MM
    row: list[_Drawn] = []
    for _again in range(2):
        row = []
        for part in parts:
            row.append(_draw(part, column, limit, first=first + sum(len(one.letters) for one in row)))
        over = _height([row], width_mm) - MAX_HEIGHT_MM
        lower = max(one.height_mm for one in row) - over
        if over <= 0 or lower < LEAST_MM:
            break
        limit = lower
    return row


def _draw(
    part: Part, width_mm: float, limit: float, *, first: int, on: Sheet | None = None, at: tuple[float, float] = (0, 0)
) -> _Drawn:
    """Draw a part on a sheet; without one, to learn its height, letters and keys."""
    where = Place(on, *at, first=first, species=part.species)
    with placed(where), no_taller_than(limit):
        figure = part.draw(width_mm=width_mm)
    return _Drawn(part, figure, where.height_mm, tuple(where.letters), tuple(where.keys), limit)


def _sheets(name: str, rows: Sequence[list[_Drawn]], width_mm: float) -> list[list[list[_Drawn]]]:
    """Put as many rows on each sheet as it holds with the keys that they need."""
    sheets: list[list[list[_Drawn]]] = []
    for row in rows:
        if sheets and _height([*sheets[-1], row], width_mm) <= MAX_HEIGHT_MM:
            sheets[-1].append(row)
        elif _height([row], width_mm) <= MAX_HEIGHT_MM:
            sheets.append([row])
        else:
            found = f"the row with {row[0].part.name!r} and its legends is taller than {MAX_HEIGHT_MM:.0f} mm"
            raise StudyFileError(
                Problem("", f"[[publish.plate]] {name.removeprefix('plate_')}", found,
                        'give the plate fewer columns, or take single panels: "figure/trait"')
            )  # fmt: skip
    return sheets


def _height(rows: Sequence[Sequence[_Drawn]], width_mm: float) -> float:
    keys = height_of_keys(_keys(rows), width_mm - 2 * EDGE_MM)
    heights = sum(max(one.height_mm for one in row) for row in rows)
    return heights + KEY_GAP_MM + keys + EDGE_MM


def _keys(rows: Sequence[Sequence[_Drawn]]) -> list[Key]:
    """Return each legend once, with the letters of its panels above it where it doesn't hold for all; scales last."""
    drawn = [one for row in rows for one in row]
    everywhere = sum(len(one.letters) for one in drawn)
    found: dict[object, tuple[Key, list[str]]] = {}
    for one in drawn:
        for number, key in enumerate(one.keys):
            # A key like no other stays one of its own.
            same = (one.part.name, number) if key.same is None else key.same
            letters = found.setdefault(same, (key, []))[1]
            letters += [letter for letter in one.letters if letter not in letters]
    ordered = sorted(found.values(), key=lambda item: item[0].last)
    return [key if len(letters) == everywhere else lettered_key(key, letters) for key, letters in ordered]


def _sheet(
    name: str, rows: Sequence[Sequence[_Drawn]], title: str, column: float, width_mm: float, number: tuple[int, int]
) -> Figure:
    drawn = [one for row in rows for one in row]
    keys = _keys(rows)
    with style():
        sheet = Sheet(width_mm, _height(rows, width_mm))
        top = 0.0
        for row in rows:
            for i, one in enumerate(row):
                left = i * (column + GAP_MM)
                first = letter_number(one.letters[0]) if one.letters else 0
                _draw(one.part, column, one.limit_mm, first=first, on=sheet, at=(left, top))
            top += max(one.height_mm for one in row)
        draw_keys(sheet, keys, left=EDGE_MM, top=top + KEY_GAP_MM, width_mm=width_mm - 2 * EDGE_MM)
    data = pd.concat([_data(one) for one in drawn], ignore_index=True)
    return Figure(name, sheet.figure, data, _caption(drawn, title, number), _alt(drawn))


def _data(one: _Drawn) -> pd.DataFrame:
    table = one.figure.data.copy()
    table.insert(0, "panels", spans(one.letters))
    table.insert(0, "figure", one.part.name)
    return table


def _caption(drawn: Sequence[_Drawn], title: str, number: tuple[int, int]) -> str:
    """Return the parts' captions, each sentence once, behind the letters of all panels that it holds for."""
    letters_of: dict[str, list[str]] = {}
    for one in drawn:
        for sentence in dict.fromkeys(sentences_of(one.figure.caption)):
            letters_of.setdefault(sentence, []).extend(one.letters)
    groups: dict[str, list[str]] = {}
    for sentence, letters in letters_of.items():
        groups.setdefault(spans(letters), []).append(sentence)
    whole = spans([letter for one in drawn for letter in one.letters])
    parts = [f"{labels.sentence(title.strip().rstrip('.'))}."] if title.strip() else []
    if number[1] > 1:
        parts.append(_("Sheet {n} of {of}.").format(n=number[0], of=number[1]))
    everywhere = groups.pop(whole, []) if len(drawn) > 1 else []
    for panels, found in groups.items():
        parts.append(_("({panels}) {caption}").format(panels=panels, caption=" ".join(found)))
    return " ".join([*parts, *everywhere])


def sentences_of(text: str) -> list[str]:
    """Split a caption into sentences; a wrong split does no harm, for the pieces stay in their order.

    Examples
    --------
    >>> sentences_of("Sites of C. nemoralis (n = 3). True north is upwards.")
    ['Sites of C. nemoralis (n = 3).', 'True north is upwards.']
    """
    return re.split(r"(?<=[^ A-Z][.!?])\s+(?=[A-ZÀ-Þ“«(±])", text.strip())


def _alt(drawn: Sequence[_Drawn]) -> str:
    first = many("A sheet with {n} figure.", "A sheet with {n} figures.", len(drawn)).format(n=len(drawn))
    told = [_("({panels}) {caption}").format(panels=spans(one.letters), caption=one.figure.alt) for one in drawn]
    return " ".join([first, *told])
