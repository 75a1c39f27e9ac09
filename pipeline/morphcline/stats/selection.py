r"""What would hold a cline as wide as one found, for a given dispersal: closed forms of the theory of clines.

All follow from the diffusion :math:`(\sigma^2 / 2)\, p'' + f(p, x) = 0` for the frequency p of an allele in balance,
with :math:`\sigma` the standard deviation of the distance between parent and offspring along one axis, in metres per
root generation, and f the change by selection in a generation:

heterozygote disadvantage
    :math:`f = s\, p q\, (2p - 1)`, heterozygotes having fitness 1 - s against either homozygote: :math:`w^2 = 8
    \sigma^2 / s` (Bazykin 1969; Barton & Gale 1993).
step in selection
    :math:`f = \pm s\, p q`, for the allele on one side and against it on the other: :math:`w^2 = 3 \sigma^2 / s`
    (Haldane 1948).
step in selection, dominance
    :math:`f = \pm s\, p q^2`, the allele being dominant: :math:`w^2 = 6 \sigma^2 / s`.
gradient in selection
    :math:`f = b x\, p q`: :math:`w = 2.4035\, (\sigma^2 / b)^{1/3}` (Slatkin 1973).
neutral mixing
    no selection, t generations after two populations met: :math:`w = \sigma \sqrt{2 \pi t}` (Endler 1977).

A morph isn't an allele. With a dominant allele and random mating within a site the frequency of the recessive morph is
:math:`q^2`, whose greatest gradient differs from that of q: the constants for a morph are those of :math:`q^2` along
the same cline. A width is the difference of the ends over the greatest gradient, so that it is the same for the
dominant morph.

The forms hold for weak selection (a cline much wider than :math:`\sigma`), ends at which an allele is fixed, an even
country, and equilibrium; definitions of s differ between papers by factors of 2, and those above count here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

#: Beyond it, the diffusion is a poor description of selection and movement in steps of a generation (our choice).
STRONGEST = 0.3


@dataclass(frozen=True)
class Explanation:
    """One way in which a cline may be held, or may have arisen.

    Attributes
    ----------
    name : str
    quantity : str
        What the width implies: ``"s"`` (a share per generation), ``"b per km"`` (s gained per kilometre) or
        ``"generations"``.
    of_allele, of_morph : float
        Width over its scale, read as that of an allele's and of a dominant or recessive morph's frequency. The scale
        is sigma / sqrt(s), (sigma^2 / b)^(1/3) or sigma sqrt(t).
    """

    name: str
    quantity: str
    of_allele: float
    of_morph: float

    def implied(self, width_m: float, sigma_m: float, *, of: str = "allele") -> float:
        """Return what holds a cline of this width.

        Parameters
        ----------
        width_m, sigma_m : float
            Both above 0.
        of : {"allele", "morph"}
            What the width is the width of.

        Examples
        --------
        Dispersal of 20 m and a cline of 400 m:

        >>> heterozygote_disadvantage, *_ = EXPLANATIONS
        >>> round(heterozygote_disadvantage.implied(400, 20), 6)
        0.02
        """
        return self._from_scale(width_m / self._constant(of), sigma_m)

    def width(self, value: float, sigma_m: float, *, of: str = "allele") -> float:
        """Return the width that a value of the quantity holds, the inverse of :meth:`implied`."""
        return self._constant(of) * self._scale(value, sigma_m)

    def _constant(self, of: str) -> float:
        if of not in ("allele", "morph"):
            raise ValueError(f"the width is that of an 'allele' or a 'morph', found {of!r}")
        return self.of_allele if of == "allele" else self.of_morph

    def _scale(self, value: float, sigma_m: float) -> float:
        return _SCALES[self.quantity][0](value, sigma_m)

    def _from_scale(self, scale_m: float, sigma_m: float) -> float:
        if not (scale_m > 0 and sigma_m > 0):
            raise ValueError("width and dispersal must be above 0")
        return _SCALES[self.quantity][1](scale_m, sigma_m)


_Scale = Callable[[float, float], float]
_SCALES: dict[str, tuple[_Scale, _Scale]] = {
    "s": (lambda s, sigma: sigma / math.sqrt(s), lambda scale, sigma: (sigma / scale) ** 2),
    "b per km": (
        lambda b, sigma: (sigma**2 / (b / 1000)) ** (1 / 3),
        lambda scale, sigma: 1000 * sigma**2 / scale**3,
    ),
    "generations": (lambda t, sigma: sigma * math.sqrt(t), lambda scale, sigma: (scale / sigma) ** 2),
}

# Where the morph's gradient 2 q q' is greatest under a step: a root of 2 - 6 p + (10/3) p^2 = 0, p = 1 - q.
_STEEPEST = (6 - math.sqrt(28 / 3)) / (20 / 3)
_STEP_MORPH = 1 / (2 * (1 - _STEEPEST) * _STEEPEST * math.sqrt(2 * (1 - 2 * _STEEPEST / 3)))
# Frequency of the dominant allele at the step, a root of 3 p^4 - 8 p^3 + 6 p^2 = 1/2 (first integrals on both sides).
_AT_THE_STEP = 0.3857275681

#: In the order of the table. The constants of the gradient, and where a morph's neutral cline is steepest, were found
#: numerically; tests solve the diffusion anew.
EXPLANATIONS = (
    Explanation("heterozygote disadvantage", "s", math.sqrt(8), math.sqrt(8) * 27 / 32),
    Explanation("step in selection", "s", math.sqrt(3), _STEP_MORPH),
    Explanation("step in selection, dominance", "s", math.sqrt(6), math.sqrt(6) / (2 * (1 - _AT_THE_STEP))),
    Explanation("gradient in selection", "b per km", 2.4034760, 1.9938141),
    Explanation("neutral mixing", "generations", math.sqrt(2 * math.pi), 2.0538376),
)


@dataclass(frozen=True)
class Implied:
    """What a width implies, as a range over the intervals of width and dispersal; NaN where the width is open."""

    low: float
    estimate: float
    high: float


def implied_range(
    explanation: Explanation,
    width_m: tuple[float, float, float],
    sigma_m: tuple[float, float],
    *,
    of: str = "allele",
) -> Implied:
    """Return what a width and its limits imply, for a dispersal and its limits.

    Parameters
    ----------
    explanation : Explanation
    width_m : (low, estimate, high)
        Limits may be NaN: not known.
    sigma_m : (low, high)
        The estimate takes their geometric mean.
    of : {"allele", "morph"}

    Notes
    -----
    The extremes are those of both intervals together, so the range covers at least as often as the width's interval
    does, if dispersal lies within its own.
    """
    low, width, high = width_m
    pairs = ((low, sigma_m[1]), (high, sigma_m[0]))
    strong, weak = (
        explanation.implied(at, sigma, of=of) if math.isfinite(at) and at > 0 else math.nan for at, sigma in pairs
    )
    middle = explanation.implied(width, math.sqrt(sigma_m[0] * sigma_m[1]), of=of)
    if explanation.quantity == "generations":  # the wider cline is the older one
        return Implied(strong, middle, weak)
    return Implied(weak, middle, strong)
