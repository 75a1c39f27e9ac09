"""From tables to arrays: who counts, by what weight, and which traits belong together."""

import numpy as np
import pandas as pd
import pytest

from morphcline.records.smoothing import families, is_exhaustive, samples_of
from morphcline.scoring.traits import MORPHS

SPECIES = "Cepaea nemoralis"
COLOURS = ("yellow", "pink", "brown")


def tables(rows, rho=()):
    frequencies = pd.DataFrame(rows, columns=["site", "species", "trait", "count", "total"])
    sites = pd.DataFrame({"site": ["b", "a", "c"], "x_m": [10.0, 20.0, 30.0], "y_m": [1.0, 2.0, 3.0]})
    regional = pd.DataFrame(rho, columns=["species", "trait", "frequency", "rho"])
    return frequencies, regional, sites


def colours(counts, site="a"):
    return [(site, SPECIES, trait, count, sum(counts)) for trait, count in zip(COLOURS, counts, strict=True)]


def test_sites_are_in_order_and_each_has_its_own_place():
    rows = [("b", SPECIES, "fused", 1, 4), ("a", SPECIES, "fused", 2, 5), ("a", "Cepaea hortensis", "fused", 3, 6)]
    samples = samples_of(SPECIES, ["fused"], *tables(rows))
    assert samples.names == ("a", "b")
    np.testing.assert_array_equal(samples.places, [[20.0, 2.0], [10.0, 1.0]])
    np.testing.assert_array_equal(samples.count[:, 0], [2, 1])
    np.testing.assert_array_equal(samples.total[:, 0], [5, 4])


def test_a_trait_that_a_sample_cannot_show_has_no_total_there():
    rows = [("b", SPECIES, "fused", 0, 0), ("b", SPECIES, "unbanded", 1, 4), ("a", SPECIES, "fused", 2, 5)]
    samples = samples_of(SPECIES, ["unbanded", "fused"], *tables(rows))
    np.testing.assert_array_equal(samples.total, [[0, 5], [4, 0]])
    assert samples.sites_with("fused") == 1
    assert samples.of_traits(["fused"]).names == ("a",)


def test_a_site_without_a_place_is_a_mistake_of_ours():
    with pytest.raises(KeyError, match="nowhere"):
        samples_of(SPECIES, ["fused"], *tables([("nowhere", SPECIES, "fused", 1, 2)]))


def test_colours_share_the_correlation_of_their_summed_variance():
    rho = [(SPECIES, "yellow", 0.5, 0.10), (SPECIES, "pink", 0.4, 0.20), (SPECIES, "brown", 0.1, 0.05)]
    samples = samples_of(SPECIES, list(COLOURS), *tables(colours((5, 4, 1)), rho))
    # 0.25 x 0.10 + 0.24 x 0.20 + 0.09 x 0.05 = 0.0775, over 0.25 + 0.24 + 0.09 = 0.58
    np.testing.assert_allclose(samples.rho, 0.0775 / 0.58)


def test_two_of_three_colours_keep_their_own_correlation_and_form_no_group():
    rho = [(SPECIES, "yellow", 0.5, 0.10), (SPECIES, "pink", 0.4, 0.20)]
    samples = samples_of(SPECIES, ["yellow", "pink"], *tables(colours((5, 4, 1)), rho))
    np.testing.assert_allclose(samples.rho, [0.1, 0.2])
    assert families(samples) == (("yellow",), ("pink",))


def test_a_missing_correlation_counts_as_none():
    rho = [(SPECIES, "fused", 0.0, np.nan)]
    assert samples_of(SPECIES, ["fused"], *tables([("a", SPECIES, "fused", 0, 5)], rho)).rho[0] == 0


def test_colours_and_morphs_are_families_and_other_traits_stand_alone():
    rows = [*colours((5, 4, 1)), *(("a", SPECIES, morph, 1, 10) for morph in MORPHS), ("a", SPECIES, "fused", 1, 4)]
    traits = ["fused", *COLOURS, *MORPHS]
    assert families(samples_of(SPECIES, traits, *tables(rows))) == (("fused",), COLOURS, tuple(MORPHS))


def test_colours_add_up_to_every_shell_and_morphs_only_when_no_other_banding_was_found():
    morphs = [("a", SPECIES, morph, 1, 10) for morph in MORPHS]  # nine of ten shells: one has another single band
    assert is_exhaustive(samples_of(SPECIES, COLOURS, *tables(colours((5, 4, 1)))))
    assert not is_exhaustive(samples_of(SPECIES, MORPHS, *tables(morphs)))
    nine = [("a", SPECIES, morph, 1, 9) for morph in MORPHS]
    assert is_exhaustive(samples_of(SPECIES, MORPHS, *tables(nine)))


def test_a_family_keeps_only_the_sites_that_can_show_it():
    rows = [*colours((5, 4, 1)), ("b", SPECIES, "fused", 1, 4)]
    samples = samples_of(SPECIES, [*COLOURS, "fused"], *tables(rows))
    assert samples.of_traits(["fused"]).names == ("b",)
    assert samples.of_traits(COLOURS).names == ("a",)
