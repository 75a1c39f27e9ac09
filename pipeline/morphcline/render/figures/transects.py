"""Clines along one transect: the chart of clines, of the sites near a line that the study draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.figures.clines import ClinePanel, draw_clines
from morphcline.render.figures.sheet import Figure


def draw_transect(
    name: str,
    species: str,
    transect: str,
    panels: Sequence[ClinePanel],
    *,
    within_m: float,
    confidence: float,
    privacy: str,
    width_mm: float,
    among: labels.Denominators = labels.STANDARD_DENOMINATORS,
) -> Figure:
    """Draw the clines of one species along a transect, a panel a trait.

    Parameters
    ----------
    name, species, transect : str
    panels : sequence of ClinePanel
        At least one.
    within_m : float
        Sites that lie closer to the line than this are shown.
    confidence, privacy, width_mm, among
        As for :func:`morphcline.render.figures.clines.draw_clines`.
    """
    figure = draw_clines(name, species, panels, confidence=confidence, privacy=privacy, width_mm=width_mm, among=among)
    data = figure.data.copy()
    data.insert(1, "transect", transect)
    where = _("Transect {name}, sites within {distance} of its line.").format(
        name=transect, distance=labels.distance(within_m)
    )
    return replace(figure, data=data, caption=f"{where} {figure.caption}", alt=f"{where} {figure.alt}")
