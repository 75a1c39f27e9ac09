"""How a run is shown while it goes on: bars on a terminal, plain lines elsewhere, always on stderr."""

from __future__ import annotations

import sys
from typing import Any

from morphcline.runner import Listener


def listener(*, quiet: bool) -> Listener:
    """Return what suits the place stderr goes to."""
    if quiet:
        return Listener()
    return BarListener() if sys.stderr.isatty() else LineListener()


class LineListener(Listener):
    """A line when a stage starts and one when it ends."""

    def started(self, stage: str, summary: str, reason: str) -> None:
        """Print the stage, what it does and why it runs."""
        print(f"{stage}: {summary} ({reason})", file=sys.stderr, flush=True)

    def finished(self, stage: str, seconds: float, account: dict[str, Any]) -> None:
        """Print how long the stage took."""
        print(f"{stage}: done in {seconds:.1f} s", file=sys.stderr, flush=True)

    def skipped(self, stage: str) -> None:
        """Print that the stage was up to date."""
        print(f"{stage}: up to date", file=sys.stderr, flush=True)


class BarListener(Listener):
    """A bar for the running stage, a line for each that is done."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

        self._console = Console(stderr=True, highlight=False)
        self._bars = Progress(
            SpinnerColumn(),
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=30),
            TimeElapsedColumn(),
            console=self._console,
            transient=True,
        )
        self._task: Any = None

    def started(self, stage: str, summary: str, reason: str) -> None:
        """Show a bar for the stage."""
        self._task = self._bars.add_task(f"{stage}: {summary}", total=None)
        self._bars.start()

    def progress(self, done: int, total: int, what: str) -> None:
        """Move the bar."""
        self._bars.update(self._task, completed=done, total=total)

    def finished(self, stage: str, seconds: float, account: dict[str, Any]) -> None:
        """Replace the bar by a line."""
        self.stopped()
        self._console.print(f"{stage:16} done in {seconds:.1f} s", markup=False)

    def skipped(self, stage: str) -> None:
        """Show that the stage was up to date."""
        self._console.print(f"{stage:16} up to date", markup=False)

    def stopped(self) -> None:
        """Take the bar away."""
        self._bars.stop()
        if self._task is not None:
            self._bars.remove_task(self._task)
            self._task = None
