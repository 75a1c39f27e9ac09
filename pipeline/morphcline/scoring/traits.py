"""Traits: which shells count, among which. Each is a selection within a selection, as users write them in a study file.

The standard traits' denominators are common practice with no single source. Mid-banded is taken among banded shells,
because its locus can't be seen in an unbanded shell: divided by all shells it would fall wherever unbanded rises.
Effectively unbanded (bands 1 and 2 absent) is of Cain & Sheppard (1950, Heredity 4; 1954, Genetics 39).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce

from morphcline.errors import Problem, StudyFileError
from morphcline.language import Said, marked
from morphcline.scoring.formulas import MANY_BANDED, MID_BANDED, OTHER_ONE_BANDED, UNBANDED, has_fusion, marks
from morphcline.scoring.shells import COLOURS
from morphcline.scoring.species import slug
from morphcline.study.scoring import Scoring, Selection, UserTrait

#: Denominators and the joints of a trait's words, for the catalogue.
_OF_COLOUR = marked("shells scored for colour")
_OF_BANDING = marked("shells scored for banding")
_OF_BOTH = marked("shells scored for colour and banding")
_BANDED = marked("banded shells")
_WITH_FORMULA = marked("shells with a band formula")
_BANDED_WITH_FORMULA = marked("banded shells with a band formula")
#: By the scores that a shell must have, in alphabetical order.
_SCORED = {
    ("colour",): _OF_COLOUR,
    ("banding",): _OF_BANDING,
    ("formula",): marked("shells scored for formula"),
    ("banding", "colour"): _OF_BOTH,
    ("colour", "formula"): marked("shells scored for colour and formula"),
    ("banding", "formula"): marked("shells scored for banding and formula"),
    ("banding", "colour", "formula"): marked("shells scored for colour, banding and formula"),
}
_OR, _AND = marked("{one} or {other}"), marked("{one} and {other}")

MORPH_CLASSES = (UNBANDED, MID_BANDED, MANY_BANDED)
MORPHS = tuple(f"{colour} {band_class}" for colour in COLOURS for band_class in MORPH_CLASSES)

#: Groups of traits of which a shell has one at most: with one denominator, their frequencies sum to 1 or less.
EXCLUSIVE = (COLOURS, MORPHS)


class UnreadablePattern(ValueError):  # noqa: N818 - named for what the user will read
    """A formula pattern of a user's trait isn't five places of ``?``, ``0``, ``:`` or the band's own digit."""


@dataclass(frozen=True)
class Trait:
    """A frequency that can be taken of scored shells.

    Parameters
    ----------
    name : str
        As in tables.
    denominator : str
        In words.
    needs : tuple of {"colour", "banding", "formula"}
        The scores without which a shell isn't in the denominator.
    counted, among : Selection
        The same as selections: the numerator is taken within the denominator.
    """

    name: str
    denominator: str
    needs: tuple[str, ...]
    counted: Selection
    among: Selection

    def judge(self, colour: str, band_class: str, formula: str) -> bool | None:
        """Return what a shell is to this trait.

        Parameters
        ----------
        colour, band_class, formula : str
            The shell's scores, each empty where it wasn't scored.

        Returns
        -------
        bool or None
            True: it counts; False: it is in the denominator only; None: it is outside the denominator.
        """
        has = {"colour": bool(colour), "banding": bool(band_class), "formula": bool(formula)}
        if not all(has[need] for need in self.needs) or not _selected(self.among, colour, band_class, formula):
            return None
        return _selected(self.counted, colour, band_class, formula)


def standard_traits() -> tuple[Trait, ...]:
    """Return the trade's traits: colours, band classes, effectively unbanded, fused, the nine morphs, in that order.

    Notes
    -----
    A shell with one band that isn't band 3 (``00040``) is banded, but neither mid- nor many-banded: it is in the
    denominators of all three classes and of the morphs, and in none of their numerators.
    """
    return _STANDARD


def user_trait(trait: UserTrait) -> Trait:
    """Return a trait of the user's own.

    Parameters
    ----------
    trait : UserTrait
        As the study file has it; in its formula patterns ``?`` is any state of a band, a digit a band that is present
        (a trace too), ``0`` an absent one and ``:`` a trace.

    Raises
    ------
    UnreadablePattern
        When a pattern isn't five such places.
    ValueError
        When the trait asks for no score at all, so that every shell would count.
    """
    for pattern in (*trait.counted.formula, *trait.among.formula):
        _check_pattern(pattern)
    if not _needs(trait.counted):
        raise ValueError("this trait asks for no colour, band class, formula or fusion, so every shell would count")
    among = _in_words(trait.among)
    needs = tuple(dict.fromkeys((*_needs(trait.counted), *_needs(trait.among))))
    scored = Said(_SCORED[tuple(sorted(needs))])
    return Trait(
        trait.name,
        Said("{shells} that are {kinds}", shells=scored, kinds=among) if among else scored,
        needs,
        trait.counted,
        trait.among,
    )


