"""What became of every row: the table of the rejected ones, and the numbers that must add up."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.errors import MorphclineError
from morphcline.language import Said
from morphcline.records.texts import TextTable
from morphcline.records.verdicts import REASONS

#: A warning tells of a reason that rejects more than this share of a sheet's rows, and at least so many.
_BULK = 0.1
_FEWEST_IN_BULK = 5

#: The columns of a rejected row, in order.
REJECTED_COLUMNS = {
    "source": "file the row stands in",
    "row": "its number there",
    "reason_code": "why it was rejected, in a word",
    "reason": "why, in a sentence: what was found and what is accepted; the first reason, then any others",
    "row_as_it_came": "the row's cells under their headers, as JSON",
}


@dataclass(frozen=True)
class SourceFate:
    """A sheet, and which of its rows were rejected.

    Parameters
    ----------
    table : TextTable
    survey : str
    kind : {"records", "sites"}
    rejected : mapping of int to (str, str)
        Code and reason of each rejected row, by position.
    """

    table: TextTable
    survey: str
    kind: str
    rejected: Mapping[int, tuple[str, str]]


def tabulate_rejected(fates: Sequence[SourceFate]) -> pd.DataFrame:
    """Return the rejected rows of all sheets, as they came."""
    rows = [
        (
            one.table.shown,
            int(one.table.row[row]),
            code,
            reason,
            json.dumps(one.table.as_it_came(row), ensure_ascii=False),
        )
        for one in fates
        for row, (code, reason) in sorted(one.rejected.items())
    ]
    return pd.DataFrame(rows, columns=list(REJECTED_COLUMNS))


def take_account(fates: Sequence[SourceFate], accepted: pd.DataFrame, flagged: pd.DataFrame) -> dict[str, Any]:
    """Return how many rows came in and what became of them, by source and in all, as plain values.

    Parameters
    ----------
    fates : sequence of SourceFate
    accepted : DataFrame
        Observations.
    flagged : DataFrame

    Returns
    -------
    dict
        ``rows``, ``accepted`` and ``rejected`` count rows of records; those of tables of sites have lines of their own
        in ``sources``, and are added up in ``site_rows``.

    Raises
    ------
    MorphclineError
        When a row is neither accepted nor rejected, or both: a mistake of ours.
    """
    accepted_rows = accepted.groupby("source")["row"].nunique()
    flags_of = {source: _counted(group["flag_code"]) for source, group in flagged.groupby("source")}
    lines: list[dict[str, Any]] = []
    for one in fates:
        rows = len(one.table)
        left = rows - len(one.rejected)
        found = int(accepted_rows.get(one.table.shown, 0))
        if one.kind == "records" and left != found:
            raise MorphclineError(
                f"{one.table.shown}: {rows} rows came in, {len(one.rejected)} were rejected and {found} accepted"
            )
        lines.append(
            {
                "source": one.table.shown,
                "survey": one.survey,
                "kind": one.kind,
                **one.table.details,
                "rows": rows,
                "accepted": left,
                "rejected": len(one.rejected),
                "rejected_by_reason": dict(sorted(Counter(code for code, _ in one.rejected.values()).items())),
                "flagged_by_code": flags_of.get(one.table.shown, {}) if one.kind == "records" else {},
            }
        )
    records = [line for line in lines if line["kind"] == "records"]
    reasons: Counter[str] = Counter()
    for line in records:
        reasons.update(line["rejected_by_reason"])
    count = accepted["count"].to_numpy(dtype=np.int64)
    counted: NDArray[np.bool_] = accepted["counted"].to_numpy(dtype=bool)
    return {
        "sources": lines,
        "rows": sum(line["rows"] for line in records),
        "accepted": sum(line["accepted"] for line in records),
        "rejected": sum(line["rejected"] for line in records),
        "site_rows": sum(line["rows"] for line in lines if line["kind"] == "sites"),
        "rejected_by_reason": dict(sorted(reasons.items())),
        "flagged_by_code": _counted(flagged["flag_code"]),
        "observations": len(accepted),
        "shells_counted": int(count[counted].sum()),
        "shells_seen_not_counted": int(count[~counted].sum()),
        "not_counted_by_reason": _shells_by_reason(accepted["not_counted_because"][~counted], count[~counted]),
    }


def warn_of_bulk(fates: Sequence[SourceFate]) -> list[str]:
    """Return a sentence for each reason for which more than a tenth of a sheet's rows, and at least five, are rejected.

    A row counts for the first of its reasons; the first such row is given as an example, without what stands in it.
    """
    sentences: list[str] = []
    for one in fates:
        rows: dict[str, list[int]] = {}
        for row, (code, _) in sorted(one.rejected.items()):
            rows.setdefault(code, []).append(row)
        for code, found in rows.items():
            if len(found) < _FEWEST_IN_BULK or len(found) <= _BULK * len(one.table):
                continue
            sentences.append(
                Said(
                    "{file}: {n} of {rows} rows were rejected as {code} ({reason}), row {row} for example; "
                    "private/records/rejected.csv says why of each.",
                    file=one.table.shown,
                    n=len(found),
                    rows=len(one.table),
                    code=code,
                    reason=REASONS[code],
                    row=str(one.table.row[found[0]]),
                )
            )
    return sentences


def _shells_by_reason(reasons: pd.Series, count: NDArray[np.int64]) -> dict[str, int]:
    """Return how many shells each reason keeps from being counted, most first; without reasons that concern none."""
    shells = pd.Series(count).groupby(reasons.to_numpy(dtype=object)).sum()
    ordered = sorted(((str(reason), int(n)) for reason, n in shells.items() if n), key=lambda one: (-one[1], one[0]))
    return dict(ordered)


def _counted(codes: pd.Series) -> dict[str, int]:
    return dict(sorted(Counter(codes.to_numpy(dtype=object).tolist()).items()))
