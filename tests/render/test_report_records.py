"""The report's sections on what came in and how frequent each trait is."""

from __future__ import annotations

import pandas as pd

from made_french import FRENCH, check_french, texts_of, typeset
from made_rows import regional
from morphcline.language import speaking
from morphcline.records.flags import FLAGS
from morphcline.records.verdicts import REASONS
from morphcline.render.report import row_fates
from morphcline.render.report.topics import records

ACCOUNT = {
    "rows": 5289, "accepted": 5262, "rejected": 27, "shells_counted": 20_452, "shells_seen_not_counted": 921,
    "not_counted_by_reason": {
        "juvenile": 843, "worn or bleached": 1, "no complete lip": 70, "juvenile: no lip": 2, "not named to species": 3,
        "Cepaea hortensis is not analysed in this study": 2,
    },
    "rejected_by_reason": dict.fromkeys(REASONS, 1), "flagged_by_code": dict.fromkeys(FLAGS, 2),
    "sources": [
        {"source": "a.csv", "survey": "", "kind": "records", "rows": 5000, "accepted": 4980, "rejected": 20},
        {"source": "b.csv", "survey": "1984", "kind": "sites", "rows": 289, "accepted": 282, "rejected": 7},
    ],
}  # fmt: skip


def test_what_came_in_says_why_shells_do_not_count() -> None:
    account = {
        "rows": 12, "accepted": 10, "rejected": 2, "shells_counted": 90, "shells_seen_not_counted": 7,
        "not_counted_by_reason": {"juvenile": 5, "worn or bleached": 2, "searched, none found": 0},
        "rejected_by_reason": {"empty-row": 2}, "flagged_by_code": {},
        "sources": [{"source": "a.csv", "survey": "", "kind": "records", "rows": 12, "accepted": 10, "rejected": 2}],
    }  # fmt: skip
    section = records.came_in(account, "Records by 3 recorders, whose names are withheld.")
    assert section.paragraphs == [
        "12 rows of records were read: 10 accepted and 2 rejected. The accepted rows, earlier surveys among them, hold "
        "90 adult shells that count and 7 more shells that were seen but don't (5 juveniles and 2 worn or bleached). "
        "Records by 3 recorders, whose names are withheld."
    ]
    assert [table.rows for table in section.tables[1:]] == [[("Empty row", "2")]]


def test_what_came_in_is_said_in_french() -> None:
    french = check_french(lambda: texts_of(records.came_in(ACCOUNT, "")))
    assert french[1] == typeset(
        "5 289 lignes de données ont été lues : 5 262 acceptées et 27 rejetées. Les lignes acceptées, "
        "campagnes antérieures comprises, contiennent 20 452 coquilles adultes prises en compte et 921 autres "
        "coquilles vues mais non comptées (843 juvéniles, 1 usée ou décolorée, 70 sans lèvre complète, 2 sans lèvre, "
        "tenues pour juvéniles, 3 non déterminées à l’espèce et 2 de Cepaea hortensis, que cette étude n’analyse pas)."
    )


def test_every_reason_and_flag_has_words_and_no_other() -> None:
    assert row_fates.CODES.keys() == REASONS.keys() | FLAGS.keys()
    assert row_fates.code_in_words("of-later-times") == "Of later times"


def test_a_reason_without_words_is_told_as_it_is() -> None:
    assert row_fates.not_counted("eaten by a thrush", 3) == "3 for this: eaten by a thrush"
    with speaking(FRENCH):
        assert row_fates.not_counted("eaten by a thrush", 3) == typeset("3 pour cette raison : eaten by a thrush")


def test_what_was_found_is_said_in_french() -> None:
    frame = pd.DataFrame(
        [regional(), regional(trait="yellow", low=float("nan")), regional(trait="fused", p_overdispersion=0.4)]
    )
    french = check_french(lambda: texts_of(records.found(frame, "Cepaea nemoralis", [], "x", (), "95%")))
    unsure = "Jaune, parmi les coquilles dont la couleur a été notée : 30 % (sans intervalle ; 1 000 coquilles de 120 "
    assert typeset(unsure + "sites).") in french
