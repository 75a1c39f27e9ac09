"""What a grid of sigmoids explains of a frequency, against a correlation."""

from __future__ import annotations

import numpy as np
import pytest

from morphcline.stats.cline_screen import Screen


def test_what_is_explained_is_the_squared_correlation_and_nothing_where_all_sites_are_alike() -> None:
    rng = np.random.default_rng(2)
    g, frequency = rng.random((3, 12)), rng.random((12, 2))
    frequency[:, 1] = 0.4
    screen = Screen(np.zeros((3, 3)), g, frequency[:, 0], np.full(12, 1 / 12))
    with np.errstate(all="raise"):
        found = screen.explained(frequency)
    assert found[:, 0] == pytest.approx([np.corrcoef(one, frequency[:, 0])[0, 1] ** 2 for one in g])
    assert found[:, 1].tolist() == [0.0] * 3
