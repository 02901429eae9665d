"""Where a survey's logs are computed: in this process, on a cluster of this machine's processes, or on a given one.

In: a function and its arguments. Out: results as they come, each with its number, and None at least five times a
second while nothing comes, so that whoever takes them can end in order. At most two arguments a worker are under way.
Raises SurveyError when there is nowhere to compute. Dask is imported only where it is used.
"""

from __future__ import annotations

import logging
import os
import queue
import re
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from itertools import islice
from typing import Any, Final, Protocol, TypeVar

from console.replay import program_version
from ingest.errors import DamperwatchError
from ingest.text import clean

_Given = TypeVar("_Given")
_Got = TypeVar("_Got")

_LOOK_EVERY_S: Final = 0.2
# A scheduler on the same network answers within milliseconds.
_PATIENCE_S: Final = 4.0
# One under way and one waiting: no worker is idle while its result travels, and little is lost with a worker.
_EACH_WORKER: Final = 2
# Of the processes that are started, where not set otherwise outside. Each computes one log at a time: libraries' own
# threads would only wait for each other. Dask has freed memory given back to the system at once, and every block of
# the chain then takes fresh pages again: half of a log's processor time. So freed memory is kept; only an array beyond
# 32 MiB comes and goes by itself.
_ENVIRONMENT: Final = {
    "OMP_NUM_THREADS": 1,
    "MKL_NUM_THREADS": 1,
    "OPENBLAS_NUM_THREADS": 1,
    "MALLOC_TRIM_THRESHOLD_": 256 << 20,
    "MALLOC_MMAP_THRESHOLD_": 32 << 20,
}
_ADDRESS: Final = re.compile(r"(?:[a-z]{2,8}://)?(?:[\w.-]+|\[[0-9A-Fa-f:.]+\]):\d{1,5}")
_LOST: Final = "the connection to the scheduler was lost; run the survey again: it goes on from there"
_MISSING: Final = (
    'Dask is not installed; "pip install damperwatch[survey]" adds it, and --workers 0 does without, one log at a time'
)


class SurveyError(DamperwatchError):
    """A survey has nowhere to compute."""


class WorkerLostError(Exception):
    """A worker died over one argument, and so did the one that took it up again."""


class Pool(Protocol):
    """Computes a function for many arguments."""

    def run(
        self, function: Callable[[_Given], _Got], given: Sequence[_Given]
    ) -> Iterator[tuple[int, _Got | WorkerLostError] | None]:
        """Results in any order, with the argument's number; None while nothing comes."""


class Here:
    """In the process that asks, one after the other."""

    words = "in this process"

    def run(
        self, function: Callable[[_Given], _Got], given: Sequence[_Given]
    ) -> Iterator[tuple[int, _Got | WorkerLostError] | None]:
        """Results in order."""
        for number, one in enumerate(given):
            yield None
            yield number, function(one)


class Cluster:
    """Workers of a Dask scheduler.

    Parameters
    ----------
    client : distributed.Client
        Connected.
    workers : int
        How many there are.
    words : str
        What it is, for people.
    """

    def __init__(self, client: Any, workers: int, words: str) -> None:
        self._client = client
        self._at_once = _EACH_WORKER * workers
        self.words = words

    def run(
        self, function: Callable[[_Given], _Got], given: Sequence[_Given]
    ) -> Iterator[tuple[int, _Got | WorkerLostError] | None]:
        """Results as they come."""
        came: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()
        waiting = iter(enumerate(given))
        under_way: dict[int, Any] = {}

        def submit(count: int) -> None:
            for number, one in islice(waiting, count):
                # Not pure: a log of the same name is not the same log.
                future = under_way[number] = self._client.submit(function, one, pure=False)
                future.add_done_callback(lambda done, number=number: came.put((number, done)))

        try:
            submit(self._at_once)
            while under_way:
                try:
                    number, future = came.get(timeout=_LOOK_EVERY_S)
                except queue.Empty:
                    if self._client.status != "running":
                        raise SurveyError(_LOST) from None
                    yield None
                    continue
                result = self._result(future)
                del under_way[number]
                future.release()
                submit(1)
                yield number, result
        finally:
            with suppress(Exception):
                self._client.cancel(list(under_way.values()), force=True)

    def each_worker(self, function: Callable[[], _Got]) -> dict[str, _Got]:
        """What a function gives on each worker, by the worker's address."""
        return dict(self._client.run(function))

    @staticmethod
    def _result(future: Any) -> Any:
        from distributed.scheduler import KilledWorker

        error = future.exception() if future.status == "error" else None
        if isinstance(error, KilledWorker):
            return WorkerLostError()
        if future.status == "cancelled":
            raise SurveyError(_LOST)
        if error is not None:
            words = clean(f"{type(error).__name__}: {error}", 200)
            raise SurveyError(f"the cluster can't compute this: {words}")
        return future.result()


