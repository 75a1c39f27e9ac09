"""Names for people, in the language in force: traits, models, kernels, habitats, groups. Tables hold them in English.

A name that isn't the program's own, such as a trait or a habitat class that the study file names, stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from morphcline.language import Said, _, again, many, marked
from morphcline.render.numbers import counted, listing, sentence
from morphcline.scoring.traits import MORPHS, standard_traits

#: Trait name to the shells among which it is counted, in words.
Denominators = Mapping[str, str]
STANDARD_DENOMINATORS: Denominators = {trait.name: trait.denominator for trait in standard_traits()}

#: So many traits of one denominator are named one by one.
_MANY = 3

COLOUR_TRAITS = ("yellow", "pink", "brown")
BANDING_TRAITS = ("unbanded", "mid-banded", "many-banded", "effectively unbanded", "fused")

#: Traits, and classes of bands that are no trait.
_TRAITS = {
    "yellow": marked("yellow"),
    "pink": marked("pink"),
    "brown": marked("brown"),
    "unbanded": marked("unbanded"),
    "mid-banded": marked("mid-banded"),
    "many-banded": marked("many-banded"),
    "other one-banded": marked("other one-banded"),
    "effectively unbanded": marked("effectively unbanded"),
    "fused": marked("fused bands"),
    "yellow unbanded": marked("yellow unbanded"),
    "yellow mid-banded": marked("yellow mid-banded"),
    "yellow many-banded": marked("yellow many-banded"),
    "pink unbanded": marked("pink unbanded"),
    "pink mid-banded": marked("pink mid-banded"),
    "pink many-banded": marked("pink many-banded"),
    "brown unbanded": marked("brown unbanded"),
    "brown mid-banded": marked("brown mid-banded"),
    "brown many-banded": marked("brown many-banded"),
}
_LONG_NAMES = {"fused": marked("with fused bands")}

_MODELS = {
    "flat": marked("no cline"),
    "linear": marked("even gradient"),
    "sigmoid": marked("sigmoid from 0 to 100%"),
    "sigmoid, free ends": marked("sigmoid with free ends"),
    "stepped, symmetric tails": marked("central step with equal tails"),
    "stepped, asymmetric tails": marked("central step with unequal tails"),
}
_KERNELS = {
    "gaussian": marked("Gaussian"),
    "epanechnikov": marked("Epanechnikov"),
    "tricube": marked("tricube"),
}
_HABITATS = {
    "woodland": marked("woodland"),
    "scrub": marked("scrub"),
    "hedgerow": marked("hedgerow"),
    "long herbage": marked("long herbage"),
    "short grass": marked("short grass"),
    "dune": marked("dune"),
    "garden and urban": marked("garden and urban"),
    "waste ground": marked("waste ground"),
    "marsh": marked("marsh"),
    "water": marked("water"),
    # Of a model: the classes with too few sites for an effect of their own.
    "other": marked("other habitats"),
    # Of a raster: codes that the study file doesn't list.
    "unlisted": marked("unlisted"),
}
_GROUPS = {
    "high among high": marked("high among high"),
    "high among low": marked("high among low"),
    "low among high": marked("low among high"),
    "low among low": marked("low among low"),
    "no local signal": marked("no local signal"),
    "not tested": marked("not tested"),
}


def main_traits(present: Iterable[str]) -> tuple[str, ...]:
    """Return the traits that figures show, in their order: the standard ones present, then the user's own.

    The nine morphs are left to the tables.
    """
    found = list(dict.fromkeys(present))
    standard = [trait for trait in COLOUR_TRAITS + BANDING_TRAITS if trait in found]
    own = [trait for trait in found if trait not in COLOUR_TRAITS + BANDING_TRAITS + MORPHS]
    return tuple(standard + own)


def trait_groups(traits: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Sort traits into ``"Colour"``, ``"Banding"`` and ``"The study's own"``, leaving out empty groups.

    The groups bear their names in the language in force.
    """
    colour, banding, own = _("Colour"), _("Banding"), _("The study's own")
    groups: dict[str, list[str]] = {colour: [], banding: [], own: []}
    for trait in traits:
        if trait in COLOUR_TRAITS:
            groups[colour].append(trait)
        else:
            groups[banding if trait in BANDING_TRAITS else own].append(trait)
    return {name: tuple(members) for name, members in groups.items() if members}


def trait_title(trait: str) -> str:
    """Return a trait's name as a heading.

    Examples
    --------
    >>> trait_title("mid-banded"), trait_title("fused")
    ('Mid-banded', 'With fused bands')
    """
    return sentence(_long_name(trait))


def trait_name(trait: str) -> str:
    """Return a trait's name within a list of traits: ``"fused bands"`` for fused."""
    return _named(trait, _TRAITS)


