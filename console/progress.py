"""A progress bar on standard error for runs without a board."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(*, shown: bool) -> Iterator[Callable[[float], None] | None]:
    """Yield a function that takes the share done (0 to 1), or None when nothing is to be shown."""
    if not shown:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("replay"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("replay", total=1.0)
        yield lambda share: progress.update(task, completed=share)