def default_workers(jobs: int) -> int:
    """One process for each core that this one may use, but no more than there is work for."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(cores, jobs))


@contextmanager
def open_pool(workers: int, scheduler: str | None) -> Iterator[Here | Cluster]:
    """Yield where to compute; what was started is ended on every way out.

    Parameters
    ----------
    workers : int
        Processes to start on this machine; 0 computes in this process.
    scheduler : str or None
        Address of a scheduler that runs; then no process is started.

    Raises
    ------
    SurveyError
        Dask is not there, or the scheduler does not answer, or has no workers, or workers of another version.
    """
    if scheduler is None and workers == 0:
        yield Here()
        return
    try:
        import dask
        import distributed as installed
    except ImportError:
        raise SurveyError(_MISSING) from None
    distributed: Any = installed  # its constructors have no type hints
    with ExitStack() as kept:
        # Its own log lines are no news for people: what is lost is reported log by log.
        for name in ("distributed", "distributed.client"):
            kept.enter_context(_quiet(name))
        settings = {
            "distributed.nanny.pre-spawn-environ": _ENVIRONMENT,
            # A log that has killed two workers is given up; only the one under way is suspected.
            "distributed.scheduler.allowed-failures": 1,
            "distributed.scheduler.worker-saturation": 1.0,
            # A process that has ended is noticed at once. One that is silent is waited for: after a laptop's lid was
            # closed all have been silent for longer than any limit, and would be taken for dead one after the other.
            "distributed.scheduler.worker-ttl": None,
            # Nobody looks: no page is served.
            "distributed.scheduler.http.routes": [],
            "distributed.worker.http.routes": [],
            "distributed.admin.system-monitor.gil.enabled": False,
            # Nor at these, and together they took 5 % of a core in the asking process and as much in each worker.
            "distributed.worker.profile.enabled": False,
            "distributed.admin.tick.interval": "1s",
            "distributed.admin.system-monitor.interval": "5s",
            "distributed.worker.memory.monitor-interval": "1s",
        }
        kept.enter_context(dask.config.set(settings))
        if scheduler is not None:
            yield _joined(kept, distributed, scheduler)
            return
        scratch = kept.enter_context(tempfile.TemporaryDirectory(prefix="damperwatch-survey-"))
        with _deaf():
            cluster = kept.enter_context(
                distributed.LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    processes=True,
                    host="127.0.0.1",
                    dashboard_address=None,
                    # Else the scheduler takes the port of its usual page, though it serves none.
                    scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
                    silence_logs=logging.CRITICAL,
                    local_directory=scratch,
                    preload=["console.survey_worker"],
                )
            )
        client = kept.enter_context(distributed.Client(cluster))
        yield Cluster(client, workers, f"by {workers} {'process' if workers == 1 else 'processes'}")


def _joined(kept: ExitStack, distributed: Any, scheduler: str) -> Cluster:
    shown = clean(scheduler, 100)
    if not _ADDRESS.fullmatch(scheduler):
        raise SurveyError(f"scheduler {shown}: is no address; it looks like tcp://HOST:8786")
    try:
        client = kept.enter_context(distributed.Client(scheduler, timeout=_PATIENCE_S, set_as_default=False))
        client.wait_for_workers(1, timeout=_PATIENCE_S)
        versions = client.run(program_version)
    except ImportError:
        raise SurveyError(f"scheduler {shown}: damperwatch is not installed on its workers") from None
    except Exception as error:  # libraries below raise what they like
        words = clean(str(error).splitlines()[0] if str(error) else type(error).__name__, 150)
        raise SurveyError(f"scheduler {shown}: can't be used: {words}") from None
    other = sorted({str(version) for version in versions.values()} - {program_version()})
    if other:
        raise SurveyError(f"scheduler {shown}: its workers have damperwatch {clean(other[0], 40)}, not this version")
    return Cluster(client, len(versions), f"by {len(versions)} workers of {shown}")


@contextmanager
def _deaf() -> Iterator[None]:
    """Without Ctrl-C, for the second in which processes start: they take over what is set here."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _quiet(name: str) -> Iterator[None]:
    logger = logging.getLogger(name)
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(before)
