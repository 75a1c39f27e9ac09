"""Sentences made from rows of the tables: the effect first, then its interval, then on how much it rests.

Nothing is called a cause. Where a test finds nothing, the sentence says that none was seen, not that none is there.
Each is said in the language in force.
"""

from __future__ import annotations

from morphcline.render.report.sentences.basis import (
    LEVEL,
    Row,
    in_text,
    known,
    lower_first,
    shells_and_sites,
    shells_in_words,
    sites_in_words,
    subject,
)
from morphcline.render.report.sentences.changes import change
from morphcline.render.report.sentences.clines import chosen_model, cline
from morphcline.render.report.sentences.covariates import difference, habitats, is_quiet, odds, temperature
from morphcline.render.report.sentences.frequencies import frequency, scatter, several_frequencies
from morphcline.render.report.sentences.likeness import neighbours
from morphcline.render.report.sentences.smoothing import surface

__all__ = [
    "LEVEL",
    "Row",
    "change",
    "chosen_model",
    "cline",
    "difference",
    "frequency",
    "habitats",
    "in_text",
    "is_quiet",
    "known",
    "lower_first",
    "neighbours",
    "odds",
    "scatter",
    "several_frequencies",
    "shells_and_sites",
    "shells_in_words",
    "sites_in_words",
    "subject",
    "surface",
    "temperature",
]
