"""The same results, in the same order, wherever tasks run."""

from __future__ import annotations

import math
import os
import pickle
from collections.abc import Iterator

import pytest

from morphcline import workers
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


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """Start a Dask scheduler with two workers on this machine's loopback."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, host="127.0.0.1", protocol="tcp"
    ) as cluster:
        yield cluster.scheduler_address


def test_a_cluster_gives_the_same_results_in_the_same_order(scheduler: str) -> None:
    tasks = [0, 1, 2, 5, 3]
    assert Workers(scheduler=scheduler).map(math.factorial, tasks) == [1, 1, 2, 120, 6]


def test_an_error_of_the_users_comes_back_from_a_cluster(scheduler: str) -> None:
    with pytest.raises(StudyFileError, match=r"none\.toml: there is no such file"):
        Workers(scheduler=scheduler).map(load_study, ["none.toml"])


def test_an_error_of_a_task_is_not_taken_for_a_lost_scheduler(scheduler: str) -> None:
    with pytest.raises(FileNotFoundError, match="absent"):
        Workers(scheduler=scheduler).map(os.stat, ["absent"])


def test_a_scheduler_that_is_not_there_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "CONNECT_S", 1)
    with pytest.raises(WorkerError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        Workers(scheduler="tcp://127.0.0.1:9").map(math.factorial, [1, 2])


def test_what_is_no_address_is_said_at_once() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(StudyError, match="--scheduler: 'nonsense' is no address; one such as"):
        Workers(scheduler="nonsense").map(math.factorial, [1, 2])
