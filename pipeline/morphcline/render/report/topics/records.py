"""What came in, and how frequent each trait is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morphcline.language import _, many, within
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
from morphcline.render.report.row_fates import code_in_words, not_counted
from morphcline.render.report.sentences import known


def came_in(account: Mapping[str, Any], recorders: str) -> Section:
    """Say what came in, from whom, and what became of it.

    Parameters
    ----------
    account : mapping
        What the stage ``intake`` says of itself.
    recorders : str
        Who sent records in, in a sentence in the language in force; may be empty.
    """
    by_file = ShownTable(
        _("Rows by file."),
        (_("File"), _("Survey")),
        (_("Rows"), _("Accepted"), _("Rejected")),
        [
            (
                str(source["source"]),
                _survey(source),
                *(labels.number(source[key]) for key in ("rows", "accepted", "rejected")),
            )
            for source in account["sources"]
        ],
    )
    counts = [
        ShownTable(
            caption, (head,), (_("Rows"),), [(code_in_words(code), labels.number(n)) for code, n in sorted(by.items())]
        )
        for caption, head, by in (
            (_("Rows rejected, by reason."), _("Reason"), account["rejected_by_reason"]),
            (_("Rows flagged, by what someone should look at."), _("Flag"), account["flagged_by_code"]),
        )
        if by
    ]
    return Section(
        "records",
        _("What came in"),
        paragraphs=[" ".join(filter(None, [_rows_read(account), _shells(account), recorders]))],
        tables=[by_file, *counts],
        notes=[
            _(
                "Each rejected row stands with its reason in records/rejected.csv, each flagged one in "
                "records/flagged.csv; a flagged row is used, but someone should look at it."
            )
        ],
    )


def _survey(source: Mapping[str, Any]) -> str:
    survey = str(source["survey"]) if source["survey"] else _("this survey")
    return _("{survey} (table of sites)").format(survey=survey) if source["kind"] == "sites" else survey


def _rows_read(account: Mapping[str, Any]) -> str:
    return many(
        "{n} row of records was read: {accepted} accepted and {rejected} rejected.",
        "{n} rows of records were read: {accepted} accepted and {rejected} rejected.",
        account["rows"],
    ).format(
        n=labels.number(account["rows"]),
        accepted=labels.number(account["accepted"]),
        rejected=labels.number(account["rejected"]),
    )


def _shells(account: Mapping[str, Any]) -> str:
    counted, more = account["shells_counted"], account["shells_seen_not_counted"]
    seen = many("{n} more shell that was seen but doesn't", "{n} more shells that were seen but don't", more).format(
        n=labels.number(more)
    )
    reasons = [not_counted(reason, shells) for reason, shells in account["not_counted_by_reason"].items() if shells]
    if reasons:
        seen = _("{shells} ({reasons})").format(shells=seen, reasons=labels.listing(reasons))
    return _("The accepted rows, earlier surveys among them, hold {counted} and {seen}.").format(
        counted=many("{n} adult shell that counts", "{n} adult shells that count", counted).format(
            n=labels.number(counted)
        ),
        seen=seen,
    )


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
        What the stage says of this species, in the language in force.
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = rows_of(regional, species=species)
    table = ShownTable(
        _(
            "{species}: frequencies over the region. A larger sample counts for more, by as much as the correlation "
            "within sites allows; p is of that correlation being nil."
        ).format(species=species),
        (_("Trait"),),
        (
            _("Shells"),
            within("shells with the trait, of all", "of"),
            _("Sites"),
            _("Frequency"),
            _("{level} interval").format(level=level),
            _("Correlation within sites"),
            "p",
        ),
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
        _("{species}: what was found").format(species=species),
        paragraphs=[sentences.scatter(main)],
        points=[Points("", [sentences.frequency(row) for row in main])],
        figures=figures_named(figures, f"sites_{slug}"),
        tables=[table],
        notes=list(notes),
    )
