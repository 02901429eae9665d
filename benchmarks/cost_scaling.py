"""How the chain's cost grows: `python -m benchmarks.cost_scaling`; under two minutes on one core.

Along seven axes, each with everything else as it is: channels of the stream, platform points, columns of the log that
nobody asked for, sampling rate, laps in the same time, length of the run (each in a process of its own, with its peak
memory above that of the imports), and cars that take turns with chunks of 20 samples. Costs are processor time, each
divided by that of a reference measured right before and after it: the reference of `benchmarks.replay_speed` on one
and the same plain log, or one car. Prints the medians and, for each axis, the slope of log cost over log size: by least
squares over all cases, and of the last step. 1 is linear, less is better than linear, 0 is flat.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from alerts.monitor import Monitor
from benchmarks.replay_speed import RATE_HZ, bench_sheet, memory_mb, run_reference, write_stint
from ingest.chunk import Chunk
from ingest.log import open_log
from ingest.sheet import Sheet
from ingest.sheet_limits import PlatformPoint

_SIDES: Final = ("speed", "lap_number", "lap_distance", "acceleration_longitudinal", "acceleration_lateral")
_POINTS: Final = (1, 5, 20, 80)
_UNUSED: Final = (0, 50, 200, 800)
_RATES_HZ: Final = (250.0, 500.0, 1000.0, 2000.0)
_LAPS_S: Final = (90.0, 30.0, 10.0, 3.0)
_MINUTES: Final = (5.0, 20.0, 60.0)
_CARS: Final = (1, 10, 50)
_CHUNK: Final = 20  # samples, as a link brings them


@dataclass(frozen=True)
class Case:
    """One place on an axis: its size, what to call it, and its cost against the reference's, round by round."""

    size: float
    name: str
    ratios: list[float]

    @property
    def cost(self) -> float:
        """The median ratio."""
        return statistics.median(self.ratios)


def used_s(work: Callable[[], object]) -> float:
    """Processor time of something, s."""
    start = time.process_time()
    work()
    return time.process_time() - start


def run_chain(path: Path, sheet: Sheet) -> None:
    """The whole chain over a log, no board."""
    with open_log(path, sheet) as log:
        monitor = Monitor(sheet, log.rate_hz, log.roles)
        for chunk in log:
            monitor.process(chunk)
        monitor.finish()


def changed_log(path: Path, to: Path, change: Callable[[pa.Table], pa.Table]) -> Path:
    """A log with its table changed, in the same row groups."""
    pq.write_table(change(pq.read_table(path)), to)
    return to


def with_column(table: pa.Table, name: str, values: np.ndarray[Any, Any]) -> pa.Table:
    """The table with one column's values."""
    return table.set_column(table.column_names.index(name), name, pa.array(values))


def with_unused(table: pa.Table, count: int) -> pa.Table:
    """The table with columns that no sheet names: other sensors of the car, each a value of its own a row."""
    random = np.random.default_rng(3)
    for number in range(count):
        values = random.integers(-2000, 2000, len(table), dtype=np.int16)
        table = table.append_column(f"other {number}", pa.array(values))
    return table


def at_rate(table: pa.Table, rate_hz: float) -> pa.Table:
    """The same motion at another rate: every so many rows, or rows between by interpolation, counts rounded."""
    time_s = np.asarray(table["time"])
    wanted_s = np.arange(int(len(time_s) * rate_hz / RATE_HZ)) / rate_hz
    columns = {}
    for name in table.column_names:
        values = np.asarray(table[name])
        between = np.interp(wanted_s, time_s, values.astype(np.float64))
        columns[name] = np.round(between).astype(values.dtype) if values.dtype.kind == "i" else between
    return pa.table(columns)


