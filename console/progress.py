"""A progress bar on standard error for runs without a board."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager


@contextmanager
def progress_bar(
    *, shown: bool, label: str = "replay", after_s: float = 0.0, clock: Callable[[], float] = time.monotonic
) -> Iterator[Callable[[float], None] | None]:
    """Yield a function that takes the share done (0 to 1), or None when nothing is to be shown.

    The bar appears once `after_s` has passed, so that what is quickly done shows none.
    """
    if not shown:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn(label), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    progress = Progress(*columns, console=Console(stderr=True), transient=True)
    task = progress.add_task(label, total=1.0)
    began = clock()
    with ExitStack() as showing:
        entered = False

        def report(share: float) -> None:
            nonlocal entered
            if not entered and clock() - began >= after_s:
                showing.enter_context(progress)
                entered = True
            progress.update(task, completed=share)

        if after_s <= 0.0:
            report(0.0)
        yield report
