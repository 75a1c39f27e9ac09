"""Clines: frequencies at the sites along the cline's bearing, and the model chosen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from numpy.typing import NDArray

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.charts import Spacing, chart_sheet, columns_that_fit, kilometre_axis, percent_axis
from morphcline.render.figures.keys import marks_key, size_key
from morphcline.render.figures.sheet import SMALL, Figure, Heading, draw_circles, place, style
from morphcline.render.palettes import INK, PAPER, SERIES, Mark

POINT = "#9A9A9A"
BAND = "#A9CBE6"
CENTRE = "#F3CBA8"
LARGEST_SAMPLE = 150
LEVEL = 0.05
#: Limits of the frequency axis, with room above for the width, and where 103% lies between them.
LIMITS = (-0.03, 1.17)
TOP = (1.03 - LIMITS[0]) / (LIMITS[1] - LIMITS[0])

#: More panels than this below one another would be too low to read a curve from.
MOST_ROWS = 5
NARROW_MM = 55.0


@dataclass(frozen=True)
class ClinePanel:
    """One trait's cline.

    Parameters
    ----------
    trait, model : str
    weight : float
        Akaike weight of the model among those fitted.
    bearing_deg : float
        Of the axis, to where the trait becomes commoner; missing where the axis is a line that was given.
    centre_m, centre_low, centre_high, width_m, width_low, width_high : float
        Missing where not known.
    sites : DataFrame
        ``shown_as, distance_m, count, total, frequency``; distances of the places as published.
    at_m, fit, low, high : (m,) arrays
        The curve and its band.
    step : bool
        It is a step as far as the sites tell.
    falling : bool
        Along a line that was given the trait becomes rarer.
    p_fit : float
        Of the model's goodness of fit; missing where not known.
    fits : bool
        Whether the model describes the map, as far as is known.
    """

    trait: str
    model: str
    weight: float
    bearing_deg: float
    centre_m: float
    centre_low: float
    centre_high: float
    width_m: float
    width_low: float
    width_high: float
    sites: pd.DataFrame
    at_m: NDArray[np.float64]
    fit: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    step: bool = False
    falling: bool = False
    p_fit: float = np.nan
    fits: bool = True

    @property
    def along_line(self) -> bool:
        """Whether distances count along a line that was given."""
        return bool(np.isnan(self.bearing_deg))

    @property
    def width_known(self) -> bool:
        """Whether the width is a number: not where it has no lower limit."""
        return bool(np.isfinite(self.width_m) and np.isfinite(self.width_low))

    @property
    def has_centre(self) -> bool:
        """Whether a centre is drawn."""
        return self.fits and self.model != "linear" and bool(np.isfinite(self.centre_m))

    @property
    def has_width(self) -> bool:
        """Whether a width is drawn."""
        return self.has_centre and self.width_known

    @property
    def only_widest(self) -> bool:
        """Whether no more is known of the width than how great it may be."""
        return bool(np.isnan(self.width_low) and np.isfinite(self.width_high))


def draw_clines(
    name: str,
    species: str,
    panels: Sequence[ClinePanel],
    *,
    confidence: float,
    privacy: str,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the clines of one species, a panel a trait.

    Parameters
    ----------
    name, species : str
    panels : sequence of ClinePanel
        At least one.
    confidence : float
        Of band and intervals.
    privacy : str
        What was done to the places, for the caption; may be empty.
    width_mm : float
    among : mapping
        Denominators by trait.
    """
    columns = columns_that_fit(len(panels), width_mm, least_mm=58 if len(panels) <= MOST_ROWS else 44, most=3)
    level = labels.level(confidence)
    curve = SERIES[0].fill
    centre = _("Centre, with its {level} interval").format(level=level)
    keys = [
        size_key(_("Shells judged at a site"), [(labels.number(n), float(_diameter(n))) for n in (20, 50, 100)]),
        marks_key(
            "",
            [
                Mark(_("Chosen model with its {level} band").format(level=level), "s", BAND, edge=curve, size=5),
                *(
                    [Mark(centre, "s", CENTRE, edge=SERIES[1].fill, size=5)]
                    if any(p.has_centre for p in panels)
                    else []
                ),
                *([Mark(_("Width of the cline"), "_", INK, size=9)] if any(p.has_width for p in panels) else []),
                *([Mark(_("Widest in its interval"), "--", PAPER, INK)] if any(map(_only_widest, panels)) else []),
                *(
                    [Mark(_("Model that fails its test"), "--", PAPER, curve)]
                    if not all(p.fits for p in panels)
                    else []
                ),
            ],
            rows=5,
        ),
    ]
    with style():
        sheet, axes = chart_sheet(
            [Heading(labels.trait_title(panel.trait), _note(panel)) for panel in panels],
            columns=columns, height_mm=40.0, width_mm=width_mm, keys=keys,
            # In a narrow panel the axis label takes two lines.
            spacing=Spacing(left=9.0, first=3.5, head=8.4, below=10.5 if width_mm / columns > NARROW_MM else 14.0),
        )  # fmt: skip
        for i, (panel, chart) in enumerate(zip(panels, axes, strict=True)):
            _draw_panel(chart, panel)
            if i % columns == 0:
                chart.set_ylabel(_("Frequency"))
    data = pd.concat([_data(species, panel) for panel in panels], ignore_index=True)
    return Figure(name, sheet.figure, data, _caption(species, panels, level, privacy, among), _alt(species, panels))


