"""What came in, and how frequent each trait is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morphcline.render import labels
from morphcline.render.report import sentences
from morphcline.render.report.parts import (
    Points,
    Section,
    ShownFigure,
    ShownTable,
    figures_named,
    main_rows,
    number_cell,
    p_cell,
    rows_of,
)
from morphcline.render.report.sentences import known


def came_in(account: Mapping[str, Any], recorders: str) -> Section:
    """Say what came in, from whom, and what became of it."""
    by_file = ShownTable(
        "Rows by file.",
        ("File", "Survey"),
        ("Rows", "Accepted", "Rejected"),
        [
            (
                str(source["source"]),
                str(source["survey"] or "this survey") + (" (table of sites)" if source["kind"] == "sites" else ""),
                *(labels.number(source[key]) for key in ("rows", "accepted", "rejected")),
            )
            for source in account["sources"]
        ],
    )
    counts = [
        ShownTable(caption, (head,), ("Rows",), [(_in_words(code), labels.number(n)) for code, n in sorted(by.items())])
        for caption, head, by in (
            ("Rows rejected, by reason.", "Reason", account["rejected_by_reason"]),
            ("Rows flagged, by what a person should look at.", "Flag", account["flagged_by_code"]),
        )
        if by
    ]
    return Section(
        "records",
        "What came in",
        paragraphs=[
            f"{labels.counted(account['rows'], 'row')} of records were read: {labels.number(account['accepted'])} "
            f"accepted and {labels.number(account['rejected'])} rejected. The accepted rows, earlier surveys among "
            f"them, hold {labels.counted(account['shells_counted'], 'adult shell')} that count and "
            f"{labels.counted(account['shells_seen_not_counted'], 'more shell')} that were seen but don't"
            f"{_not_counted(account['not_counted_by_reason'])}." + (f" {recorders}" if recorders else "")
        ],
        tables=[by_file, *counts],
        notes=[
            "Each rejected row stands with its reason in records/rejected.csv, each flagged one in "
            "records/flagged.csv; a flagged row is used, and wants a person's look."
        ],
    )


def _not_counted(reasons: Mapping[str, int]) -> str:
    parts = [f"{labels.number(shells)} {reason}" for reason, shells in reasons.items() if shells]
    return f" ({labels.listing(parts)})" if parts else ""


def _in_words(code: str) -> str:
    return labels.sentence(code.replace("-", " ").replace("crs", "CRS"))


def found(
    regional: pd.DataFrame, species: str, figures: Sequence[ShownFigure], slug: str, notes: Sequence[str], level: str
) -> Section:
    """Say how frequent each trait is in one species.

    Parameters
    ----------
    regional : DataFrame
    species : str
    figures : sequence of ShownFigure
    slug : str
        The species in figures' names.
    notes : sequence of str
        What the stage says of this species.
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = rows_of(regional, species=species)
    table = ShownTable(
        f"{species}: frequencies over the region. A larger sample counts for more, by as much as the correlation "
        "within sites allows; p is of that correlation being nil.",
        ("Trait",),
        ("Shells", "of", "Sites", "Frequency", f"{level} interval", "Correlation within sites", "p"),
        [
            (
                labels.trait_title(row["trait"]),
                *(labels.number(row[key]) for key in ("count", "total", "sites")),
                labels.percent(row["frequency"]),
                labels.percent_range(row["low"], row["high"]) if known(row["low"]) else "–",
                number_cell(row["rho"], 3),
                p_cell(row["p_overdispersion"]),
            )
            for row in rows
        ],
    )
    main = main_rows(rows)
    return Section(
        f"found-{slug}",
        f"{species}: what was found",
        paragraphs=[sentences.scatter(main)],
        points=[Points("", [sentences.frequency(row) for row in main])],
        figures=figures_named(figures, f"sites_{slug}", f"morphs_{slug}", f"habitat_{slug}"),
        tables=[table],
        notes=notes,
    )
