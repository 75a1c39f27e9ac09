"""The same results, in the same order, wherever tasks run."""

from __future__ import annotations

import math
import pickle

import pytest

from morphcline.errors import Problem, SourceError, StudyError, StudyFileError, WorkerError
from morphcline.study import load_study
from morphcline.workers import Workers


def test_one_process_and_two_agree() -> None:
    tasks = [0, 1, 2, 5, 3]
    assert Workers(1).map(math.factorial, tasks) == Workers(2).map(math.factorial, tasks) == [1, 1, 2, 120, 6]


def test_nothing_to_do_is_no_work() -> None:
    assert Workers(2).map(math.factorial, []) == []


def test_an_error_of_the_users_comes_back_whole_from_a_worker() -> None:
    with pytest.raises(StudyFileError, match=r"none\.toml: there is no such file"):
        Workers(2).map(load_study, ["none.toml", "none.toml"])


def test_errors_survive_pickling() -> None:
    error = SourceError([Problem("a", "b", "c", "d"), Problem("e", "", "f", "")])
    again = pickle.loads(pickle.dumps(error))
    assert again.problems == error.problems
    assert str(again) == "a, b: c; d.\ne: f."


def test_a_scheduler_that_is_not_there_is_one_sentence() -> None:
    with pytest.raises((WorkerError, StudyError), match=r"scheduler|Dask"):
        Workers(scheduler="tcp://127.0.0.1:9").map(math.factorial, [1, 2])
