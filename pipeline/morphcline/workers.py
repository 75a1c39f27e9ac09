"""The one place that knows about processes and a Dask scheduler; the same results whichever is used."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from morphcline.errors import Problem, StudyError, WorkerError

#: Seconds after which a scheduler that doesn't answer counts as absent.
CONNECT_S = 15

Task = TypeVar("Task")
Result = TypeVar("Result")


@dataclass(frozen=True)
class Workers:
    """Where tasks run: in this process, in local processes, or on a Dask cluster.

    Parameters
    ----------
    processes : int
        1 runs everything in this process.
    scheduler : str, optional
        Address of a running Dask scheduler, for example ``tcp://host:8786``; then ``processes`` is not used.
    """

    processes: int = 1
    scheduler: str | None = None

    def map(self, function: Callable[[Task], Result], tasks: Sequence[Task]) -> list[Result]:
        """Apply a function to every task and return the results in the tasks' order.

        Parameters
        ----------
        function : callable
            A module-level function, so that it can travel. It must draw random numbers only from a seed in its task.
        tasks : sequence

        Raises
        ------
        WorkerError
            When a worker or the scheduler goes away.
        StudyError
            When a scheduler is asked for and the extra ``cluster`` is not installed.
        """
        if self.scheduler is not None:
            return self._map_on_cluster(function, tasks)
        if self.processes == 1 or len(tasks) < 2:
            return [function(task) for task in tasks]
        return self._map_on_processes(function, tasks)

    def _map_on_processes(self, function: Callable[[Task], Result], tasks: Sequence[Task]) -> list[Result]:
        from joblib import Parallel, delayed
        from joblib.externals.loky.process_executor import TerminatedWorkerError

        try:
            parallel = Parallel(n_jobs=min(self.processes, len(tasks)), backend="loky", inner_max_num_threads=1)
            results: list[Result] = parallel(delayed(function)(task) for task in tasks)
        except TerminatedWorkerError as error:
            raise WorkerError(
                "a worker process ended before its work was done (often for lack of memory): try fewer with --workers"
            ) from error
        return results

    def _map_on_cluster(self, function: Callable[[Task], Result], tasks: Sequence[Task]) -> list[Result]:
        try:
            from distributed import Client
        except ImportError:
            raise StudyError(
                Problem(
                    "",
                    "--scheduler",
                    "the Dask client is not installed",
                    'in a clone of morphcline: pip install ".[cluster]"',
                )
            ) from None
        if not re.fullmatch(r"(\w+://)?\S+:\d+", str(self.scheduler)):
            raise StudyError(
                Problem(
                    "", "--scheduler", f"{self.scheduler!r} is no address", "one such as tcp://host:8786 is accepted"
                )
            )
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        try:
            client = Client(self.scheduler, timeout=CONNECT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise WorkerError(f"no Dask scheduler answers at {self.scheduler}: {error}") from error
        with client:
            try:
                return list(client.gather(client.map(function, tasks, pure=False)))
            except (KilledWorker, CancelledError) as error:
                raise WorkerError(f"the cluster at {self.scheduler} lost a worker or went away: {error}") from error
