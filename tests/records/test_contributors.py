"""Who sent what."""

from __future__ import annotations

import json

import pandas as pd

from morphcline.records.contributors import contributors


def rows(*recorders: str, survey: str = "") -> pd.DataFrame:
    return pd.DataFrame({"survey": survey, "recorder": recorders, "row": range(2, 2 + len(recorders))})


def rejected(*cells: dict[str, str]) -> pd.DataFrame:
    return pd.DataFrame({"row": range(len(cells)), "row_as_it_came": [json.dumps(cell) for cell in cells]})


def test_capitals_spaces_and_an_address_make_no_other_person():
    accepted = rows("Ann Rook", "ann  rook", "Ann Rook <ann@example.org>", "Bo Finch", "")
    found = contributors(accepted, accepted.iloc[:0], rejected(), ["recorder"])
    assert [(one.name, one.e_mail, len(one.accepted)) for one in found] == [
        ("Ann Rook", "ann@example.org", 3), ("Bo Finch", "", 1),
    ]  # fmt: skip


def test_a_rejected_row_is_its_recorders_by_the_cell_under_the_files_own_head():
    out = rejected({"Observer": "Cy Wren", "Lon": "x"}, {"Observer": "ANN ROOK"}, {"Observer": ""}, {"Other": "Bo"})
    accepted = rows("Ann Rook")
    found = contributors(accepted, accepted.iloc[:0], out, ["Observer"])
    assert [(one.name, len(one.accepted), len(one.rejected)) for one in found] == [
        ("Ann Rook", 1, 1),
        ("Cy Wren", 0, 1),
    ]


def test_earlier_surveys_recorders_are_not_written_to():
    accepted = pd.concat([rows("Ann Rook"), rows("Old Hand", survey="1984")], ignore_index=True)
    found = contributors(accepted, accepted, rejected(), ["recorder"])
    assert [one.name for one in found] == ["Ann Rook"]
    assert len(found[0].flagged) == 1
