"""What must be said wherever results are shown: about fieldwork, privacy and what the results are worth as evidence."""

from __future__ import annotations

FIELDWORK = (
    "Ask the owner before going on private land, and the authority before sampling a protected site or species: "
    "local law decides, and this report is no permission.",
    "Mind water's edge, roads, nettles and thorns; don't search alone where help is far.",
    "Wash your hands afterwards: snails can carry parasites.",
    "Put live snails back where you found them.",
)

PRIVACY = (
    "A garden's exact position is a person's home: recorders' names and exact places stay out of what is published, "
    "unless the study file says otherwise.",
    "Tables in the output folder hold exact places and recorders' names; share them only with those who may see them.",
)

EVIDENCE = (
    "A species named from its lip is probable, not certain: white-lipped Cepaea nemoralis and dark-lipped Cepaea "
    "hortensis occur, and dissection settles it.",
    "Frequencies come from shells that were found and scored, which need not be all that lived there; the intervals "
    "cover chance, not how the shells were found.",
    "These results are evidence for a specialist to weigh. They are not a licence, a consent or a planning assessment: "
    "local codes and licensed practice come first.",
)
