"""Numbers, lengths, shares and lists for people, with the marks and the spacing of the language in force."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import reduce

from morphcline.language import Said, _, many, with_marks, within

_COMPASS = 45
#: Smaller ones are told as below it.
_LEAST_P = 0.001


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
    return within("list", "{before} and {last}").format(before=commas(words[:-1]), last=words[-1])


def commas(texts: Iterable[str]) -> str:
    """Join short texts with commas, as the language in force sets them.

    Examples
    --------
    >>> commas(["sigmoid", "towards 060°"])
    'sigmoid, towards 060°'
    """
    return reduce(
        lambda before, after: within("list", "{before}, {after}").format(before=before, after=after),
        list(texts) or [""],
    )


def clauses(texts: Iterable[str]) -> str:
    """Join clauses with semicolons, as the language in force sets them.

    Examples
    --------
    >>> clauses(["one", "two", "three"])
    'one; two; three'
    """
    return reduce(lambda before, after: _("{before}; {after}").format(before=before, after=after), list(texts) or [""])


def number(value: float) -> str:
    """Return a whole number with the language's mark between thousands."""
    return with_marks(f"{value:,.0f}")


def decimals(value: float, digits: int = 2) -> str:
    """Return a number to so many decimals, with a minus sign and no negative zero.

    Examples
    --------
    >>> decimals(-0.4567), decimals(-0.001), decimals(0.05, 3)
    ('−0.46', '0.00', '0.050')
    """
    return with_marks(f"{value:z.{digits}f}").replace("-", "−")


def figures(value: float, digits: int = 3) -> str:
    """Return a number to so many figures, as short as it can be written.

    Examples
    --------
    >>> figures(0.0123456), figures(-2.50)
    ('0.0123', '−2.5')
    """
    return with_marks(f"{value:.{digits}g}").replace("-", "−")


def counted(value: float, noun: str) -> str:
    """Return a number and its noun.

    Parameters
    ----------
    value : float
        Whole.
    noun : str
        In English and of one thing; one of those below.

    Raises
    ------
    KeyError
        When the noun isn't among them: a noun that no catalogue holds can't be said in another language.

    Examples
    --------
    >>> counted(1, "site"), counted(1200, "site")
    ('1 site', '1,200 sites')
    """
    n = int(value)
    forms = {
        "banded shell": many("{n} banded shell", "{n} banded shells", n),
        "chart": many("{n} chart", "{n} charts", n),
        "class": many("{n} class", "{n} classes", n),
        "distance class": many("{n} distance class", "{n} distance classes", n),
        "line chart": many("{n} line chart", "{n} line charts", n),
        "map": many("{n} map", "{n} maps", n),
        "numbered place": many("{n} numbered place", "{n} numbered places", n),
        "pair": many("{n} pair", "{n} pairs", n),
        "place": many("{n} place", "{n} places", n),
        "shell": many("{n} shell", "{n} shells", n),
        "site": many("{n} site", "{n} sites", n),
    }
    return forms[noun].format(n=number(n))


def percent(value: float) -> str:
    """Return a fraction in percent: whole numbers, with one decimal within 10% of either end.

    Examples
    --------
    >>> percent(0.4321), percent(0.0321), percent(0.0), percent(0.9995), percent(0.0002)
    ('43%', '3.2%', '0%', '>99.9%', '<0.1%')
    """
    return _("not known") if math.isnan(value) else within("percent", "{number}%").format(number=_in_hundredths(value))


def percent_range(low: float, high: float) -> str:
    """Return an interval in percent.

    Examples
    --------
    >>> percent_range(0.31, 0.45), percent_range(0.25, 0.2501), percent_range(0.0001, 0.0012)
    ('31 to 45%', '25%', '<0.1 to 0.1%')
    """
    first, last = percent(low), percent(high)
    if first == last:
        return last
    if math.isnan(low) or math.isnan(high):
        return _("{low} to {high}").format(low=first, high=last)
    return within("percent", "{low} to {high}%").format(low=_in_hundredths(low), high=_in_hundredths(high))


def percent_and_limits(value: float, low: float, high: float) -> str:
    """Return a fraction with its interval in percent.

    Examples
    --------
    >>> percent_and_limits(0.38, 0.31, 0.45)
    '38% (31 to 45%)'
    """
    return _("{percent} ({limits})").format(percent=percent(value), limits=percent_range(low, high))


def _in_hundredths(value: float) -> str:
    distance = min(value, 1.0 - value)
    # Only 0 and 1 themselves may read as 0% and 100%.
    if 0 < distance < 0.001:
        if value < 0.5:
            return within("number", "<{number}").format(number=with_marks("0.1"))
        return within("number", ">{number}").format(number=with_marks("99.9"))
    return with_marks(f"{100 * value:.1f}" if 0 < distance < 0.0995 else f"{100 * value:.0f}")


