"""The stages, in the order data flow; a stage is thin: load, call, save."""

#: Names of the stages, in the order data flow; each is a module here with a ``STAGE``.
NAMES = (
    "intake",
    "locate",
    "landscape",
    "frequencies",
    "surfaces",
    "autocorrelation",
    "clines",
    "maps",
    "report",
)
