"""How long a replay takes, beside a reference that does only the least: `python -m benchmarks.replay_speed`.

Makes a 20-minute, 1 kHz, four-corner stint as Parquet and as CSV, then times by turns, on one core: (A) the whole chain
without a board, from opening the log to the last alert; (B) reading the file, scipy's savgol_filter and numpy.histogram
on the four dampers. Prints times, the ratio A/B pair by pair, and the chain's peak memory for a short and a long log.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# One core for both sides: libraries read these when they are imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow import csv
from scipy.signal import butter, savgol_filter, sosfilt

from alerts.monitor import Monitor
from dsp.velocity import VelocityFilter
from ingest.log import open_log
from ingest.sheet import Sheet, parse_sheet

RATE_HZ = 1000.0
_DAMPERS = ("fl", "fr", "rl", "rr")


def bench_sheet() -> Sheet:
    """A sheet for the made-up stint with all that costs: dampers, bars, bump stops, tyres, five platform points."""
    axle = {
        "motion_ratio_damper_per_wheel": 0.85,
        "travel_to_full_bump_mm": 60.0,
        "travel_to_full_droop_mm": 60.0,
        "spring": {"rate_n_mm": 140.0},
        "bump_stop": {"gap_mm": 24.0, "force": [[0, 0], [6, 900], [12, 5000]]},
        "damper": {"curve": [[-500, -2000], [-150, -950], [-50, -600], [0, 0], [50, 420], [150, 680], [500, 1400]]},
        "anti_roll_bar_n_mm": 90.0,
        "tyre_rate_n_mm": 270.0,
        "unsprung_mass_kg": 48.0,
    }
    sensor = {"unit": "counts", "points": [[0, -75.0], [16383, 75.0]], "reading_range": [50, 16333]}
    points = {
        f"point {i}": {"x_mm": 800.0 - 800.0 * i, "y_mm": 0.0, "static_height_mm": 80.0, "lowest_mm": 30.0}
        for i in range(5)
    }
    columns: dict[str, object] = {f"damper_{name.upper()}": {"column": name} for name in _DAMPERS}
    columns |= {"speed": {"column": "speed", "unit": "m/s"}, "lap_number": {"column": "lap"}}
    columns |= {"lap_distance": {"column": "distance", "unit": "m"}}
    for direction, name in (("longitudinal", "ax"), ("lateral", "ay")):
        columns[f"acceleration_{direction}"] = {"column": name, "unit": "m/s2"}
    car = {"name": "bench", "mass_kg": 1200.0, "front_share": 0.48}
    car |= {
        "centre_of_gravity_height_mm": 430.0,
        "wheelbase_mm": 2700.0,
        "track_front_mm": 1650.0,
        "track_rear_mm": 1630.0,
    }
    return parse_sheet(
        {
            "car": car,
            "axle": {"front": axle, "rear": axle},
            "corner": {name.upper(): {"sensor": sensor} for name in _DAMPERS},
            "log": {"columns": columns, "time": {"column": "time"}},
            "platform": points,
        }
    )


def write_stint(path: Path, minutes: float, seed: int = 7) -> None:
    """Random damper motion with body and wheel-hop content, 90 s laps; counts as 16-bit, the rest as float32."""
    count = int(minutes * 60 * RATE_HZ)
    random = np.random.default_rng(seed)
    shape = butter(2, [1.0, 14.0], "bandpass", fs=RATE_HZ, output="sos")
    travel = sosfilt(shape, random.standard_normal((4, count)), axis=1)
    travel *= 7.0 / travel.std()
    counts = np.round((travel + 75.0) / 150.0 * 16383).astype(np.int16)
    time_s = np.arange(count) / RATE_HZ
    table = pa.table(
        {
            "time": time_s,
            **{name: counts[i] for i, name in enumerate(_DAMPERS)},
            "speed": (45.0 + 15.0 * np.sin(time_s / 2.5)).astype(np.float32),
            "ax": (6.0 * np.cos(time_s / 2.5)).astype(np.float32),
            "ay": (14.0 * np.sin(time_s / 2.9)).astype(np.float32),
            "lap": (time_s // 90.0).astype(np.int32),
            "distance": ((time_s % 90.0) * 45.0).astype(np.float32),
        }
    )
    if path.suffix == ".csv":
        csv.write_csv(table, path)
    else:
        pq.write_table(table, path)


def run_chain(path: Path) -> None:
    """The whole chain, no board."""
    sheet = bench_sheet()
    with open_log(path, sheet) as log:
        monitor = Monitor(sheet, log.rate_hz, log.roles)
        for chunk in log:
            monitor.process(chunk)
        monitor.finish()


def run_reference(path: Path) -> None:
    """Read, differentiate, count: what any tool must at least do."""
    window = 2 * VelocityFilter.for_bandwidth(30.0, RATE_HZ).half_width + 1
    table = csv.read_csv(path) if path.suffix == ".csv" else pq.read_table(path)
    for name in _DAMPERS:
        travel = table[name].to_numpy().astype(np.float64)
        velocity = savgol_filter(travel, window, 3, deriv=1, delta=1.0 / RATE_HZ)
        np.histogram(velocity, bins=300, range=(-1500.0, 1500.0))


def _timed(run: str, path: Path) -> float:
    start = time.perf_counter()
    {"chain": run_chain, "reference": run_reference}[run](path)
    return time.perf_counter() - start


def memory_mb(which: str) -> float:
    """Resident memory of this process: VmRSS now, VmHWM at its peak; `ru_maxrss` would begin with the parent's."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith(which)) / 1024.0


def _peak_mb(path: Path) -> float:
    """Peak memory of the chain in a process of its own."""
    command = [sys.executable, "-m", "benchmarks.replay_speed", "--memory-of", str(path)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--memory-of", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    pa.set_cpu_count(1)
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    if options.memory_of is not None:
        run_chain(options.memory_of)
        print(memory_mb("VmHWM"))
        return
    print(f"{options.minutes:g} min at {RATE_HZ:g} Hz, four corners, {options.rounds} rounds, one core")
    with tempfile.TemporaryDirectory() as scratch:
        for suffix in (".parquet", ".csv"):
            path, short = Path(scratch) / f"long{suffix}", Path(scratch) / f"short{suffix}"
            write_stint(path, options.minutes)
            write_stint(short, options.minutes / 4.0)
            print(f"{suffix[1:]}:")
            _compare(path, options.rounds)
            peaks = (_peak_mb(short), _peak_mb(path))
            print(f"  {'peak memory, MB':<16} {peaks[0]:.0f} for {options.minutes / 4:g} min, {peaks[1]:.0f} for all")


def _compare(path: Path, rounds: int) -> None:
    for run in ("chain", "reference"):
        _timed(run, path)  # the first round pays for imports and caches
    pairs = [(_timed("chain", path), _timed("reference", path)) for _ in range(rounds)]
    ratios = [chain / reference for chain, reference in pairs]
    for name, values in (("chain, s", [p[0] for p in pairs]), ("reference, s", [p[1] for p in pairs])):
        print(f"  {name:<16} median {statistics.median(values):.3f}  worst {max(values):.3f}")
    print(f"  {'ratio':<16} median {statistics.median(ratios):.2f}  worst {max(ratios):.2f}  (goal: 2)")


if __name__ == "__main__":
    main()
