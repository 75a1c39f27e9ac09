"""Species names; which lip goes with which species is common practice with no single source."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.errors import StudyFileError
from morphcline.scoring.species import (
    Species,
    UnknownSpecies,
    check_studied,
    expected_lip,
    read_species,
    slug,
)

N, H = "Cepaea nemoralis", "Cepaea hortensis"


@pytest.mark.parametrize(
    ("text", "name", "rank", "qualifier"),
    [
        ("Cepaea nemoralis", N, "species", ""),
        ("CEPAEA HORTENSIS", H, "species", ""),
        ("C. nemoralis", N, "species", ""),
        ("c hortensis", H, "species", ""),
        ("nemoralis", N, "species", ""),
        ("grove snail", N, "species", ""),
        ("White-lipped snail", H, "species", ""),
        ("Helix nemoralis", N, "species", ""),
        ("Cepaea nemoralis (Linnaeus, 1758)", N, "species", ""),
        ("Cepaea nemoralis L.", N, "species", ""),
        ("Cepaea hortensis (O. F. Müller, 1774)", H, "species", ""),
        ("Cepaea (Cepaea) nemoralis nemoralis", N, "species", ""),
        ("Cepaea cf. nemoralis", N, "species", "cf."),
        ("cf hortensis", H, "species", "cf."),
        ("Cepaea aff. nemoralis", N, "species", "aff."),
        ("Cepaea nemoralis?", N, "species", "?"),
        ("Cepaea hortensis (?)", H, "species", "?"),
        ("Cepaea sp.", "Cepaea", "genus", ""),
        ("cepaea", "Cepaea", "genus", ""),
        ("Arianta arbustorum", "Arianta arbustorum", "species", ""),
        ("Theba pisana", "Theba pisana", "species", ""),
        ("Helix aspersa", "Cornu aspersum", "species", ""),
        ("Cepaea vindobonensis", "Caucasotachea vindobonensis", "species", ""),
    ],
)
def test_what_recorders_write(text, name, rank, qualifier):
    assert read_species(text) == Species(name, rank, qualifier)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("Cepea nemorallis", "nearest known name is Cepaea nemoralis"),
        ("Cepaea hortenis", "nearest known name is Cepaea hortensis"),
        ("Theba nemoralis", "nearest known name is Cepaea nemoralis"),
        ("Cepaea nemoralis/hortensis", "more than one species"),
        ("Cepaea nemoralis or hortensis", "more than one species"),
        ("CEPAEA NEMORALIS JUV", "is not known"),
        ("slug", "expected a name such as"),
        (" ", "empty"),
        ("?", "empty"),
    ],
)
def test_what_is_refused_and_why(text, reason):
    with pytest.raises(UnknownSpecies, match=reason):
        read_species(text)


@given(
    st.text()
    | st.lists(st.sampled_from(["C.", "cf.", "Cepaea", "nemoralis", "(", "?", "L.", "1758", "sp."])).map(" ".join)
)
def test_any_text_reads_or_is_refused(text):
    try:
        species = read_species(text)
    except UnknownSpecies:
        return
    assert species.rank == ("species" if " " in species.name else "genus")
    assert read_species(species.name) == Species(species.name, species.rank)


def test_species_studied_go_by_their_accepted_names():
    check_studied([N, H, "Arianta arbustorum"], "study.toml")
    with pytest.raises(StudyFileError) as caught:
        check_studied([N, "Cepaea nemorallis", "C. hortensis", "Cepaea", "Vertigo geyeri", ""], "study.toml")
    assert [str(problem) for problem in caught.value.problems][:3] == [
        "study.toml, [scoring] species: 'Cepaea nemorallis' is no species known here; did you mean 'Cepaea nemoralis'?",
        "study.toml, [scoring] species: 'C. hortensis' is not the accepted name; write 'Cepaea hortensis'.",
        "study.toml, [scoring] species: 'Cepaea' is a genus; name species, such as 'Cepaea nemoralis' or "
        "'Cepaea hortensis'.",
    ]
    assert [problem.accepted.split(":")[0] for problem in caught.value.problems][3:] == ["known species"] * 2


def test_the_lip_tells_the_two_apart():
    assert (expected_lip(N), expected_lip(H), expected_lip("Arianta arbustorum")) == ("dark", "white", "")


@given(st.text(), st.sampled_from("-_"))
def test_a_slug_is_fit_for_a_file_name_and_stays_itself(text, joiner):
    made = slug(text, joiner=joiner)
    assert re.fullmatch(rf"([a-z0-9]+({joiner}[a-z0-9]+)*)?", made)
    assert slug(made, joiner=joiner) == made


def test_slugs_by_hand():
    assert slug("Cepaea nemoralis") == "cepaea-nemoralis"
    assert slug("long herbage", "_") == "long_herbage"
    assert slug("  Forêt & bois! ") == "foret-bois"
