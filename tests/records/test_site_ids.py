"""Names of sites that tell neither a place nor a person."""

from __future__ import annotations

import pandas as pd
import pytest

from morphcline.records.site_ids import People, name_for_public, visits_for_public

CRS = "EPSG:27700"


def name(sites: list[str], *, keep: bool = True, blur_m: float = 1000.0, place: tuple[float, float] = (4.5e5, 2.1e5)):
    table = pd.DataFrame({"survey": "", "site": sites, "x_m": place[0], "y_m": place[1]})
    return name_for_public(table, crs=CRS, blur_m=blur_m, keep_names=keep)


def test_sites_without_a_name_are_numbered_as_they_are_met():
    public, names = name(["Mill lane", "@450000-210000", "@1-1", "@450000-210000"])
    assert public.tolist() == ["Mill lane", "unnamed 0001", "unnamed 0002", "unnamed 0001"]
    assert names.set_index("site")["recorded_as"].to_dict() == {
        "Mill lane": "Mill lane", "unnamed 0001": "", "unnamed 0002": "",
    }  # fmt: skip


def test_rows_added_at_the_end_leave_the_others_numbers_alone():
    before, _ = name(["@7-7", "@3-3"])
    after, _ = name(["@7-7", "@3-3", "@1-1"])
    assert after.tolist()[:2] == before.tolist()


@pytest.mark.parametrize(
    "told",
    [
        "ann@example.org", "Ann (ann.b@mail.example.org)", "46.48086, 0.33013", "46,4808 N 0,3301 E", "495215 6601336",
        # Ordnance Survey, "Using the National Grid": letters and figures of a square; SP 5010 holds (450000, 210000).
        "SP5000010000", "SP 500 100",
    ],
)  # fmt: skip
def test_a_name_that_tells_a_place_or_an_address_gives_way_to_a_number(told):
    public, names = name([told])
    assert public.tolist() == ["site 0001"]
    assert names["recorded_as"].tolist() == [told]


@pytest.mark.parametrize("kept", ["OV-001", "Long Down 2", "SP50", "TQ123456", "B4009 verge"])
def test_a_code_that_tells_no_place_finer_than_the_square_is_kept(kept):
    # SP50 is a square of 10 km; TQ123456 would lie a hundred kilometres from the site.
    assert name([kept])[0].tolist() == [kept]


def test_where_places_are_shown_exactly_a_grid_reference_may_be_a_name():
    assert name(["SP5000010000"], blur_m=0.0)[0].tolist() == ["SP5000010000"]


def test_all_names_can_be_kept_back_and_no_number_is_given_twice():
    public, _ = name(["site 0001", "Mill lane"], keep=False)
    assert public.tolist() == ["site 0002", "site 0003"]


PEOPLE = People(["Wilhelmina Quickthorn", "Barnaby Hill <b.hill@example.org>", "Zenobia Fennwick", "AB", ""])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("Wilhelmina Quickthorn", True), ("garden of W. Quickthorn", True), ("QUICKTHORN 2", True),
        ("Zenobia's hedge", True), ("Zenobia\u2019s hedge", True), ("by Barnaby Hill", True), ("Barnaby's", True),
        # The land has such a name by itself, and a first name alone may be a street's.
        ("Windmill Hill", False), ("Zenobia Road", False), ("AB 12", False), ("Quickthornby", False), ("", False),
        ("ring 01632 960001", True), ("+44 (0)1632 960 001", True), ("OV-015", False), ("00123", False),
    ],
)  # fmt: skip
def test_a_name_that_names_a_recorder_or_a_telephone_gives_way_to_a_number(text: str, told: bool):
    table = pd.DataFrame({"survey": "", "site": [text], "x_m": 4.5e5, "y_m": 2.1e5})
    public, names = name_for_public(table, crs=CRS, blur_m=1000.0, keep_names=True, people=PEOPLE)
    assert public.tolist() == (["site 0001"] if told else [text])
    assert names["recorded_as"].tolist() == [text]


def test_visits_that_tell_somebody_or_a_place_are_numbered():
    visits = [
        "2024-06-01",
        "2024-06-01/2024-06-03",
        "with Fennwick",
        "46.48086, 0.33013",
        "with Fennwick",
        "a@b.org",
        "",
    ]
    table = pd.DataFrame({"visit": visits})
    assert visits_for_public(table, PEOPLE).tolist() == [
        "2024-06-01", "2024-06-01/2024-06-03", "visit 0001", "visit 0002", "visit 0001", "visit 0003", "",
    ]  # fmt: skip
