"""A real cluster of two processes: the same tables as in one process, a killed worker, and no port beyond loopback."""

from __future__ import annotations

import http.client
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from console import survey_pool
from console.survey import Voice, survey
from console.survey_list import jobs_of
from console.survey_pool import Cluster, Here, Pool, SurveyError, WorkerLostError, open_pool
from console.survey_worker import dask_setup
from ingest.sheet import load_sheet
from tests.console.logs import log_file, sheet_file

pytest.importorskip("distributed")


def deadly(number: int) -> int:
    """Kill the worker that computes 1."""
    if number == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return 10 * number


def deadly_once(place: str) -> str:
    """Kill the first worker that comes to a place."""
    try:
        Path(place).touch(exist_ok=False)
    except FileExistsError:
        return "second"
    os.kill(os.getpid(), signal.SIGKILL)
    return "never"


def sigint_is_ignored(_: int) -> bool:
    return signal.getsignal(signal.SIGINT) is signal.SIG_IGN


def environment(name: str) -> str | None:
    return os.environ.get(name)


def bad(_: int) -> int:
    raise ZeroDivisionError


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    with open_pool(2, None) as pool:
        assert isinstance(pool, Cluster)
        yield pool


def results(pool: Pool, function: Any, given: list[Any]) -> dict[int, Any]:
    return dict(come for come in pool.run(function, given) if come is not None)


def test_two_processes_give_the_tables_of_one(cluster: Cluster, tmp_path: Path) -> None:
    sheet = load_sheet(sheet_file(tmp_path))
    logs = [log_file(tmp_path, samples, f"{samples}.csv") for samples in (6000, 3000, 4000)]
    jobs = jobs_of([*logs, tmp_path / "none.csv"], None, sheet, "1")
    quiet = Voice(lambda _: None, lambda _: None)
    assert survey(jobs, tmp_path / "one", Here(), quiet) == 1
    assert survey(jobs, tmp_path / "two", cluster, quiet) == 1
    files = [path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file()]
    assert len(files) >= 7
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes(), file


def test_what_kills_its_worker_twice_is_given_up_and_nothing_else(cluster: Cluster) -> None:
    found = results(cluster, deadly, [0, 1, 2, 3])
    assert isinstance(found.pop(1), WorkerLostError)
    assert found == {0: 0, 2: 20, 3: 30}


def test_what_was_under_way_on_a_killed_worker_is_computed_again(cluster: Cluster, tmp_path: Path) -> None:
    assert results(cluster, deadly_once, [str(tmp_path / "mark")]) == {0: "second"}


def test_workers_leave_ctrl_c_to_the_survey_also_when_new(cluster: Cluster) -> None:
    assert set(results(cluster, sigint_is_ignored, list(range(6))).values()) == {True}


def test_workers_keep_freed_memory_and_start_no_threads_for_sums(cluster: Cluster) -> None:
    names = ["MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"]
    found = results(cluster, environment, names)
    # Dask's own 64 KiB would have every block of the chain take fresh pages.
    assert int(found[0]) >= 64 << 20
    assert int(found[1]) == 32 << 20
    assert (found[2], found[3]) == ("1", "1")


def test_nobody_is_taken_for_dead_after_a_lid_was_closed(cluster: Cluster) -> None:
    assert not cluster._client.cluster.scheduler.worker_ttl


def test_an_unexpected_error_is_one_line(cluster: Cluster) -> None:
    with pytest.raises(SurveyError, match="ZeroDivisionError"):
        results(cluster, bad, [1])


def test_it_listens_on_loopback_only_and_shows_no_page(cluster: Cluster) -> None:
    scheduler = cluster._client.cluster.scheduler
    assert scheduler.address.startswith("tcp://127.0.0.1:")
    hosts = [socket.getsockname() for socket in scheduler.http_server._sockets.values()]
    assert [host for host, _ in hosts] == ["127.0.0.1"]
    connection = http.client.HTTPConnection("127.0.0.1", hosts[0][1], timeout=20)
    connection.request("GET", "/status")
    assert connection.getresponse().status == 404
    connection.close()
    assert all(address.startswith("tcp://127.0.0.1:") for address in scheduler.workers)


def test_a_scheduler_that_is_not_there_is_one_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survey_pool, "_PATIENCE_S", 0.5)
    with (
        pytest.raises(SurveyError, match=r"scheduler tcp://127\.0\.0\.1:9: can't be used"),
        open_pool(0, "tcp://127.0.0.1:9"),
    ):
        pass


def test_a_worker_ignores_ctrl_c_from_its_start() -> None:
    before = signal.getsignal(signal.SIGINT)
    try:
        dask_setup(None)
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
