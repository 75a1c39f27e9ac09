"""Every row's fate: accepted, or rejected for the first of its reasons."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from morphcline.language import marked
from morphcline.records.texts import TextColumn, shortened

#: Why a row is rejected, in the order in which rows are checked.
REASONS = {
    "empty-row": marked("nothing stands in the row"),
    "row-ragged": marked("the row has more cells than the header, so its cells may stand in the wrong columns"),
    "site-missing": marked("a row of a table of sites names no site"),
    "site-twice": marked("a table of sites gives a site two places"),
    "count-missing": marked("no number of shells"),
    "count-not-whole": marked("the number of shells is not a whole number that can be meant"),
    "count-negative": marked("the number of shells is below zero"),
    "age-unreadable": marked("the age is neither adult nor juvenile"),
    "condition-unreadable": marked("the condition is neither live nor fresh nor worn"),
    "lip-unreadable": marked("the lip is neither dark nor white nor absent"),
    "species-missing": marked("adult shells without a species"),
    "species-unknown": marked("the name is of no species known here"),
    "species-not-studied": marked("the species is of a genus that the study doesn't analyse"),
    "banding-unreadable": marked("the banding is neither a formula nor one of the classes"),
    "colour-unreadable": marked("the colour is not yellow, pink or brown"),
    "colour-contradicts": marked("the formula carries another colour than the colour's own column"),
    "date-unreadable": marked("the date can't be read, or could be two dates"),
    "site-not-in-table": marked("the row has no place of its own and its site is not in the table of sites"),
    "position-missing": marked("no place"),
    "position-unreadable": marked("the place, its CRS or its uncertainty can't be read"),
    "position-zero": marked("both coordinates are zero, as when a fix failed"),
    "position-swapped": marked("the coordinates are exchanged: the other way round they lie in the study's area"),
    "position-outside-crs": marked("the place lies where the CRS of its coordinates, or the study's, is not defined"),
    "position-outside-area": marked("the place lies far outside the study's area"),
    "position-in-water": marked("the place lies in water with no land near"),
}
_MAKES_THE_REST_IDLE = ("empty-row", "row-ragged")
_ORDER = {code: place for place, code in enumerate(REASONS)}


@dataclass
class Verdicts:
    """Collects the reasons for which rows are rejected.

    Parameters
    ----------
    rows : int
    """

    rows: int
    _found: list[tuple[str, NDArray[np.intp], NDArray[np.object_]]] = field(default_factory=list, init=False)

    def reject(self, mask: NDArray[np.bool_], code: str, reasons: str | TextColumn) -> None:
        """Reject the rows where ``mask`` is true.

        Parameters
        ----------
        mask : (rows,) array of bool
        code : str
            A key of :data:`REASONS`.
        reasons : str or TextColumn
            A sentence for all, or one for each row, without a full stop.
        """
        if code not in _ORDER:
            raise KeyError(code)
        where = np.flatnonzero(mask)
        if not len(where):
            return
        column = TextColumn.constant(reasons, self.rows) if isinstance(reasons, str) else reasons
        self._found.append((code, where, column.take(where).texts()))

    @property
    def rejected(self) -> NDArray[np.bool_]:
        """Whether a row is rejected so far."""
        mask = np.zeros(self.rows, dtype=bool)
        for _, where, _ in self._found:
            mask[where] = True
        return mask

    def of_row(self) -> dict[int, tuple[str, str]]:
        """Return, for each rejected row, its code and its reasons: the first check's first, the others after it."""
        fates: dict[int, list[tuple[str, str]]] = {}
        for code, where, reasons in sorted(self._found, key=lambda found: _ORDER[found[0]]):
            for row, reason in zip(where.tolist(), reasons.tolist(), strict=True):
                fates.setdefault(row, []).append((code, reason))
        return {row: (found[0][0], _sentence(found)) for row, found in fates.items()}


def _sentence(found: list[tuple[str, str]]) -> str:
    if found[0][0] in _MAKES_THE_REST_IDLE:
        return found[0][1]
    return "; also: ".join(shortened(reason) for _, reason in found)
