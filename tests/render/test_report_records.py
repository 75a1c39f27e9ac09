"""The report's sections on what came in and how frequent each trait is."""

from __future__ import annotations

from morphcline.render.report.topics import records


def test_what_came_in_says_why_shells_do_not_count() -> None:
    account = {
        "rows": 12, "accepted": 10, "rejected": 2, "shells_counted": 90, "shells_seen_not_counted": 7,
        "not_counted_by_reason": {"juvenile": 5, "worn or bleached": 2, "searched, none found": 0},
        "rejected_by_reason": {"empty-row": 2}, "flagged_by_code": {},
        "sources": [{"source": "a.csv", "survey": "", "kind": "records", "rows": 12, "accepted": 10, "rejected": 2}],
    }  # fmt: skip
    section = records.came_in(account, "Records by 3 recorders, whose names are kept back.")
    assert section.paragraphs == [
        "12 rows of records were read: 10 accepted and 2 rejected. The accepted rows, earlier surveys among them, hold "
        "90 adult shells that count and 7 more shells that were seen but don't (5 juveniles and 2 worn or bleached). "
        "Records by 3 recorders, whose names are kept back."
    ]
    assert [table.rows for table in section.tables[1:]] == [[("Empty row", "2")]]
