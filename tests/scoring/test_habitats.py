"""Recorders' habitat notes."""

import pytest

from morphcline.scoring.habitats import CLASSES, read_habitat


@pytest.mark.parametrize("name", CLASSES)
def test_a_class_reads_as_itself_in_any_case(name):
    assert read_habitat(name) == read_habitat(f" {name.upper()} ") == name


@pytest.mark.parametrize(
    ("note", "name"),
    [
        ("beech wood", "woodland"),
        ("edge of copse", "woodland"),
        ("Hedge", "hedgerow"),
        ("nettles by the river", "long herbage"),
        ("river-bank", "long herbage"),
        ("wet meadow", "marsh"),
        ("sand dunes", "dune"),
        ("churchyard wall", "garden and urban"),
        ("old quarry", "waste ground"),
        ("lake", "water"),
        ("by the lake", ""),
        ("hedge by the wood", ""),
        ("somewhere", ""),
        ("", ""),
        ("hedgehog woodlouse", ""),
    ],
)
def test_notes(note, name):
    assert read_habitat(note) == name


def test_a_study_may_have_classes_of_its_own():
    assert read_habitat("Arable land", others=("arable land",)) == "arable land"
    assert read_habitat("Arable land") == ""
