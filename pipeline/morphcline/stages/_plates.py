"""Plates: which figures and panels they name, and the orders to draw them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from functools import partial

import pandas as pd

from morphcline.errors import Problem, StudyFileError
from morphcline.language import Said, marked
from morphcline.render.figures.composition import BANDING, COLOUR
from morphcline.render.figures.isolation import NAMES as ISOLATION_TRAITS
from morphcline.render.figures.plate import Part, draw_plate
from morphcline.scoring.species import slug
from morphcline.scoring.traits import wanted_traits
from morphcline.stages._orders import Order
from morphcline.study import Study
from morphcline.study.publish import Plate

#: Figures of which there is one a species, and those of which there is one.
OF_SPECIES = (
    "sites", "morphs", "composition", "surface", "steepness", "clusters", "cline", "centres", "habitat", "change_map",
    "effects", "correlogram", "variogram",
)  # fmt: skip
SINGLE = ("landscape", "concordance", "isolation", "bandwidth", "change")
#: Figures that don't draw trait by trait.
_WHOLE = ("landscape", "bandwidth")
#: Transects of a study whose file of lines isn't read to check a name.
_MOST_TRANSECTS = 99


def check_plates(study: Study) -> None:
    """Raise what is wrong with the names of figures in the plates of a study.

    Raises
    ------
    StudyFileError
        When a plate names a figure, or a panel of one, that no run of this study can have.
    """
    problems = []
    figures = figure_names(study)
    for plate in study.publish.plate:
        where = f"[[publish.plate]] {plate.name}"
        for named in plate.figures:
            figure, slash, trait = named.partition("/")
            if figure not in figures:
                found = f"there is no figure {figure!r}"
                problems.append(Problem(study.file.name, where, found, _nearest(figure, figures)))
            elif slash and figure.startswith(_WHOLE):
                problems.append(
                    Problem(study.file.name, where, f"{figure!r} has no panel {trait!r}", "it is taken as a whole")
                )
            elif slash and trait not in (known := panel_names(study, figure)):
                found = f"{figure!r} has no panel {trait!r}"
                problems.append(Problem(study.file.name, where, found, _nearest(trait, known)))
    if problems:
        raise StudyFileError(problems)


def figure_names(study: Study) -> tuple[str, ...]:
    """Return the names of the figures that a run of this study may have."""
    slugs = [slug(species) for species in study.scoring.species]
    names = [f"{kind}_{end}" for kind in OF_SPECIES for end in slugs]
    if study.clines.transects is not None:
        names += [f"transects_{end}_{number}" for end in slugs for number in range(1, _MOST_TRANSECTS + 1)]
    return (*SINGLE, *names)


def panel_names(study: Study, figure: str) -> tuple[str, ...]:
    """Return what the panels of a figure may be called."""
    if figure.startswith("composition"):
        return (COLOUR, BANDING)
    if figure == "isolation":
        return tuple(ISOLATION_TRAITS)
    return tuple(trait.name for trait in wanted_traits(study.scoring))


def _nearest(name: str, known: Iterable[str]) -> str:
    names = list(known)
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.4)
    return f"did you mean {near[0]!r}?" if near else "known: " + ", ".join(names[:30])


def plate_orders(study: Study, orders: Sequence[Order]) -> tuple[list[Order], list[str]]:
    """Return an order for each plate, and what the plates lack, in sentences.

    Parameters
    ----------
    study : Study
    orders : sequence of Order
        For every figure of the run, drawn or left out.
    """
    made: list[Order] = []
    lacking: list[str] = []
    for plate in study.publish.plate:
        parts, missing = _parts(study, plate, {order.name: order for order in orders})
        name = f"plate_{plate.name}"
        if not parts:
            made.append(Order(name, left_out_because=marked("none of its figures has data")))
            continue
        lacking += [
            Said("Plate {plate} lacks {figure}: {reason}.", plate=plate.name, figure=named, reason=reason)
            for named, reason in missing
        ]
        width = plate.width_mm or study.publish.width_mm
        columns = min(plate.columns, len(parts))
        draw = partial(draw_plate, name, parts, title=plate.title, columns=columns, width_mm=width)
        made.append(Order(name, draw))
    return made, lacking


def _parts(study: Study, plate: Plate, orders: dict[str, Order]) -> tuple[list[Part], list[tuple[str, str]]]:
    wanted, missing = [], []
    for named in plate.figures:
        figure, _slash, trait = named.partition("/")
        order = orders.get(figure, Order(figure, left_out_because=marked("there is no such transect")))
        order = narrowed(order, trait) if trait else order
        if order.draw is None:
            missing.append((named, order.left_out_because))
        else:
            wanted.append((named, order.draw, _species(study, figure)))
    several = len({species for _named, _draw, species in wanted if species}) > 1
    return [Part(named, draw, _short(species) if several else "") for named, draw, species in wanted], missing


def narrowed(order: Order, trait: str) -> Order:
    """Return an order for one trait of a figure: the panels, and the rows of tables, that are about it.

    Parameters
    ----------
    order : Order
        Of a figure on one sheet.
    trait : str
    """
    if not isinstance(order.draw, partial):
        return order
    function, (name, *arguments), settings = order.draw.func, order.draw.args, order.draw.keywords
    chosen = [_of_trait(argument, trait) for argument in arguments]
    if any(_is_empty(after) and not _is_empty(before) for before, after in zip(arguments, chosen, strict=True)):
        return Order(order.name, left_out_because=Said("the figure has nothing to show of {trait}", trait=trait))
    return Order(order.name, partial(function, name, *chosen, **settings))


def _of_trait(argument: object, trait: str) -> object:
    if isinstance(argument, pd.DataFrame):
        return argument[argument["trait"] == trait] if "trait" in argument else argument
    if isinstance(argument, list) and argument and all(hasattr(panel, "trait") for panel in argument):
        return [panel for panel in argument if panel.trait == trait and getattr(panel, "signals", 1)]
    return argument


def _is_empty(argument: object) -> bool:
    return argument.empty if isinstance(argument, pd.DataFrame) else isinstance(argument, list) and not argument


def _species(study: Study, figure: str) -> str:
    found = [species for species in study.scoring.species if f"_{slug(species)}" in figure]
    return max(found, key=len, default="")


def _short(species: str) -> str:
    """Return a species' name with its genus shortened, as headings have it.

    Examples
    --------
    >>> _short("Cepaea nemoralis")
    'C. nemoralis'
    """
    genus, space, rest = species.partition(" ")
    return f"{genus[0]}. {rest}" if space else species