def denominator(trait: str, among: Denominators = STANDARD_DENOMINATORS) -> str:
    """Return the shells among which a trait is counted.

    Parameters
    ----------
    trait : str
    among : mapping
        Denominators by trait; give one that holds the user's own traits where there are such.

    Examples
    --------
    >>> denominator("mid-banded")
    'banded shells'
    """
    return again(among[trait]) if trait in among else _("the shells that the study file names")


def trait_in_text(trait: str, among: Denominators = STANDARD_DENOMINATORS) -> str:
    """Return a trait with its denominator, as it reads in a sentence.

    Examples
    --------
    >>> trait_in_text("mid-banded")
    'mid-banded, among banded shells'
    """
    return _("{trait}, among {shells}").format(trait=_long_name(trait), shells=denominator(trait, among))


def denominators_in_text(traits: Iterable[str], among: Denominators = STANDARD_DENOMINATORS) -> str:
    """Say in one sentence among which shells each trait is counted.

    Examples
    --------
    >>> denominators_in_text(["yellow", "pink", "mid-banded"])
    'Yellow and pink are counted among shells scored for colour; mid-banded among banded shells.'
    """
    groups: dict[str, list[str]] = {}
    for trait in traits:
        groups.setdefault(denominator(trait, among), []).append(_long_name(trait))
    if len(groups) == 1 and len(next(iter(groups.values()))) > _MANY:
        return _("All are counted among {shells}.").format(shells=next(iter(groups)))
    told = ""
    for shells, members in groups.items():
        if not told:
            message = many("{traits} is counted among {shells}", "{traits} are counted among {shells}", len(members))
            told = message.format(traits=listing(members), shells=shells)
        else:
            clause = _("{traits} among {shells}").format(traits=listing(members), shells=shells)
            told = _("{before}; {after}").format(before=told, after=clause)
    return sentence(told) + "." if told else ""


def shells_and_sites(trait: str, shells: float, sites: int) -> str:
    """Return how much a panel or a number rests on.

    Examples
    --------
    >>> shells_and_sites("mid-banded", 1204, 61)
    '1,204 banded shells, 61 sites'
    """
    among = STANDARD_DENOMINATORS.get(trait, "")
    noun = "banded shell" if among.startswith("banded") else "shell"
    return _("{shells}, {sites}").format(shells=counted(int(shells), noun), sites=counted(sites, "site"))


def numbers_of_panels(panels: int, most: str) -> str:
    """Say in one sentence what a figure's panels rest on, given what the largest rests on."""
    if panels == 1:
        return _("From {shells_and_sites}.").format(shells_and_sites=most)
    return _("Up to {shells_and_sites}; each panel gives its own numbers.").format(shells_and_sites=most)


def common_numbers(numbers: Sequence[str]) -> tuple[list[str], str]:
    """Say once what most panels rest on.

    Parameters
    ----------
    numbers : sequence of str
        Of each panel, in words; at least one.

    Returns
    -------
    list of str
        What is left to say at each panel: nothing where it rests on as much as most.
    str
        The sentence for the others.

    Examples
    --------
    >>> common_numbers(["9 shells, 2 sites", "9 shells, 2 sites", "4 shells, 1 site"])
    (['', '', '4 shells, 1 site'], 'From 9 shells, 2 sites unless other numbers stand with a trait.')
    """
    most = max(numbers, key=lambda one: (numbers.count(one), -numbers.index(one)))
    own = ["" if one == most else one for one in numbers]
    message = (
        _("From {shells_and_sites} unless other numbers stand with a trait.")
        if any(own)
        else _("From {shells_and_sites}.")
    )
    return own, message.format(shells_and_sites=most)


def model_name(model: str) -> str:
    """Return a cline model's name as it reads in a sentence."""
    return _named(model, _MODELS)


def kernel_name(kernel: str) -> str:
    """Return a kernel's name as it reads in a sentence: two are named after people."""
    return _named(kernel, _KERNELS)


def habitat_name(name: str) -> str:
    """Return a habitat class as it reads in a sentence; a class of the study's own stays as it is."""
    return _named(name, _HABITATS)


def group_name(group: str) -> str:
    """Return a group of local association, as ``local.csv`` has it, as it reads in a sentence."""
    return _named(group, _GROUPS)


def said_trait(trait: str) -> str:
    """Return a trait's name as part of a sentence that can be said again: see `morphcline.language.Said`."""
    return Said(_TRAITS[trait]) if trait in _TRAITS else trait


def crs_name(crs: str) -> str:
    """Return a CRS for a caption: its name and its code."""
    from pyproj import CRS

    name = CRS.from_user_input(crs).name
    return f"{name} ({crs})" if name.lower() != crs.lower() and len(crs) < 20 else name


def _long_name(trait: str) -> str:
    return _(_LONG_NAMES[trait]) if trait in _LONG_NAMES else trait_name(trait)


def _named(name: str, names: Mapping[str, str]) -> str:
    return _(names[name]) if name in names else name
