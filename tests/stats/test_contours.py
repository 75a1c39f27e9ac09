"""Lines of one value, by hand."""

import numpy as np
import pytest

from morphcline.stats.contours import contour_lines

EASTING, NORTHING = np.array([10.0, 20.0, 30.0]), np.array([300.0, 200.0])


def test_a_line_lies_where_the_value_is_between_two_centres():
    (line,) = contour_lines(np.array([[0.2, 0.4, 0.8], [0.2, 0.4, 0.8]]), EASTING, NORTHING, level=0.5)
    assert sorted(line.tolist()) == [[pytest.approx(22.5), 200.0], [pytest.approx(22.5), 300.0]]


def test_a_slanting_line():
    # Rises by 0.1 a step to the east and falls by 0.2 to the south: 0.5 along easting = 20 + 2 (300 - northing) / 10.
    (line,) = contour_lines(np.array([[0.4, 0.5, 0.6], [0.3, 0.4, 0.5]]), EASTING, NORTHING, level=0.45)
    np.testing.assert_allclose(line[:, 0], 15 + (300 - line[:, 1]) / 10)


def test_no_line_without_such_a_value_nor_across_what_is_not_known():
    assert contour_lines(np.full((2, 3), 0.3), EASTING, NORTHING, level=0.5) == []
    assert contour_lines(np.array([[0.2, np.nan, 0.8], [0.2, np.nan, 0.8]]), EASTING, NORTHING, level=0.5) == []
    assert contour_lines(np.array([[0.2, 0.4, 0.8]]), EASTING, NORTHING[:1], level=0.5) == []
