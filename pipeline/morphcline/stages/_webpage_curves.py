"""Clines and correlograms as the page draws them, each with what it shows in words."""

from __future__ import annotations

import math

import numpy as np

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.figures.clines import ClinePanel
from morphcline.render.webmap import Correlogram, Profile
from morphcline.stages import _panels as panels
from morphcline.stages._panels import Material

Key = tuple[str, str]


def profiles(material: Material) -> dict[Key, Profile]:
    """Return a profile of each trait whose chosen cline isn't the flat one."""
    found = {}
    for species in material.study.scoring.species:
        for panel in panels.cline_panels(material, species):
            # The centre of an even gradient is that of the survey, and tells nothing.
            centre = (math.nan,) * 3 if panel.model == "linear" else (
                panel.centre_m, panel.centre_low, panel.centre_high
            )  # fmt: skip
            found[species, panel.trait] = Profile(
                text=_cline_in_words(panel, material), sites=panel.sites[["site", "distance_m"]], at_m=panel.at_m,
                fit=panel.fit, low=panel.low, high=panel.high, centre=centre, fits=panel.fits,
            )  # fmt: skip
    return found


def _cline_in_words(panel: ClinePanel, material: Material) -> str:
    first, last = labels.percent(float(panel.fit[0])), labels.percent(float(panel.fit[-1]))
    ends = {"first": first, "last": last, "model": labels.model_name(panel.model)}
    sentences = [
        _("Along the line the frequency goes from {first} to {last} ({model}).").format(**ends)
        if panel.along_line
        else _("Towards {bearing} the frequency goes from {first} to {last} ({model}).").format(
            bearing=labels.bearing(panel.bearing_deg), **ends
        )
    ]
    if not panel.fits:
        sentences.append(
            _("The curve does not describe the map ({p}), so that no centre or width is given.").format(
                p=labels.probability(panel.p_fit)
            )
        )
        return " ".join(sentences)
    if panel.model != "linear" and math.isfinite(panel.centre_m):
        sentences.append(_centre_in_words(panel))
    if panel.only_widest:
        sentences.append(_("The cline is narrower than {width}.").format(width=labels.distance(panel.width_high)))
    elif panel.width_known:
        width = labels.distance_and_limits(panel.width_m, panel.width_low, panel.width_high)
        sentences.append(_("The cline is {width} wide.").format(width=width))
    level = labels.level(material.study.scoring.confidence)
    sentences.append(_("In brackets: {level} intervals.").format(level=level))
    return " ".join(sentences)


def _centre_in_words(panel: ClinePanel) -> str:
    limits = (panel.centre_m, panel.centre_low, panel.centre_high)
    if panel.along_line:
        message = _("The centre lies {distance} from the line's start.")
    elif panel.centre_m >= 0:
        message = _("The centre lies {distance} in this direction from a point near the mean of the sites.")
    else:
        message = _("The centre lies {distance} in the opposite direction from a point near the mean of the sites.")
        limits = (-panel.centre_m, -panel.centre_high, -panel.centre_low)
    return message.format(distance=labels.distance_and_limits(*limits))


def correlograms(material: Material) -> dict[Key, Correlogram]:
    """Return a correlogram of each trait that figures show and that has one."""
    found = {}
    level = material.study.autocorrelation.level
    for species in material.study.scoring.species:
        rows = panels.shown_rows(material.of("correlogram", species))
        reaches = {str(row["trait"]): row for row in material.of("correlogram_reach", species).to_dict("records")}
        for trait in labels.main_traits(rows["trait"]):
            classes = rows[(rows["trait"] == trait) & rows["moran_i"].notna()].sort_values("distance_class")
            if classes.empty:
                continue
            row = reaches.get(trait, {})
            reach = tuple(float(row.get(name, math.nan)) for name in ("reach_m", "reach_low", "reach_high"))
            significant = int((classes["p_holm"] <= level).sum())
            first, last = classes.iloc[0], classes.iloc[-1]
            sentences = [
                _("Moran's I falls from {first} at {near} to {last} at {far}.")
                if last["moran_i"] < first["moran_i"]
                else _("Moran's I goes from {first} at {near} to {last} at {far}."),
            ]
            text = sentences[0].format(
                first=labels.decimals(first["moran_i"]), near=labels.distance(first["mean_m"]),
                last=labels.decimals(last["moran_i"]), far=labels.distance(last["mean_m"]),
            )  # fmt: skip
            told = many(
                "Of {all} distance classes {n} is significant.",
                "Of {all} distance classes {n} are significant.",
                significant,
            )
            text += " " + told.format(all=labels.number(len(classes)), n=labels.number(significant))
            if np.isfinite(reach[0]):
                text += " " + _("Sites are alike out to {distance}.").format(
                    distance=labels.distance_and_limits(*reach)
                )
            found[species, trait] = Correlogram(text, classes, (reach[0], reach[1], reach[2]))
    return found
