"""``[publish]``: what figures, page and report look like, and what they keep to themselves."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator, model_validator

from morphcline.study._base import Section


class Plate(Section):
    """Several figures on one sheet, as ``[[publish.plate]]``.

    Attributes
    ----------
    name : str
        A slug: it names the sheet's files, ``plate_<name>``.
    figures : tuple of str
        Names of figures, in reading order; ``"figure/trait"`` takes one panel out of a figure of several.
    columns : int
        Of the sheet, 1 to 4.
    width_mm : float, optional
        As for every figure otherwise.
    title : str
        Of the caption.
    """

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)
    figures: tuple[str, ...] = Field(min_length=1, max_length=24)
    columns: int = Field(default=2, ge=1, le=4)
    width_mm: float | None = Field(default=None, ge=60, le=400)
    title: str = ""


class Sensitive(Section):
    """Places that are told less of than others, as ``[[publish.sensitive]]``; a site that fits every key given.

    Attributes
    ----------
    species : str, optional
        Sites at which this species was found.
    sites : tuple of str
        These sites, by the names that the records give them.
    habitat : str, optional
        Sites in this class of the habitat raster, or noted so.
    blur_m : float, optional
        Side of the square in which the place is hidden.
    withhold : bool
        Tell no place at all: the site's shells count in every total, and it stands on no map.
    """

    species: str | None = None
    sites: tuple[str, ...] = ()
    habitat: str | None = None
    blur_m: float | None = Field(default=None, gt=0)
    withhold: bool = False

    @model_validator(mode="after")
    def _says_what_and_how(self) -> Sensitive:
        if self.species is None and not self.sites and self.habitat is None:
            raise ValueError("say which places: species, sites or habitat")
        if (self.blur_m is not None) == self.withhold:
            raise ValueError("give blur_m, or withhold = true")
        return self


class Publish(Section):
    """Figures, map and privacy.

    Attributes
    ----------
    blur_m : float
        Places in everything public are moved to the centre of a square of this side; 0 shows them exactly.
    names : bool or "pseudonyms"
        Show recorders' names; with ``"pseudonyms"`` a code that stays the same from run to run stands for each.
    pseudonym_key : path, optional
        A file with a secret line from which pseudonyms are made; keep it out of what you publish.
    site_names : bool
        Show sites under the names that the records give them; else under numbers.
    sensitive : tuple of Sensitive
    basemap : "outline", "none" or path
        Backdrop of maps: the outline of the study area, nothing, or a vector file.
    locator : bool or path
        A small map that says where the study lies: within its surroundings (true), on a vector file's, or none (false).
    formats : tuple of {"png", "svg", "pdf"}
    width_mm : float
        Width of a figure, 60 to 400.
    plate : tuple of Plate
    language : str
        Of figures, page, report and notes: ``"en"``, ``"fr"``, or any other with a catalogue.
    catalogue : path, optional
        The user's own translation, a gettext ``.po`` file.
    """

    blur_m: float = Field(default=1000.0, ge=0)
    names: bool | Literal["pseudonyms"] = False
    pseudonym_key: Path | None = None
    site_names: bool = True
    sensitive: tuple[Sensitive, ...] = ()
    basemap: Literal["outline", "none"] | Path = "outline"
    locator: bool | Path = True
    formats: tuple[Literal["png", "svg", "pdf"], ...] = ("png", "svg", "pdf")
    width_mm: float = Field(default=190.0, ge=60, le=400)
    plate: tuple[Plate, ...] = ()
    language: str = "en"
    catalogue: Path | None = None

    @field_validator("language")
    @classmethod
    def _is_a_code(cls, language: str) -> str:
        if not re.fullmatch(r"[a-z]{2,3}([-_][A-Za-z]{2,4})?", language):
            raise ValueError('a language code such as "en", "fr" or "pt_BR" is accepted')
        return language.replace("-", "_")

    @model_validator(mode="after")
    def _pseudonyms_need_a_key(self) -> Publish:
        if (self.names == "pseudonyms") != (self.pseudonym_key is not None):
            raise ValueError('names = "pseudonyms" and pseudonym_key go together: give both or neither')
        names = [plate.name for plate in self.plate]
        if len(set(names)) < len(names):
            raise ValueError("give each plate a name of its own")
        return self

    @property
    def coarsest_m(self) -> float:
        """Side of the largest square in which a place is hidden, 1 km at least where one is withheld; 0: none is."""
        sides = [self.blur_m, *(rule.blur_m or 1000.0 for rule in self.sensitive)]
        return max(sides)
