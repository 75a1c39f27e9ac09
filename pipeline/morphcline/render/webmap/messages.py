"""What the page's script says, in the language in force: one dictionary, so that translators find it all here."""

from __future__ import annotations

from collections.abc import Callable

from morphcline.language import _, many, spoken, within
from morphcline.render import labels
from morphcline.render.palettes import LOCAL_GROUPS


def script_messages() -> dict[str, object]:
    """Return every message by its key; those with a number as forms by plural category."""
    return _messages() | _counted()


def group_names() -> list[str]:
    """Return the names of the local groups, in the order of their codes."""
    return [labels.sentence(labels.group_name(name)) for name in LOCAL_GROUPS]


def _messages() -> dict[str, object]:
    return {
        "about": _("about {distance}"),
        "adrift": _("Shown at the centre of the {side} square it lies in, or beside it where sites share a square."),
        "blank": _("no estimate here"),
        "cellName": _("Square {name}"),
        "cellNote": _("Its sites are pooled; they differ among themselves, so that no interval is given."),
        "changeFrom": _("Since {survey}"),
        "changeTold": _("{difference} points ({low} to {high}): {earlier} then, {later} now"),
        "chartSite": _("{name}: {distance}, {frequency} of {shells}"),
        "chosen": _("Chosen: {name}"),
        "copied": _("The link is copied."),
        "correlogramPoint": _("{from} to {to}: Moran's I {moran}, {pairs}"),
        "distance": _("Distance (km)"),
        "distanceAxis": _("Distance along the cline's axis (km)"),
        "errorHere": _("standard error {points} points"),
        "exact": _("Shown at its exact place."),
        "fell": within("change", "Fell"),
        "frequency": _("Frequency"),
        "frequencyOf": _("Frequency: {trait}"),
        "gradientHere": _("gradient {points} points per km"),
        "habitat": _("Habitat"),
        "habitatNoted": _("noted as {noted}"),
        "habitatRaster": _("{habitat} on {share} of the ground around"),
        "habitatPlain": _("{habitat} on the habitat raster"),
        "left": _("Left"),
        "local": _("Local signal"),
        "mapOf": _("Map: {trait}, {species}"),
        "named": _("{name}: {text}"),
        "clauses": _("{before}; {after}"),
        "moran": _("Moran's I"),
        "near": _("less than {distance}"),
        "nearest": _("Nearest other sites"),
        "noCorrelogram": _("No correlogram: Moran's I by distance was not computed for this trait."),
        "noMatch": _("No site has this in its name."),
        "noProfile": _(
            "No profile: no cline of this trait is better supported than one frequency everywhere, or none could be "
            "fitted."
        ),
        "noShells": _("No shells were judged for this here."),
        "notKnown": _("not known"),
        "ofShells": _("{frequency} of {shells}"),
        "ofTotal": _("{count} of {total}"),
        "place": _("Place"),
        "pointsPerKm": _("{value} or more"),
        "range": _("{low} to {high}"),
        "right": _("Right"),
        "rose": within("change", "Rose"),
        "rowsShown": _("{first} to {last} of {all}"),
        "showSite": _("Show {name}"),
        "shells": _("Shells"),
        "significant": _("significant"),
        "notSignificant": _("not significant"),
        "smallSample": _("Small sample"),
        "swipe": _("Where {left} on the left meets {right} on the right, in percent of the map's width"),
        "temperature": _("Temperature"),
        "toSite": _("Show {name} on the map"),
        "unchanged": within("change", "Unchanged"),
        "uncertain": _("Its true place lies within {radius} of the point shown (95% of such places)."),
        "uncertainMoved": _("Its true place lies within {radius} of that centre (95% of such places)."),
        "withheld": _("place withheld"),
        "withheldNote": _("Its place is withheld: its shells count in every total, and it stands on no map."),
        "zoneHere": _("steeper than chance"),
        "zoomIn": _("Zoom in"),
        "zoomOut": _("Zoom out"),
        "chartKeys": _("Arrow keys step along its points."),
        "comparedWith": _("Compared with: {statement}"),
        "correlogramOf": _("Correlogram: {trait}, {species}"),
        "holm": _("After Holm's correction"),
        "keyCentre": _("centre of the cline, with its {confidence} interval"),
        "keyChance": _("range of chance, and what is expected by chance (dashed)"),
        "keyCurve": _("curve fitted, with its {confidence} band"),
        "keyCurvePoor": _("best of the curves tried, which does not describe the map, with its {confidence} band"),
        "keyNotSignificant": _("hollow: not significant"),
        "keyReach": _("reach: how far sites are alike, with its interval"),
        "keySignificant": _("filled: significant (p of {level} or less after Holm's correction)"),
        "keySite": _("a site: the larger, the more shells; hollow: small sample"),
        "morphs": _("Morphs: colour and banding together"),
        "numbersDrawn": _("The numbers drawn"),
        "profileOf": _("Profile of the cline: {trait}, {species}"),
        "site": _("Site"),
        "sitePairs": _("Pairs of sites"),
        "library": _("Map display: {library}"),
    }


def _counted() -> dict[str, object]:
    return {
        "sites": _forms(lambda n: many("{n} site", "{n} sites", n)),
        "shellsCounted": _forms(lambda n: many("{n} shell", "{n} shells", n)),
        "pairs": _forms(lambda n: many("{n} pair of sites", "{n} pairs of sites", n)),
        "found": _forms(lambda n: many("{n} site found", "{n} sites found", n)),
        "cellShells": _forms(lambda n: many("{shells} at {n} site", "{shells} at {n} sites", n)),
    }


def _forms(message: Callable[[int], str]) -> dict[str, str]:
    """Return a message's forms by the plural category that browsers tell a whole number's form by."""
    from babel import Locale

    category = Locale.parse(spoken().code).plural_form
    examples: dict[str, int] = {}
    for number in range(200):
        examples.setdefault(category(number), number)
    return {name: message(number) for name, number in examples.items()} | {"other": message(examples.get("other", 199))}
