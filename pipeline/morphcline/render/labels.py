"""Words and numbers for people: traits, models, units and formats, shared by figures, page and report."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from morphcline.scoring.traits import MORPHS, standard_traits

#: Trait name to the shells among which it is counted, in words.
Denominators = Mapping[str, str]
STANDARD_DENOMINATORS: Denominators = {trait.name: trait.denominator for trait in standard_traits()}

COLOUR_TRAITS = ("yellow", "pink", "brown")
BANDING_TRAITS = ("unbanded", "mid-banded", "many-banded", "effectively unbanded", "fused")
_LONG_NAMES = {"fused": "with fused bands"}

_MODELS = {
    "flat": "no cline",
    "linear": "even gradient",
    "sigmoid": "sigmoid from 0 to 100%",
    "sigmoid, free ends": "sigmoid with free ends",
    "stepped, symmetric tails": "central step with equal tails",
    "stepped, asymmetric tails": "central step with unequal tails",
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
    """Sort traits into ``"Colour"``, ``"Banding"`` and ``"The study's own"``, leaving out empty groups."""
    groups: dict[str, list[str]] = {"Colour": [], "Banding": [], "The study's own": []}
    for trait in traits:
        if trait in COLOUR_TRAITS:
            groups["Colour"].append(trait)
        else:
            groups["Banding" if trait in BANDING_TRAITS else "The study's own"].append(trait)
    return {name: tuple(members) for name, members in groups.items() if members}


def trait_title(trait: str) -> str:
    """Return a trait's name as a heading.

    Examples
    --------
    >>> trait_title("mid-banded"), trait_title("fused")
    ('Mid-banded', 'With fused bands')
    """
    return sentence(_LONG_NAMES.get(trait, trait))


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
    return among.get(trait, "the shells that the study file names")


def trait_name(trait: str) -> str:
    """Return a trait's name within a list of traits: ``"fused bands"`` for fused."""
    return "fused bands" if trait == "fused" else trait


def trait_in_text(trait: str, among: Denominators = STANDARD_DENOMINATORS) -> str:
    """Return a trait with its denominator, as it reads in a sentence.

    Examples
    --------
    >>> trait_in_text("mid-banded")
    'mid-banded, among banded shells'
    """
    return f"{_LONG_NAMES.get(trait, trait)}, among {denominator(trait, among)}"


def denominators_in_text(traits: Iterable[str], among: Denominators = STANDARD_DENOMINATORS) -> str:
    """Say in one sentence among which shells each trait is counted.

    Examples
    --------
    >>> denominators_in_text(["yellow", "pink", "mid-banded"])
    'Yellow and pink are counted among shells scored for colour; mid-banded among banded shells.'
    """
    groups: dict[str, list[str]] = {}
    for trait in traits:
        groups.setdefault(denominator(trait, among), []).append(_LONG_NAMES.get(trait, trait))
    parts: list[str] = []
    for shells, members in groups.items():
        verb = "" if parts else (" is counted" if len(members) == 1 else " are counted")
        parts.append(f"{listing(members)}{verb} among {shells}")
    return sentence("; ".join(parts)) + "." if parts else ""


def shells_and_sites(trait: str, shells: float, sites: int) -> str:
    """Return how much a panel or a number rests on.

    Examples
    --------
    >>> shells_and_sites("mid-banded", 1204, 61)
    '1,204 banded shells, 61 sites'
    """
    noun = "banded shell" if denominator(trait).startswith("banded") else "shell"
    return f"{counted(int(shells), noun)}, {counted(sites, 'site')}"


def compass(degrees: float) -> str:
    """Return a bearing as one of eight directions.

    Examples
    --------
    >>> compass(50), compass(359)
    ('north-east', 'north')
    """
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return names[round(degrees / 45) % 8]


def model_name(model: str) -> str:
    """Return a cline model's name as it reads in a sentence."""
    return _MODELS.get(model, model)


def habitat_name(name: str) -> str:
    """Return a habitat class as it reads in a sentence."""
    return name


def kernel_name(kernel: str) -> str:
    """Return a kernel's name as it reads in a sentence: two are named after people."""
    return kernel if kernel == "tricube" else kernel.capitalize()


def sentence(text: str) -> str:
    """Return text with a capital at its start and the rest as it is."""
    return text[:1].upper() + text[1:]


def listing(items: Iterable[str]) -> str:
    """Join items as in a sentence.

    Examples
    --------
    >>> listing(["yellow", "pink", "brown"])
    'yellow, pink and brown'
    """
    words = list(items)
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def number(value: float) -> str:
    """Return a whole number with commas between thousands."""
    return f"{value:,.0f}"


def decimals(value: float, digits: int = 2) -> str:
    """Return a number to so many decimals, with a minus sign and no negative zero.

    Examples
    --------
    >>> decimals(-0.4567), decimals(-0.001), decimals(0.05, 3)
    ('−0.46', '0.00', '0.050')
    """
    return f"{value:z.{digits}f}".replace("-", "−")


