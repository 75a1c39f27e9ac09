"""What every sentence is made with: whether a number is known, a trait as it opens a sentence, on how much it rests."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from morphcline.language import _
from morphcline.render import labels

Row = Mapping[str, Any]

LEVEL = 0.05


def known(value: Any) -> bool:
    """Return whether a cell holds a number."""
    return value is not None and not (isinstance(value, float) and math.isnan(value)) and value != ""


def shells_in_words(shells: float) -> str:
    """Return ``"3,120 shells"``."""
    return labels.counted(shells, "shell")


def sites_in_words(sites: float) -> str:
    """Return ``"288 sites"``."""
    return labels.counted(sites, "site")


def shells_and_sites(shells: float, sites: float) -> str:
    """Return ``"3,120 shells from 288 sites"``."""
    return _("{shells} from {sites}").format(shells=shells_in_words(shells), sites=sites_in_words(sites))


def in_text(row: Row) -> str:
    """Return a row's trait with its denominator: that of the row's column ``denominator`` for a study's own trait."""
    return labels.trait_in_text(row["trait"], _among(row))


def subject(row: Row) -> str:
    """Return a row's trait so that a verb can follow: ``"Yellow (among shells scored for colour)"``."""
    trait = row["trait"]
    shells = labels.denominator(trait, _among(row))
    return _("{trait} (among {shells})").format(trait=labels.trait_title(trait), shells=shells)


def _among(row: Row) -> labels.Denominators:
    return {row["trait"]: row["denominator"]} if row.get("denominator") else labels.STANDARD_DENOMINATORS


def opening(row: Row) -> str:
    """Return a row's trait with its denominator as a sentence's opening, before a colon."""
    return labels.sentence(in_text(row))


def lower_first(text: str) -> str:
    """Return text with a small letter at its start, to follow a colon."""
    return text[:1].lower() + text[1:]
