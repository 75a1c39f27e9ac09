"""How much a file of records may hold: more than any survey needs, less than stops a machine."""

from __future__ import annotations

from pydantic import Field

from morphcline.study._base import Section


class Limits(Section):
    """What a file may hold before it is taken for damaged, or for a trap.

    Attributes
    ----------
    size_mb : float
        Of the file, and of all that is packed in a workbook or an archive, in millions of bytes.
    ratio : float
        How many times larger than its packed form what is packed may be; asked of the parts of more than 10 MB.
    cells : int
        Rows times columns.
    columns : int
    cell_length : int
        Characters in a cell.
    """

    size_mb: float = Field(default=1000.0, gt=0)
    ratio: float = Field(default=200.0, ge=1)
    cells: int = Field(default=100_000_000, ge=1)
    columns: int = Field(default=1000, ge=1)
    cell_length: int = Field(default=100_000, ge=1)


#: What holds where a study file says nothing of it.
USUAL_LIMITS = Limits()
