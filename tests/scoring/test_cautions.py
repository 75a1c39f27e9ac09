"""The cautions are sentences, and say the things that must not go missing."""

import pytest

from morphcline.scoring.cautions import EVIDENCE, FIELDWORK, PRIVACY


@pytest.mark.parametrize("sentence", [*FIELDWORK, *PRIVACY, *EVIDENCE])
def test_a_caution_is_a_whole_sentence(sentence):
    assert sentence[0].isupper()
    assert sentence.endswith(".")


@pytest.mark.parametrize(
    ("cautions", "word"),
    [
        (FIELDWORK, "owner"), (FIELDWORK, "Wash your hands"), (FIELDWORK, "back where you found"), (FIELDWORK, "law"),
        (PRIVACY, "garden"), (PRIVACY, "names"), (EVIDENCE, "specialist"), (EVIDENCE, "planning"),
    ],
)  # fmt: skip
def test_what_must_be_said(cautions, word):
    assert any(word in sentence for sentence in cautions)