def with_laps(table: pa.Table, lap_s: float) -> pa.Table:
    """The table with laps of this length."""
    time_s = np.asarray(table["time"])
    laps = with_column(table, "lap", (time_s // lap_s).astype(np.int32))
    return with_column(laps, "distance", ((time_s % lap_s) * 45.0).astype(np.float32))


def without_sides(sheet: Sheet, kept: int) -> Sheet:
    """The sheet with its first so many side channels only."""
    left_out = dict.fromkeys(_SIDES[kept:])
    columns = sheet.log.columns.model_copy(update=left_out)
    return sheet.model_copy(update={"log": sheet.log.model_copy(update={"columns": columns})})


def with_points(sheet: Sheet, count: int) -> Sheet:
    """The sheet with this many platform points, spread along the car."""
    points = {
        f"point {number}": PlatformPoint(
            x_mm=800.0 - 3500.0 * number / count, static_height_mm=80.0, lowest_mm=30.0 - number % 5
        )
        for number in range(count)
    }
    return sheet.model_copy(update={"platform": points})


def log_axes(plain: Path, folder: Path, rounds: int) -> dict[str, list[Case]]:
    """Cases of one log each, against the reference on the plain log."""
    sheet = bench_sheet()
    axes: dict[str, list[tuple[float, str, Path, Sheet]]] = {
        "channels": [
            (4.0 + kept, f"4 dampers, {kept} more", plain, without_sides(sheet, kept))
            for kept in (0, 1, 3, len(_SIDES))
        ],
        "platform points": [(count, f"{count}", plain, with_points(sheet, count)) for count in _POINTS],
    }
    few = len(pq.read_schema(plain).names)
    logs = {f"unused {n}": changed_log(plain, folder / f"u{n}", partial(with_unused, count=n)) for n in _UNUSED}
    axes["columns in the log"] = [(few + n, f"{few} used, {n} not", logs[f"unused {n}"], sheet) for n in _UNUSED]
    rates = {hz: changed_log(plain, folder / f"r{hz:g}", partial(at_rate, rate_hz=hz)) for hz in _RATES_HZ}
    axes["sampling rate"] = [(hz, f"{hz:g} Hz", rates[hz], sheet) for hz in _RATES_HZ]
    laps = {lap_s: changed_log(plain, folder / f"l{lap_s:g}", partial(with_laps, lap_s=lap_s)) for lap_s in _LAPS_S}
    axes["laps"] = [(1.0 / lap_s, f"one each {lap_s:g} s", laps[lap_s], sheet) for lap_s in _LAPS_S]
    run_reference(plain)  # pays for caches
    found: dict[str, list[Case]] = {}
    for axis, cases in axes.items():
        for size, name, path, of_case in cases:
            run_chain(path, of_case)
            found.setdefault(axis, []).append(Case(size, name, ratios_of(path, of_case, plain, rounds)))
    return found


def ratios_of(path: Path, sheet: Sheet, plain: Path, rounds: int) -> list[float]:
    """The chain's cost over that of the references on both sides of it, round by round."""
    references, costs = [used_s(partial(run_reference, plain))], []
    for _ in range(rounds):
        costs.append(used_s(partial(run_chain, path, sheet)))
        references.append(used_s(partial(run_reference, plain)))
    return [cost * 2.0 / (references[n] + references[n + 1]) for n, cost in enumerate(costs)]


def length_axis(plain: Path, folder: Path, rounds: int) -> tuple[list[Case], list[Case]]:
    """Cost, and peak memory above the imports' in MB, of runs of several lengths."""
    cases, peaks = [], []
    for minutes in _MINUTES:
        path = folder / f"m{minutes:g}"
        write_stint_in_a_process(path, minutes)
        answer = in_a_process("--run", str(path), "--plain", str(plain), "--rounds", str(rounds))
        found = json.loads(answer)
        cases.append(Case(minutes, f"{minutes:g} min", found["ratios"]))
        peaks.append(Case(minutes, f"{minutes:g} min", [found["peak_mb"]]))
        path.unlink()
    return cases, peaks


def in_a_process(*options: str) -> str:
    """What this program prints in a process of its own."""
    command = [sys.executable, "-m", "benchmarks.cost_scaling", *options]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def write_stint_in_a_process(path: Path, minutes: float) -> None:
    """So that what making a long stint takes does not stay with this one."""
    in_a_process("--write", str(path), "--minutes", str(minutes))


def one_length(path: Path, plain: Path, rounds: int) -> dict[str, object]:
    """Peak memory of one run above that of the imports, then its cost; for a process of its own."""
    sheet, before_mb = bench_sheet(), memory_mb("VmRSS")
    run_chain(path, sheet)
    peak_mb = memory_mb("VmHWM") - before_mb
    run_reference(plain)
    return {"peak_mb": peak_mb, "ratios": ratios_of(path, sheet, plain, rounds)}


def car_axis(plain: Path, rounds: int) -> list[Case]:
    """Several monitors that take turns, against one alone before and after them."""
    sheet = bench_sheet()
    with open_log(plain, sheet) as log:
        whole, roles = next(iter(log)), log.roles
    pieces = [whole.part(start, start + _CHUNK) for start in range(0, min(len(whole), 4000) - _CHUNK, _CHUNK)]
    turns = partial(turns_s, sheet, roles, pieces)
    turns(1)
    cases = []
    for cars in _CARS:
        ratios, before = [], turns(1)
        for _ in range(rounds):
            cost, after = turns(cars), turns(1)
            ratios.append(cost * 2.0 / (before + after))
            before = after
        cases.append(Case(cars, f"{cars}", ratios))
    return cases


def turns_s(sheet: Sheet, roles: tuple[str, ...], pieces: list[Chunk], cars: int) -> float:
    """Processor time of each piece going to each of so many new monitors, one after the other, s."""
    monitors = [Monitor(sheet, RATE_HZ, roles) for _ in range(cars)]
    start = time.process_time()
    for piece in pieces:
        for monitor in monitors:
            monitor.process(piece)
    return time.process_time() - start


def slopes(cases: list[Case]) -> tuple[float, float]:
    """Slope of log cost over log size: of the line through all cases, and of the last step, where fixed costs fade."""
    size, cost = np.log([case.size for case in cases]), np.log([case.cost for case in cases])
    return float(np.polyfit(size, cost, 1)[0]), float((cost[-1] - cost[-2]) / (size[-1] - size[-2]))


def show(axis: str, cases: list[Case], unit: str, each: str = "") -> None:
    """Print one axis."""
    fitted, last = slopes(cases)
    print(f"\n{axis}: exponent {fitted:.2f} (last step {last:.2f})")
    for case in cases:
        share = f"  {case.cost / case.size:9.3f} {each}" if each else ""
        print(f"  {case.name:<24}{case.cost:9.2f} {unit} (worst {max(case.ratios):.2f}){share}")


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=4.0, help="length of the log of most axes")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--run", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--plain", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    pa.set_cpu_count(1)
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    if options.write is not None:
        write_stint(options.write, options.minutes)
        return
    if options.run is not None:
        print(json.dumps(one_length(options.run, options.plain, options.rounds)))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        plain = folder / "plain"
        write_stint(plain, options.minutes)
        print(
            f"{options.minutes:g} min at {RATE_HZ:g} Hz where nothing else is said, {options.rounds} rounds, one core;"
        )
        print("cost: processor time over the reference's on the plain log (of cars: over one car's)")
        for axis, cases in log_axes(plain, folder, options.rounds).items():
            show(axis, cases, "x")
        costs, peaks = length_axis(plain, folder, options.rounds)
        show("length of the run", costs, "x", "x a minute")
        show("peak memory above the imports'", peaks, "MB")
        show("cars in turn", car_axis(plain, options.rounds), "x", "x a car")


if __name__ == "__main__":
    main()
