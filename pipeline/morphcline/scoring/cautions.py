"""What must be said wherever results are shown: about fieldwork, privacy and what the results are worth as evidence.

The sentences are messages: who shows them looks them up.
"""

from __future__ import annotations

from morphcline.language import marked

FIELDWORK = (
    marked(
        "Ask the owner before going on private land, and the authority before sampling a protected site or species: "
        "local law decides, and this report is no permission."
    ),
    marked("Mind water's edge, roads, nettles and thorns; don't search alone where help is far."),
    marked("Wash your hands afterwards: snails can carry parasites."),
    marked("Put live snails back where you found them."),
)

PRIVACY = (
    marked(
        "A garden's exact position is a person's home: recorders' names and exact places stay out of what is "
        "published, unless the study file says otherwise."
    ),
    marked(
        "The folder named private, beside this report, holds exact places and recorders' names; share it only with "
        "those who may see them."
    ),
)

EVIDENCE = (
    marked(
        "A species named from its lip is probable, not certain: white-lipped Cepaea nemoralis and dark-lipped Cepaea "
        "hortensis occur, and dissection settles it."
    ),
    marked(
        "Frequencies come from shells that were found and scored, which need not be all that lived there; the "
        "intervals cover chance, not how the shells were found."
    ),
    marked(
        "These results are evidence for a specialist to weigh. They are not a licence, a consent or a planning "
        "assessment: local codes and licensed practice come first."
    ),
)