def level(value: float) -> str:
    """Return a level of confidence or error in percent, with the figures it was given with.

    Examples
    --------
    >>> level(0.95), level(0.05), level(0.975)
    ('95%', '5%', '97.5%')
    """
    return within("percent", "{number}%").format(number=with_marks(f"{100 * value:g}"))


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
    return ("−" if value < 0 else "+") + with_marks(digits)


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
    return f"{first}" if first == last else within("years", "{first} to {last}").format(first=first, last=last)


def distance(metres: float) -> str:
    """Return a length in metres or kilometres, to two or three figures.

    Examples
    --------
    >>> distance(352.4), distance(4213), distance(27480), distance(1000)
    ('352 m', '4.2 km', '27 km', '1 km')
    """
    if _short(metres):
        return within("length", "{number} m").format(number=_in_unit(metres))
    return within("length", "{number} km").format(number=_in_unit(metres))


def said_distance(metres: float) -> Said:
    """Return a length, as `distance` words it, as part of a sentence that can be said again.

    Examples
    --------
    >>> said_distance(352.4), said_distance(4213), said_distance(1000)
    ('352 m', '4.2 km', '1 km')
    """
    if _short(metres):
        return Said("{number} m", number=round(metres))
    kilometres = metres / 1000
    return Said("{number} km", number=round(kilometres, 1) if abs(kilometres) < 9.95 else round(kilometres))


def distance_range(low: float, high: float) -> str:
    """Return an interval of lengths: ``"3.1 to 4.4 km"``, each with its unit where the units differ.

    Examples
    --------
    >>> distance_range(3100, 4400), distance_range(120, 250), distance_range(800, 1200)
    ('3.1 to 4.4 km', '120 to 250 m', '800 m to 1.2 km')
    """
    if _short(low) != _short(high):
        return _("{low} to {high}").format(low=distance(low), high=distance(high))
    if _short(low):
        return within("length", "{low} to {high} m").format(low=_in_unit(low), high=_in_unit(high))
    return within("length", "{low} to {high} km").format(low=_in_unit(low), high=_in_unit(high))


def _short(metres: float) -> bool:
    return abs(metres) < 999.5


def _in_unit(metres: float) -> str:
    if _short(metres):
        return with_marks(f"{metres:.0f}").replace("-", "−")
    kilometres = metres / 1000
    text = f"{kilometres:.1f}".removesuffix(".0") if abs(kilometres) < 9.95 else f"{kilometres:,.0f}"
    return with_marks(text).replace("-", "−")


def distance_limits(low: float, high: float) -> str:
    """Return the limits of a length, either of which may be missing; empty when both are.

    Examples
    --------
    >>> distance_limits(3100, 4400), distance_limits(3100, float("nan")), distance_limits(float("nan"), 980)
    ('3.1 to 4.4 km', 'at least 3.1 km', 'at most 980 m')
    """
    if math.isnan(high):
        return "" if math.isnan(low) else _("at least {low}").format(low=distance(low))
    return _("at most {high}").format(high=distance(high)) if math.isnan(low) else distance_range(low, high)


def distance_and_limits(metres: float, low: float, high: float) -> str:
    """Return a length with its limits, as far as they are known: ``"15 km (14 to 17 km)"``."""
    limits = distance_limits(low, high)
    return f"{distance(metres)} ({limits})" if limits else distance(metres)


def bearing(degrees: float) -> str:
    """Return a bearing clockwise from grid north, as ``"072°"``."""
    return f"{round(degrees) % 360:03d}°"


def compass(degrees: float) -> str:
    """Return a bearing as one of eight directions.

    Examples
    --------
    >>> compass(50), compass(359)
    ('north-east', 'north')
    """
    names = (
        _("north"), _("north-east"), _("east"), _("south-east"),
        _("south"), _("south-west"), _("west"), _("north-west"),
    )  # fmt: skip
    return names[round(degrees / _COMPASS) % 8]


def probability(p: float) -> str:
    """Return a p-value.

    Examples
    --------
    >>> probability(0.0321), probability(0.0004), probability(0.2)
    ('p = 0.032', 'p < 0.001', 'p = 0.20')
    """
    if math.isnan(p):
        return _("p not known")
    if p < _LEAST_P:
        return _("p < {value}").format(value=with_marks(f"{_LEAST_P:g}"))
    return _("p = {value}").format(value=_p_value(p))


def bare_probability(p: float) -> str:
    """Return a p-value without the p, below a heading that names it.

    Examples
    --------
    >>> bare_probability(0.0321), bare_probability(0.0004), bare_probability(float("nan"))
    ('0.032', '< 0.001', 'not known')
    """
    if math.isnan(p):
        return _("not known")
    return _("< {value}").format(value=with_marks(f"{_LEAST_P:g}")) if p < _LEAST_P else _p_value(p)


def _p_value(p: float) -> str:
    return with_marks(f"{p:.3f}" if p < 0.0995 else f"{p:.2f}")
