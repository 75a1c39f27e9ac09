"""What a snail scorer knows: species, band formulas, traits, habitats, cautions. Plain values in, plain values out."""

from morphcline.scoring.formulas import (
    BAND_CLASSES,
    Banding,
    UnreadableBanding,
    band_class,
    bands_present,
    effectively_unbanded,
    has_fusion,
    read_banding,
)
from morphcline.scoring.habitats import CLASSES, read_habitat
from morphcline.scoring.shells import (
    COLOURS,
    UnreadableAge,
    UnreadableColour,
    UnreadableCondition,
    UnreadableLip,
    UnreadableScore,
    read_age,
    read_colour,
    read_condition,
    read_lip,
)
from morphcline.scoring.species import Species, UnknownSpecies, expected_lip, read_species, slug
from morphcline.scoring.traits import EXCLUSIVE, Trait, standard_traits, user_trait, wanted_traits

__all__ = [
    "BAND_CLASSES",
    "CLASSES",
    "COLOURS",
    "EXCLUSIVE",
    "Banding",
    "Species",
    "Trait",
    "UnknownSpecies",
    "UnreadableAge",
    "UnreadableBanding",
    "UnreadableColour",
    "UnreadableCondition",
    "UnreadableLip",
    "UnreadableScore",
    "band_class",
    "bands_present",
    "effectively_unbanded",
    "expected_lip",
    "has_fusion",
    "read_age",
    "read_banding",
    "read_colour",
    "read_condition",
    "read_habitat",
    "read_lip",
    "read_species",
    "slug",
    "standard_traits",
    "user_trait",
    "wanted_traits",
]
