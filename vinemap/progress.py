"""Progress for people: bars on a terminal, plain lines elsewhere, nothing when a program listens."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Report = Callable[[str, int, int], None]


def report_nothing(stage: str, done: int, total: int) -> None:
    """Take a progress message and show nothing."""
    del stage, done, total


@contextmanager
def show_progress(*, quiet: bool = False) -> Iterator[Report]:
    """Give a function that shows progress: (stage in words, steps done, steps in all).

    Parameters
    ----------
    quiet : bool
        Show nothing (for --json).

    Yields
    ------
    callable
    """
    if quiet:
        yield report_nothing
    elif sys.stderr.isatty():
        yield from _bars()
    else:
        yield _PlainLines()


class _PlainLines:
    """One line when a stage begins and one when it ends."""

    def __call__(self, stage: str, done: int, total: int) -> None:
        if done in (0, total):
            state = f"{total} done" if done else "..."
            print(f"{stage} {state}", file=sys.stderr, flush=True)


def _bars() -> Iterator[Report]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description:<32}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        tasks: dict[str, int] = {}

        def report(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = int(progress.add_task(stage, total=total))
            progress.update(tasks[stage], completed=done, total=total)  # type: ignore[arg-type]

        yield report
