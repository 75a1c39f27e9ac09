"""A small chart for a note: what the shells were like, as bars cut into classes; the numbers stand beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.palettes import INK, PAPER, TRAIT_MARKS

_LEFT, _WIDE, _TALL, _STEP = 150.0, 330.0, 20.0, 30.0
#: A piece narrower than this share holds no text of its own: the line below the bars tells it.
_LEAST_WRITTEN = 0.13
#: Luminance (WCAG 2, relative luminance) above which a fill takes dark text: half-way between black and white in
#: contrast.
_LIGHT = 0.179


@dataclass(frozen=True)
class Bar:
    """One line of a chart: whose shells, how many, and the share of each class, in a fixed order."""

    label: str
    shells: str
    shares: Sequence[tuple[str, float]]


@dataclass(frozen=True)
class Chart:
    """Bars of one kind, colour or banding."""

    title: str
    bars: Sequence[Bar]

    def lines(self) -> list[str]:
        """Return the same in words, a line a bar."""
        return [
            _("{whose} ({shells}): {shares}").format(
                whose=bar.label,
                shells=bar.shells,
                shares=labels.listing(
                    _("{trait} {percent}").format(trait=labels.trait_name(name), percent=labels.percent(share))
                    for name, share in bar.shares
                ),
            )
            for bar in self.bars
        ]

    def svg(self) -> Markup:
        """Return the chart as a drawing that needs nothing but itself."""
        height = _STEP * len(self.bars) + 4
        told = escape(". ".join([self.title, *self.lines()]))
        drawn = [
            f'<svg viewBox="0 0 {_LEFT + _WIDE + 8:g} {height:g}" role="img" aria-label="{told}" '
            'font-family="sans-serif" font-size="12">'
        ]
        for at, bar in enumerate(self.bars):
            top = _STEP * at + 4
            drawn.append(
                f'<text x="{_LEFT - 8:g}" y="{top + 14:g}" text-anchor="end" fill="{INK}">{escape(bar.label)}</text>'
            )
            drawn += _pieces(bar, top)
        return Markup("\n".join([*drawn, "</svg>"]))


def _pieces(bar: Bar, top: float) -> list[str]:
    drawn, left = [], _LEFT
    for name, share in bar.shares:
        width = _WIDE * share
        if width > 0:
            fill = TRAIT_MARKS[name].fill
            # A white edge keeps pieces apart where colours can't be told.
            drawn.append(
                f'<rect x="{left:.2f}" y="{top:g}" width="{width:.2f}" height="{_TALL:g}" fill="{fill}" '
                f'stroke="{PAPER}" stroke-width="1.5"/>'
            )
            if share >= _LEAST_WRITTEN:
                drawn.append(
                    f'<text x="{left + width / 2:.2f}" y="{top + 14:g}" text-anchor="middle" '
                    f'fill="{_on(fill)}">{escape(labels.percent(share))}</text>'
                )
        left += width
    return drawn


def key(chart: Chart) -> Markup:
    """Return the classes with their colours, in the order in which they stand in every bar."""
    names = list(dict.fromkeys(name for bar in chart.bars for name, _share in bar.shares))
    items = [
        f'<li><span class="swatch" style="background:{TRAIT_MARKS[name].fill}"></span>'
        f"{escape(labels.trait_name(name))}</li>"
        for name in names
    ]
    return Markup('<ul class="key">' + "".join(items) + "</ul>")


def _on(fill: str) -> str:
    return INK if _luminance(fill) > _LIGHT else PAPER


def _luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
