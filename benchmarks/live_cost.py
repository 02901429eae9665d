"""What a live car costs on one core: `python -m benchmarks.live_cost`.

Feeds the made-up stint of `benchmarks.replay_speed` to the chain in chunks of 20 and 50 samples, at several rates, with
several side channels and with many cars in turn, and prints the processor's time per chunk (mean, and how many such
cars fill a core) and the wall clock's (median, 99th percentile, worst). The board is not in it.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np

from alerts.monitor import Monitor
from benchmarks.replay_speed import RATE_HZ, bench_sheet, write_stint
from ingest.chunk import Chunk
from ingest.log import open_log
from ingest.sheet import Sheet

# Side channels that are left out, one case after the other.
_ALL: tuple[str, ...] = ()
_ONLY_SPEED_AND_LAPS = ("acceleration_longitudinal", "acceleration_lateral", "lap_distance")
_ONLY_DAMPERS = (*_ONLY_SPEED_AND_LAPS, "speed", "lap_number")


def _stint(sheet: Sheet, seconds: float) -> list[Chunk]:
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "stint.parquet"
        write_stint(path, seconds / 60.0)
        with open_log(path, sheet) as log:
            return list(log)


def _cut(chunks: list[Chunk], samples: int, rate_hz: float, without: tuple[str, ...]) -> list[Chunk]:
    """Pieces of so many samples, said to be of another rate, without some side channels."""
    step = max(1, round(RATE_HZ / rate_hz))
    pieces = []
    first = 0
    for chunk in chunks:
        thin = replace(
            chunk,
            first_sample=first,
            rate_hz=rate_hz,
            sensors=np.asfortranarray(chunk.sensors[::step]),
            side={role: values[::step].copy() for role, values in chunk.side.items() if role not in without},
        )
        first += len(thin)
        pieces += [thin.part(start, min(start + samples, len(thin))) for start in range(0, len(thin), samples)]
    return pieces


def _run(sheet: Sheet, pieces: list[Chunk], cars: int) -> tuple[float, list[float]]:
    """Processor time a chunk, and the wall clock's of each, us; the cars take turns."""
    monitors = [Monitor(sheet, pieces[0].rate_hz, tuple(pieces[0].side)) for _ in range(cars)]
    each = []
    used = time.process_time()
    for piece in pieces:
        for monitor in monitors:
            start = time.perf_counter()
            monitor.process(piece)
            each.append((time.perf_counter() - start) * 1e6)
    return (time.process_time() - used) * 1e6 / len(each), each


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=40.0)
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    sheet = bench_sheet()
    chunks = _stint(sheet, options.seconds)
    cases = [
        ("20 samples", 20, RATE_HZ, _ALL, 1),
        ("50 samples", 50, RATE_HZ, _ALL, 1),
        ("10 samples", 10, RATE_HZ, _ALL, 1),
        ("1000 samples", 1000, RATE_HZ, _ALL, 1),
        ("10 samples at 500 Hz", 10, 500.0, _ALL, 1),
        ("speed and laps only", 20, RATE_HZ, _ONLY_SPEED_AND_LAPS, 1),
        ("dampers only", 20, RATE_HZ, _ONLY_DAMPERS, 1),
        ("50 cars in turn", 20, RATE_HZ, _ALL, 50),
    ]
    print(f"{'us a chunk':<24}{'CPU mean':>9}{'cars a core':>12}{'median':>9}{'p99':>8}{'worst':>8}")
    for name, samples, rate_hz, without, cars in cases:
        pieces = _cut(chunks, samples, rate_hz, without)
        if cars > 1:
            pieces = pieces[: max(1, len(pieces) // 10)]
        else:
            _run(sheet, pieces[:100], 1)
        mean, each = _run(sheet, pieces, cars)
        room = samples / rate_hz * 1e6 / mean
        middle, high = np.percentile(each, [50, 99])
        print(f"{name:<24}{mean:9.0f}{room:12.0f}{middle:9.0f}{high:8.0f}{max(each):8.0f}")


if __name__ == "__main__":
    main()
