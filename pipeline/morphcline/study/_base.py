"""What every section of the study file shares."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """A frozen section; unknown keys are refused, and so are numbers that are none."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True, allow_inf_nan=False)
