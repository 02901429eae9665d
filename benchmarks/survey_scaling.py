"""How much sooner a survey is done by two processes than by one: `python -m benchmarks.survey_scaling`.

Makes 1 kHz Parquet stints of different content, then surveys them by turns with one and with two worker processes, each
time into a new directory, and prints the times pair by pair. The processes' start (Python, libraries) is timed apart:
it does not grow with the season. What one process does alone (merging tables, references) is in the time.

Because others may use the cores too, processor time is printed beside it: of the workers, with the system's part of it
and the pages they took, and of the process that asks: all of it, and of its thread that writes. That thread does not
divide; its share of one worker's time is printed too.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from benchmarks.replay_speed import bench_sheet, write_stint
from console.survey import Voice, survey
from console.survey_list import jobs_of
from console.survey_pool import Cluster, open_pool

Usage = tuple[float, float, int]


@dataclass(frozen=True)
class Timed:
    """Seconds until the workers were up, of the season, and of the season once more (all done); processor seconds.

    `workers` has for each worker its processor seconds in the program and in the system, and the pages it took.
    """

    start_s: float
    season_s: float
    again_s: float
    workers: tuple[Usage, ...]
    own_cpu_s: float
    writing_cpu_s: float
    again_cpu_s: float

    @property
    def worker_cpu_s(self) -> list[float]:
        """Processor seconds of each worker."""
        return [user + system for user, system, _ in self.workers]


def usage() -> Usage:
    """Processor seconds of this process, and pages it took."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime, used.ru_stime, used.ru_minflt


def timed(workers: int, small: Path, logs: list[Path], folder: Path) -> Timed:
    """Survey the logs once with so many workers."""
    voice = Voice(lambda _: None, lambda _: None)
    sheet = bench_sheet()
    clock = time.perf_counter
    began = clock()
    with open_pool(workers, None) as pool:
        # Each worker imports what it needs with its first log.
        warm = jobs_of([small] * max(1, workers), None, sheet, "bench")
        for come in pool.run(_imports, warm):
            del come
        assert isinstance(pool, Cluster)
        before, own, writing = pool.each_worker(usage), time.process_time(), time.thread_time()
        up = clock()
        assert survey(jobs_of(logs, None, sheet, "bench"), folder, pool, voice) == 0
        done, own, writing = clock(), time.process_time() - own, time.thread_time() - writing
        taken = [
            (after[0] - before[name][0], after[1] - before[name][1], after[2] - before[name][2])
            for name, after in pool.each_worker(usage).items()
        ]
        again_began, again_own = clock(), time.process_time()
        assert survey(jobs_of(logs, None, sheet, "bench"), folder, pool, voice) == 0
        again, again_own = clock() - again_began, time.process_time() - again_own
    return Timed(up - began, done - up, again, tuple(taken), own, writing, again_own)


def _bound(run: Timed) -> float:
    """Seconds of processor time that can't be fewer with two free cores: the busiest worker's, then the writing."""
    return max(run.worker_cpu_s) + run.writing_cpu_s


def _imports(job: object) -> None:  # noqa: ARG001
    import console.survey_job  # noqa: F401


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--logs", type=int, default=16)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        logs = [folder / f"{n}.parquet" for n in range(options.logs)]
        for n, log in enumerate(logs):
            write_stint(log, options.minutes, seed=100 + n)
        print(
            f"{options.logs} logs of {options.minutes:g} min at 1 kHz; {os.cpu_count()} cores, load {os.getloadavg()}"
        )
        ratios: list[float] = []
        bounds: list[float] = []
        for turn in range(options.rounds):
            found = {}
            for workers in (1, 2) if turn % 2 == 0 else (2, 1):
                found[workers] = timed(workers, logs[0], logs, folder / f"out-{turn}-{workers}")
            one, two = found[1], found[2]
            ratios.append(one.season_s / two.season_s)
            bounds.append(_bound(one) / _bound(two))
            print(
                f"one {one.season_s:.1f} s, two {two.season_s:.1f} s: {ratios[-1]:.2f} times as fast; "
                f"start {one.start_s:.1f} and {two.start_s:.1f} s; all done before: {two.again_s:.2f} s"
            )
            for name, run in (("one", one), ("two", two)):
                print(f"  processor time with {name}: {_described(run, options.logs)}")
            share = one.writing_cpu_s / (sum(one.worker_cpu_s) + one.writing_cpu_s)
            print(f"  what does not divide is {100.0 * share:.1f} % of one worker's season")
        print(f"by processor time, median {statistics.median(bounds):.2f} times as fast")
        print(f"median {statistics.median(ratios):.2f} times as fast; load now {os.getloadavg()}")


def _described(run: Timed, logs: int) -> str:
    total, system = sum(run.worker_cpu_s), sum(one[1] for one in run.workers)
    pages = sum(one[2] for one in run.workers) // logs
    return (
        f"workers {total:.1f} s ({total / logs:.2f} a log; system {system:.1f} s, {pages} pages a log), busiest "
        f"{max(run.worker_cpu_s):.1f} s; asking {run.own_cpu_s:.2f} s, of it writing {run.writing_cpu_s:.2f} s, "
        f"all done before {run.again_cpu_s:.2f} s"
    )


if __name__ == "__main__":
    main()
