"""Loaded first by every process that a survey starts: Ctrl-C in a terminal reaches them all, and is the survey's alone.

The survey ends its processes in order; one that ended by itself would leave a traceback and look like a fault.
"""

from __future__ import annotations

import signal


def dask_setup(worker: object) -> None:  # noqa: ARG001
    """Ignore Ctrl-C; called by the worker in its main thread."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
