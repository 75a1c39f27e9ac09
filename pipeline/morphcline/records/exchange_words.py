"""The words in which shells are told in a Darwin Core archive: for writing one and for reading one back."""

from __future__ import annotations

from collections.abc import Mapping

#: How shells are scored here; a change of meaning gets another number.
SCHEME = "banded-snail scoring, scheme 1"

COLOUR = "shell ground colour"
BAND_CLASS = "shell banding class"
FORMULA = "shell banding formula"
BAND_NUMBER = "band number"
FUSION = "band fusion"
LIP = "lip colour"
CONDITION = "shell condition"
UNIT = "recording unit"
COUNTED = "counted in frequencies"
HABITAT = "habitat class of a raster"
TEMPERATURE = "temperature"

#: What each measurement is and how it was taken.
METHODS: Mapping[str, str] = {
    COLOUR: "by eye: yellow, pink or brown; unscored where it can't be called",
    BAND_CLASS: "by eye: unbanded; mid-banded (band 3 alone); many-banded (two bands or more); other one-banded",
    FORMULA: "by eye: bands 1 to 5 from the suture, 0 absent, brackets fused, a colon before a trace",
    BAND_NUMBER: "bands present in the formula, traces counted",
    FUSION: "whether any bands of the formula are fused",
    LIP: "by eye: dark, white, or absent where the lip is not formed",
    CONDITION: "live; fresh: an empty shell whose colour can be scored; worn: bleached, worn or broken",
    UNIT: "each shell of the quantity was recorded by itself",
    COUNTED: "adult, live or fresh shells of a species studied are counted",
}

#: What other archives call the same, in letters and digits alone.
SYNONYMS: Mapping[str, str] = {
    "shellgroundcolour": COLOUR, "shellgroundcolor": COLOUR, "groundcolour": COLOUR, "groundcolor": COLOUR,
    "shellcolour": COLOUR, "shellcolor": COLOUR,
    "shellbandingclass": BAND_CLASS, "bandingclass": BAND_CLASS, "bandclass": BAND_CLASS,
    "shellbandingformula": FORMULA, "bandingformula": FORMULA, "bandformula": FORMULA, "shellbanding": FORMULA,
    "banding": FORMULA,
    "lipcolour": LIP, "lipcolor": LIP, "lip": LIP, "peristomecolour": LIP, "peristomecolor": LIP,
    "shellcondition": CONDITION,
    "recordingunit": UNIT,
    "bandnumber": BAND_NUMBER, "bandfusion": FUSION, "countedinfrequencies": COUNTED,
}  # fmt: skip

UNSCORED = "unscored"
SINGLE = "single shells"
PRESENT, ABSENT = "present", "absent"
INDIVIDUALS = "individuals"
#: Types of quantity that count shells.
COUNTS_SHELLS = frozenset({"individual", "individuals", "shell", "shells", "specimen", "specimens", "snail", "snails"})

#: Live or dead, by the condition of the shell; a condition that isn't noted stays so.
VITALITY: Mapping[str, str] = {"live": "alive", "fresh": "dead", "worn": "dead"}
#: The condition that a vitality means where the condition itself isn't told: a dead snail's shell may be fresh or worn.
CONDITION_OF: Mapping[str, str] = {"alive": "live", "live": "live", "dead": "", "uncertain": "", "not assessed": ""}

#: How remarks begin that the writer made; a reader leaves them out.
NOT_COUNTED = "Not counted in frequencies: "
NONE_FOUND = "Searched, none found"