def _diameter(shells: float | NDArray[np.float64]) -> NDArray[np.float64]:
    return 5.0 * np.sqrt(np.clip(shells, 10, LARGEST_SAMPLE) / LARGEST_SAMPLE)


def _note(panel: ClinePanel) -> str:
    # Along a line the distance axis is the line: what is left to say is which way the frequency goes.
    if not panel.along_line:
        message = _("{model} ({weight}), towards {bearing}")
    else:
        message = _("{model} ({weight}), falling") if panel.falling else _("{model} ({weight}), rising")
    return message.format(
        model=labels.model_name(panel.model), weight=labels.decimals(panel.weight), bearing=_bearing(panel)
    )


def _bearing(panel: ClinePanel) -> str:
    return "" if panel.along_line else labels.bearing(panel.bearing_deg)


def _axis(panel: ClinePanel) -> str:
    if not panel.along_line:
        return _("towards {bearing}").format(bearing=_bearing(panel))
    return _("falling along the line") if panel.falling else _("rising along the line")


def _draw_panel(axes: Axes, panel: ClinePanel) -> None:
    mark = SERIES[0]
    sites = panel.sites
    shown = (float(panel.at_m.min()), float(panel.at_m.max()))
    draw_circles(
        axes, sites["distance_m"], sites["frequency"], _diameter(sites["total"].to_numpy(np.float64)),
        np.tile(to_rgba(POINT), (len(sites), 1)), edgecolors=PAPER, linewidths=0.25, zorder=2, clip_on=False,
    )  # fmt: skip
    axes.fill_between(panel.at_m, panel.low, panel.high, color=BAND, alpha=0.75, lw=0, zorder=3)
    axes.plot(panel.at_m, panel.fit, color=mark.fill, lw=1.4, ls="-" if panel.fits else (0, (3.5, 1.6)), zorder=4)
    percent_axis(axes, "y")
    if panel.fits:
        _draw_centre_and_width(axes, panel, shown)
    else:
        label = _("doesn't describe the map ({p})").format(p=labels.probability(panel.p_fit))
        axes.text(sum(shown) / 2, 1.095, label, ha="center", va="bottom", fontsize=SMALL)
    axes.set_xlim(*shown)
    axes.set_ylim(*LIMITS)
    kilometre_axis(axes, _("Distance along the axis (km)"))


def _only_widest(panel: ClinePanel) -> bool:
    return panel.fits and panel.only_widest


def _draw_centre_and_width(axes: Axes, panel: ClinePanel, shown: tuple[float, float]) -> None:
    if np.isfinite(panel.centre_low) and np.isfinite(panel.centre_high):
        axes.axvspan(
            max(panel.centre_low, shown[0]), min(panel.centre_high, shown[1]), ymax=TOP, color=CENTRE, lw=0, zorder=0.6
        )
    if panel.model != "linear" and shown[0] <= panel.centre_m <= shown[1]:
        axes.axvline(panel.centre_m, ymax=TOP, color=SERIES[1].fill, lw=0.8, zorder=1)
    if panel.only_widest:
        message = _("a step, narrower than {width}") if panel.step else _("narrower than {width}")
        label = message.format(width=labels.distance(panel.width_high))
        _draw_width(axes, panel, shown, panel.width_high, label)
    elif panel.width_known:
        _draw_width(axes, panel, shown, panel.width_m, labels.distance(panel.width_m))


def _draw_width(axes: Axes, panel: ClinePanel, shown: tuple[float, float], width: float, label: str) -> None:
    """Draw a width as a bar across the top, dashed for the widest that fits; ends outside the panel get no tick."""
    ends = panel.centre_m - width / 2, panel.centre_m + width / 2
    cut = max(ends[0], shown[0]), min(ends[1], shown[1])
    if cut[0] >= cut[1]:
        return
    dashes = (0, (2.5, 1.5)) if panel.only_widest else "-"
    axes.plot(cut, [1.07, 1.07], color=INK, lw=1.0, ls=dashes, zorder=5, dash_capstyle="butt", solid_capstyle="butt")
    for end in ends:
        if shown[0] <= end <= shown[1]:
            axes.plot([end, end], [1.05, 1.09], color=INK, lw=0.8, zorder=5)
    room = (0.4 if panel.step else 0.26 if panel.only_widest else 0.12) * (shown[1] - shown[0])
    middle = float(np.clip((cut[0] + cut[1]) / 2, shown[0] + room, shown[1] - room))
    axes.text(middle, 1.095, label, ha="center", va="bottom", fontsize=SMALL)


