"""The years of a survey, without dates that can't be right."""

from __future__ import annotations

import pandas as pd

from morphcline.records.period import first_day, in_future, last_day, survey_days, survey_years


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


def test_the_days_of_a_survey_are_the_first_and_the_last_that_its_dates_can_mean() -> None:
    accepted = pd.DataFrame(
        {
            "survey": ["", "", "", "", "1984", ""],
            "date": ["2020-05-03", "2021-02", "2052", "", "1984", "2019/2023"],
            "counted": [True, True, True, True, True, False],
        }
    )
    flagged = pd.DataFrame({"flag_code": ["date-in-future"], "date": ["2052"]})
    # The date to come, the earlier survey and the shell that doesn't count are left out; 2021 is no leap year.
    assert survey_days(accepted, flagged) == ("2020-05-03", "2021-02-28")
    assert survey_days(accepted.iloc[3:4], flagged) is None
    assert (first_day("2019/2023"), last_day("2019/2023")) == ("2019-01-01", "2023-12-31")
    assert (first_day("2024-02"), last_day("2024-02")) == ("2024-02-01", "2024-02-29")
