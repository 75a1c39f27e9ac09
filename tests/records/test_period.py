"""The years of a survey, without dates that can't be right."""

from __future__ import annotations

import pandas as pd

from morphcline.records.period import in_future, survey_years


def test_a_date_in_the_future_is_left_out_wherever_it_stands() -> None:
    accepted = pd.DataFrame(
        {
            "survey": ["", "", "", "", "1984", ""],
            "date": ["2020-05-01", "2052-05-01", "2052-05-01", "", "1984", "2019"],
            "year": [2020, 2052, 2052, None, 1984, 2019],
            "counted": [True, True, True, True, True, False],
        }
    )
    # Flags stand on the first row of those they concern.
    flagged = pd.DataFrame({"flag_code": ["date-absent", "date-in-future"], "date": ["", "2052-05-01"]})
    assert in_future(accepted, flagged).tolist() == [False, True, True, False, False, False]
    years = survey_years(accepted, flagged)
    assert years.dropna().tolist() == [2020]
    assert len(years) == 2