def _data(species: str, panel: ClinePanel) -> pd.DataFrame:
    sites = panel.sites[["distance_m", "count", "total", "frequency"]].copy()
    sites.insert(0, "site", panel.sites["shown_as"])
    sites.insert(0, "what", "site")
    curve = pd.DataFrame(
        {"what": "curve", "site": "", "distance_m": panel.at_m, "frequency": panel.fit, "low": panel.low,
         "high": panel.high}
    )  # fmt: skip
    table = pd.concat([sites, curve], ignore_index=True)
    table.insert(0, "model", panel.model)
    table.insert(0, "trait", panel.trait)
    table.insert(0, "species", species)
    return table


def _numbers(panel: ClinePanel) -> str:
    return labels.shells_and_sites(panel.trait, panel.sites["total"].sum(), len(panel.sites))


def _caption(species: str, panels: Sequence[ClinePanel], level: str, privacy: str, among: labels.Denominators) -> str:
    numbers, basis = labels.common_numbers([_numbers(panel) for panel in panels])
    fits = []
    for panel, own in zip(panels, numbers, strict=True):
        message = _("{trait}: {fit} ({numbers})") if own else _("{trait}: {fit}")
        fits.append(message.format(trait=labels.trait_name(panel.trait), fit=_fit(panel), numbers=own))
    told = [
        _(
            "{species}: frequencies at the sites along the axis of each trait's cline, and the model chosen "
            "(beta-binomial likelihood; its Akaike weight among all models fitted is in brackets above the panel). It "
            "has the lowest AICc, but free ends are chosen only where surveys simulated from a simpler cline seldom "
            "look as much like them (p of {level} or less) and both ends are seen among the sites; tails likewise."
        ).format(species=species, level=labels.decimals(LEVEL)),
        # On a sheet of chosen panels nobody looks for the others.
        "" if place() is not None else _left_out(),
        labels.sentence(labels.clauses(fits)) + ".",
        basis,
        _(
            "Band: {level}, pointwise, given the axis (delta method); centre and width: {level} profile-likelihood "
            "intervals, longer where neighbours' residuals are alike."
        ).format(level=level),
        _steps() if any(map(_only_widest, panels)) else "",
        "" if all(panel.fits for panel in panels) else _failed(),
        _counted_from(panels),
        labels.denominators_in_text([panel.trait for panel in panels], among),
        privacy,
    ]
    return " ".join(part for part in told if part)


def _left_out() -> str:
    return _(
        "Traits for which a permutation test doesn't rule out one frequency everywhere (p above {level}) have no panel."
    ).format(level=labels.decimals(LEVEL))


def _steps() -> str:
    return _(
        "Where the width has no lower limit, no width can be told: the dashed bar is the widest in the interval. It is "
        "called a step only where even that is less than the distance between neighbouring sites."
    )


def _failed() -> str:
    return _(
        "A dashed curve is the best of the models and yet doesn't describe the map: surveys simulated from it seldom "
        "depart from it as much (p of {level} or less), and neighbours share a third or more of what it leaves "
        "unexplained; its centre and width are not drawn."
    ).format(level=labels.decimals(LEVEL))


def _counted_from(panels: Sequence[ClinePanel]) -> str:
    if any(panel.along_line for panel in panels):
        return _("Distances count from the line's start.")
    return _("Distances count from a point near the mean of the sites to where the trait becomes commoner.")


def _fit(panel: ClinePanel) -> str:
    parts = [labels.model_name(panel.model), _axis(panel)]
    if not panel.fits:
        fails = _("which doesn't describe the map ({p})").format(p=labels.probability(panel.p_fit))
        return labels.commas([*parts, fails])
    if panel.model == "linear":  # its centre and width are those of the survey
        whole = _("over the whole {distance}").format(distance=labels.distance(panel.width_m))
        return labels.commas([*parts, whole])
    if np.isfinite(panel.centre_m):
        outside = not panel.at_m.min() <= panel.centre_m <= panel.at_m.max()
        message = _("centre {distance} beyond the outermost sites") if outside else _("centre {distance}")
        distance = labels.distance_and_limits(panel.centre_m, panel.centre_low, panel.centre_high)
        parts.append(message.format(distance=distance))
    if panel.only_widest:
        if panel.step:
            message = _("a step, narrower than {width} (no lower limit)")
        else:
            message = _("narrower than {width} (no lower limit)")
        parts.append(message.format(width=labels.distance(panel.width_high)))
    elif panel.width_known:
        width = labels.distance_and_limits(panel.width_m, panel.width_low, panel.width_high)
        parts.append(_("width {distance}").format(distance=width))
    return labels.commas(parts)


def _alt(species: str, panels: Sequence[ClinePanel]) -> str:
    first = (
        _("{species}: site frequencies against distance with a fitted curve.")
        if len(panels) == 1
        else _("{species}: site frequencies against distance with a fitted curve, one panel per trait.")
    )
    parts = [first.format(species=species)]
    for panel in panels:
        parts.append(
            _("{trait}: the curve goes from {first} to {last}, {fit} (n = {numbers}).").format(
                trait=labels.trait_title(panel.trait),
                first=labels.percent(float(panel.fit[0])),
                last=labels.percent(float(panel.fit[-1])),
                fit=_fit(panel),
                numbers=_numbers(panel),
            )
        )
    return " ".join(parts)
