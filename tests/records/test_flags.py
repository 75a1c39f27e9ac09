"""Numbering groups, against pandas; and flags that speak for several rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.flags import Flags, group_codes


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from([1.0, 2.0, np.nan]), st.integers(0, 2)), max_size=30))
def test_groups_are_numbered_as_pandas_numbers_them(rows: list[tuple[str, float, int]]) -> None:
    table = pd.DataFrame(rows, columns=["a", "b", "c"]).astype({"a": object, "b": float, "c": int})
    expected = table.groupby(["a", "b", "c"], sort=False, dropna=False).ngroup().to_numpy()
    assert group_codes(table, ["a", "b", "c"]).tolist() == expected.tolist()
    if len(table):
        chosen = np.arange(0, len(table), 2)
        part = table.iloc[chosen].groupby(["a", "c"], sort=False, dropna=False).ngroup()
        assert group_codes(table, ["a", "c"], chosen).tolist() == part.tolist()


def test_a_flag_for_several_rows_stands_on_the_first_and_counts_rows_not_observations() -> None:
    table = pd.DataFrame(
        {"source": ["f"] * 5, "row": [2, 2, 3, 4, 5], "site": ["A", "A", "A", "B", "A"], "x": range(5)}
    )
    flags = Flags(table)
    told = pd.Series(["no date"] * 5)
    flags.add_once(np.array([True, True, True, True, False]), "date-absent", told, ["source", "site"])
    found = flags.table(["source", "row", "site", "x"])
    assert found[["row", "flag"]].to_numpy().tolist() == [[2, "no date (and 1 more row alike)"], [4, "no date"]]
    with pytest.raises(KeyError, match="unheard-of"):
        flags.add(np.array([0]), "unheard-of", ["x"])