def counted(value: int, noun: str, plural: str | None = None) -> str:
    """Return a number and its noun.

    Examples
    --------
    >>> counted(1, "site"), counted(1200, "site")
    ('1 site', '1,200 sites')
    """
    return f"{number(value)} {noun if value == 1 else plural or noun + 's'}"


def percent(value: float) -> str:
    """Return a fraction in percent: whole numbers, with one decimal within 10% of either end.

    Examples
    --------
    >>> percent(0.4321), percent(0.0321), percent(0.0), percent(0.9995), percent(0.0002)
    ('43%', '3.2%', '0%', '>99.9%', '<0.1%')
    """
    if math.isnan(value):
        return "not known"
    distance = min(value, 1.0 - value)
    # Only 0 and 1 themselves may read as 0% and 100%.
    if 0 < distance < 0.001:
        return "<0.1%" if value < 0.5 else ">99.9%"
    return f"{100 * value:.1f}%" if 0 < distance < 0.0995 else f"{100 * value:.0f}%"


def percent_range(low: float, high: float) -> str:
    """Return an interval in percent.

    Examples
    --------
    >>> percent_range(0.31, 0.45), percent_range(0.25, 0.2501), percent_range(0.0001, 0.0012)
    ('31 to 45%', '25%', '<0.1 to 0.1%')
    """
    first, last = percent(low), percent(high)
    return last if first == last else f"{first.removesuffix('%')} to {last}"


def level(value: float) -> str:
    """Return a level of confidence or error in percent, with the figures it was given with.

    Examples
    --------
    >>> level(0.95), level(0.05), level(0.975)
    ('95%', '5%', '97.5%')
    """
    return f"{100 * value:g}%"


def points(value: float) -> str:
    """Return a difference of two fractions in percentage points, with its sign.

    Examples
    --------
    >>> points(-0.0734), points(0.21)
    ('−7.3', '+21')
    """
    size = abs(100 * value)
    digits = f"{size:.1f}" if size < 9.95 else f"{size:.0f}"
    if float(digits) == 0:
        return "0"
    return ("−" if value < 0 else "+") + digits


def period(years: Iterable[float]) -> str:
    """Return the span of years, leaving out missing ones; empty when none is known.

    Examples
    --------
    >>> period([2021, 2019, float("nan"), 2024]), period([2024.0]), period([])
    ('2019 to 2024', '2024', '')
    """
    known = [int(year) for year in years if not math.isnan(year)]
    if not known:
        return ""
    first, last = min(known), max(known)
    return f"{first}" if first == last else f"{first} to {last}"


def distance(metres: float) -> str:
    """Return a length in metres or kilometres, to two or three figures.

    Examples
    --------
    >>> distance(352.4), distance(4213), distance(27480), distance(1000)
    ('352 m', '4.2 km', '27 km', '1 km')
    """
    if abs(metres) < 999.5:
        return f"{metres:.0f} m".replace("-", "−")
    kilometres = metres / 1000
    text = f"{kilometres:.1f}".removesuffix(".0") if abs(kilometres) < 9.95 else f"{kilometres:,.0f}"
    return f"{text} km".replace("-", "−")


def distance_range(low: float, high: float) -> str:
    """Return an interval of lengths: ``"3.1 to 4.4 km"``, each with its unit where the units differ."""
    first, last = distance(low), distance(high)
    unit = last.rpartition(" ")[2]
    return f"{first.removesuffix(' ' + unit)} to {last}"


def distance_limits(low: float, high: float) -> str:
    """Return the limits of a length, either of which may be missing; empty when both are.

    Examples
    --------
    >>> distance_limits(3100, 4400), distance_limits(3100, float("nan")), distance_limits(float("nan"), 980)
    ('3.1 to 4.4 km', 'at least 3.1 km', 'at most 980 m')
    """
    if math.isnan(high):
        return "" if math.isnan(low) else f"at least {distance(low)}"
    return f"at most {distance(high)}" if math.isnan(low) else distance_range(low, high)


def distance_and_limits(metres: float, low: float, high: float) -> str:
    """Return a length with its limits, as far as they are known: ``"15 km (14 to 17 km)"``."""
    limits = distance_limits(low, high)
    return f"{distance(metres)} ({limits})" if limits else distance(metres)


def bearing(degrees: float) -> str:
    """Return a bearing clockwise from grid north, as ``"072°"``."""
    return f"{round(degrees) % 360:03d}°"


def probability(p: float) -> str:
    """Return a p-value.

    Examples
    --------
    >>> probability(0.0321), probability(0.0004), probability(0.2)
    ('p = 0.032', 'p < 0.001', 'p = 0.20')
    """
    if math.isnan(p):
        return "p not known"
    if p < 0.001:
        return "p < 0.001"
    return f"p = {p:.3f}" if p < 0.0995 else f"p = {p:.2f}"


def crs_name(crs: str) -> str:
    """Return a CRS for a caption: its name and its code."""
    from pyproj import CRS

    name = CRS.from_user_input(crs).name
    return f"{name} ({crs})" if name.lower() != crs.lower() and len(crs) < 20 else name
