"""What the report says of how surfaces were made: only where there is something to say."""

import pandas as pd

from morphcline.render.report.topics.surfaces import surfaces

SETTINGS = {"bandwidth": "cross-validated", "barriers": None, "mask": None}
ROWS = pd.DataFrame(
    {
        "species": "Cepaea nemoralis", "trait": ["yellow", "unbanded"], "bandwidth_m": [2500.0, 4000.0], "degree": 1,
        "kernel": "gaussian", "cells": 900, "cells_blank": 0, "not_smoothed_because": "",
    }
)  # fmt: skip


def account(blocks_m, *, clustered=True):
    families = [
        {"traits": ["yellow", "pink", "brown"], "one_site_m": 900.0, "blocks_m": blocks_m, "used": "blocks"},
        {"traits": ["yellow unbanded", "pink unbanded"], "one_site_m": 900.0, "blocks_m": 9000.0, "used": "blocks"},
    ]
    ways = {"families": families, "blocks": 30, "spacing_m": 300.0, "map_m": 1600.0, "clustered": clustered}
    return {"species": {"Cepaea nemoralis": ways}, "cells_masked": 12}


def text(settings, account):
    return " ".join(surfaces(ROWS, settings, [], account).paragraphs)


def test_two_ways_that_disagree_are_said_with_the_reason_and_the_one_used():
    told = text(SETTINGS, account(2500.0))
    assert "differ by more than a factor of two for yellow, pink and brown (900 m by single sites, 2.5 km by" in told
    assert "The sites are clustered: half of the map lies more than 1.6 km from a site" in told
    assert "The wider one is used." in told
    assert "unbanded (900 m" not in told  # morphs are left to the table
    assert "too few samples to tell" in text(SETTINGS, account(2500.0, clustered=False))


def test_two_ways_that_agree_are_not_spoken_of():
    assert "factor of two" not in text(SETTINGS, account(1700.0))
    assert "factor of two" not in text(SETTINGS, account(None))
    assert "factor of two" not in text({**SETTINGS, "bandwidth": 2500.0}, {})


def test_barriers_and_masks_are_named_with_what_they_do():
    told = text({**SETTINGS, "barriers": "ridge.gpkg", "mask": "water.gpkg"}, account(1700.0))
    assert "Samples don't count across the barriers in ridge.gpkg" in told
    assert "12 cells of the area whose centre lies in water.gpkg stay blank" in told
    assert "barriers" not in text(SETTINGS, account(1700.0))
