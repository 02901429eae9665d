"""How much sooner a survey is done by two processes than by one: `python -m benchmarks.survey_scaling`.

Makes 1 kHz Parquet stints of different content, then surveys them by turns with one and with two worker processes, each
time into a new directory, and prints the times pair by pair. The processes' start (Python, libraries) is timed apart:
it does not grow with the season. What one process does alone (merging tables, references) is in the time.

Because others may use the cores too, processor time is printed beside it: of all workers, of the busiest one, and of
the process that asks. With two free cores, the busiest worker's and the asking process's bound the time from below.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from benchmarks.replay_speed import bench_sheet, write_stint
from console.survey import Voice, survey
from console.survey_list import jobs_of
from console.survey_pool import Cluster, open_pool


@dataclass(frozen=True)
class Timed:
    """Seconds until the workers were up, of the season, and of the season once more (all done); processor seconds."""

    start_s: float
    season_s: float
    again_s: float
    workers_cpu_s: tuple[float, ...]
    own_cpu_s: float


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
        before, own = pool.each_worker(time.process_time), time.process_time()
        up = clock()
        assert survey(jobs_of(logs, None, sheet, "bench"), folder, pool, voice) == 0
        done, own = clock(), time.process_time() - own
        cpu = tuple(after - before[name] for name, after in pool.each_worker(time.process_time).items())
        assert survey(jobs_of(logs, None, sheet, "bench"), folder, pool, voice) == 0
        again = clock()
    return Timed(up - began, done - up, again - done, cpu, own)


def _bound(run: Timed) -> float:
    return max(run.workers_cpu_s) + run.own_cpu_s


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
                f"start {one.start_s:.1f} and {two.start_s:.1f} s; all done before: {two.again_s:.1f} s"
            )
            for name, run in (("one", one), ("two", two)):
                print(
                    f"  processor time with {name}: workers {sum(run.workers_cpu_s):.1f} s, "
                    f"busiest {max(run.workers_cpu_s):.1f} s, asking {run.own_cpu_s:.1f} s"
                )
        print(f"by processor time, median {statistics.median(bounds):.2f} times as fast")
        print(f"median {statistics.median(ratios):.2f} times as fast; load now {os.getloadavg()}")


if __name__ == "__main__":
    main()