def wanted_traits(scoring: Scoring, *, file: str = "") -> tuple[Trait, ...]:
    """Return the traits that a study asks for: the standard ones (or those named), then the user's own.

    Parameters
    ----------
    scoring : Scoring
    file : str
        The study file's name, for the sentences.

    Returns
    -------
    tuple of Trait
        In the order of `standard_traits`, whatever order the study names them in. The user's own are always wanted.

    Raises
    ------
    StudyFileError
        For unknown names, names used twice, and unreadable patterns, all of them at once.
    """
    problems: list[Problem] = []
    standard = {trait.name: trait for trait in _STANDARD}
    own: dict[str, Trait] = {}
    taken = {slug(name) for name in standard}
    for number, definition in enumerate(scoring.trait, start=1):
        where = f"[[scoring.trait]] #{number}"
        try:
            trait = user_trait(definition)
        except ValueError as error:
            problems.append(Problem(file, where, f"the trait {definition.name!r}: {error}", "mend the selection"))
            continue
        if not slug(trait.name) or slug(trait.name) in taken:
            problems.append(
                Problem(
                    file,
                    where,
                    f"the name {trait.name!r} is taken or has no letters",
                    "give the trait a name of its own",
                )
            )
        taken.add(slug(trait.name))
        own[trait.name] = trait
    known = [*standard, *(definition.name for definition in scoring.trait)]
    for name in scoring.traits or ():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            accepted = f"did you mean {near[0]!r}" if near else "known traits: " + ", ".join(known)
            problems.append(Problem(file, "[scoring] traits", f"the trait {name!r} is unknown", accepted))
    if problems:
        raise StudyFileError(problems)
    chosen = [trait for name, trait in standard.items() if scoring.traits is None or name in scoring.traits]
    return (*chosen, *own.values())


def _check_pattern(pattern: str) -> None:
    fits = len(pattern) == 5 and all(sign in ("?", "0", ":", str(band)) for band, sign in enumerate(pattern, start=1))
    if not fits:
        raise UnreadablePattern(
            f'the pattern "{pattern}" can\'t be read; write five places, each ?, 0, : or the own digit of the band, '
            "such as 00???"
        )


def _fits(pattern: str, formula: str) -> bool:
    return all(
        sign in ("?", mark) or (sign not in ("0", ":") and mark == ":")
        for sign, mark in zip(pattern, marks(formula), strict=True)
    )


def _selected(selection: Selection, colour: str, band_class: str, formula: str) -> bool:
    """Return whether a shell that has every score asked for meets every condition."""
    return (
        (not selection.colour or colour in selection.colour)
        and (not selection.band_class or band_class in selection.band_class)
        and (not selection.formula or any(_fits(pattern, formula) for pattern in selection.formula))
        and (selection.fused is None or has_fusion(formula) == selection.fused)
    )


def _needs(selection: Selection) -> tuple[str, ...]:
    asked = {
        "colour": bool(selection.colour),
        "banding": bool(selection.band_class),
        "formula": bool(selection.formula) or selection.fused is not None,
    }
    return tuple(score for score, is_asked in asked.items() if is_asked)


def _in_words(selection: Selection) -> str:
    parts = [_joined(_OR, kinds) for kinds in (selection.colour, selection.band_class, selection.formula)]
    if selection.fused is not None:
        parts.append(Said("with fused bands") if selection.fused else Said("without fused bands"))
    said = [part for part in parts if part]
    return _joined(_AND, [Said("({part})", part=part) if " or " in part and len(said) > 1 else part for part in said])


def _joined(message: str, texts: Iterable[str]) -> str:
    listed = list(texts) or [""]
    return reduce(lambda one, other: Said(message, one=one, other=other), listed)


def _standard(name: str, denominator: str, counted: Selection, among: Selection | None = None) -> Trait:
    among = Selection() if among is None else among
    needs = tuple(dict.fromkeys((*_needs(counted), *_needs(among))))
    return Trait(name, denominator, needs, counted, among)


def _morph(name: str) -> Trait:
    colour, band_class = re.split(" ", name, maxsplit=1)
    selection = Selection.model_validate({"colour": (colour,), "band_class": (band_class,)})
    return _standard(name, _OF_BOTH, selection)


_BANDED_SHELLS = Selection(band_class=(MID_BANDED, MANY_BANDED, OTHER_ONE_BANDED))
_STANDARD = (
    _standard("yellow", _OF_COLOUR, Selection(colour=("yellow",))),
    _standard("pink", _OF_COLOUR, Selection(colour=("pink",))),
    _standard("brown", _OF_COLOUR, Selection(colour=("brown",))),
    _standard("unbanded", _OF_BANDING, Selection(band_class=("unbanded",))),
    _standard("mid-banded", _BANDED, Selection(band_class=("mid-banded",)), _BANDED_SHELLS),
    _standard("many-banded", _OF_BANDING, Selection(band_class=("many-banded",))),
    _standard("effectively unbanded", _WITH_FORMULA, Selection(formula=("00???",))),
    _standard(marked("fused"), _BANDED_WITH_FORMULA, Selection(fused=True), _BANDED_SHELLS),
    *(_morph(name) for name in MORPHS),
)
