"""A day of running: `python -m benchmarks.long_haul`; some minutes on one core.

Drives the timed laps of a shipped healthy log round and round for 24 hours of sample time, puts a fault from a seed
into every ten minutes (a sensor unplugged, shorted, stuck or spiking, the link lost), lets a person acknowledge and
reset all that stands at their end, and sends it all through the whole chain as fast as it goes: once in large chunks,
once cut at random. Prints whether both gave the same transitions and laps, whether every sample is accounted for, the
faults that were announced, and the memory hour by hour.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np

from alerts.alert import Transition
from alerts.lifecycle import State
from alerts.monitor import Monitor, Step
from console.describe import describe_transition
from ingest.chunk import CORNERS, Chunk, Floats
from ingest.injection import Injector, Placed
from ingest.log import open_log
from ingest.plan import Fault, parse_plan
from ingest.sheet import Sheet, load_sheet

FOLDER: Final = Path(__file__).parents[1] / "replay_logs"
SLOT_S: Final = 600.0
CHUNK: Final = 16_384
KINDS: Final = ("unplugged", "short_circuit", "stuck", "spikes", "link_lost")


@dataclass
class Circling:
    """The timed laps of a log, without end."""

    sensors: Floats
    side: dict[str, Floats]
    rate_hz: float
    laps: int

    @classmethod
    def of(cls, path: Path, sheet: Sheet) -> Circling:
        """Read a log and keep its timed laps."""
        with open_log(path, sheet) as log:
            chunks = list(log)
            rate_hz = log.rate_hz
        lap = np.concatenate([chunk.side["lap_number"] for chunk in chunks])
        chosen = (lap > lap.min()) & (lap < lap.max())
        sensors = np.concatenate([chunk.sensors for chunk in chunks])[chosen]
        side = {role: np.concatenate([chunk.side[role] for chunk in chunks])[chosen] for role in chunks[0].side}
        return cls(sensors, side, rate_hz, int(np.ptp(side["lap_number"])) + 1)

    def chunk(self, first: int, count: int) -> Chunk:
        """Samples `first` to `first + count` of the endless run."""
        numbers = np.arange(first, first + count)
        turn, place = np.divmod(numbers, len(self.sensors))
        side = {role: values[place] for role, values in self.side.items()}
        side["lap_number"] = side["lap_number"] + turn * self.laps
        return Chunk(first, self.rate_hz, np.asfortranarray(self.sensors[place]), side)


@dataclass
class Outcome:
    """What one run through the day gave."""

    transitions: list[str] = field(default_factory=list)
    laps: list[tuple[int, int, str]] = field(default_factory=list)
    used: int = 0
    lost: int = 0
    announced: Counter[str] = field(default_factory=Counter)
    memory_mb: list[float] = field(default_factory=list)
    seconds: float = 0.0

    def take(self, step: Step) -> None:
        """Note what a step brought."""
        for one in step.transitions:
            self.transitions.append(json.dumps(describe_transition(one), default=float))
            self.announced[_name_of(one)] += one.announced
        self.laps += [(lap.first_sample, lap.end_sample, lap.verdict.kind) for lap in step.laps]


def _name_of(one: Transition) -> str:
    return one.definition.kind


def fault_of_slot(random: np.random.Generator, start: int, rate_hz: float) -> Placed:
    """One fault that begins and ends within a slot."""
    kind = KINDS[int(random.integers(len(KINDS)))]
    entry: dict[str, object] = {"kind": kind, "time_s": 0.0, "for_s": float(random.uniform(3.0, 8.0))}
    if kind != "link_lost":
        entry["corner"] = CORNERS[int(random.integers(4))]
    if kind == "spikes":
        entry["count"] = 20
    fault: Fault = parse_plan({"fault": [entry]}).faults[0]
    begin = start + round(random.uniform(60.0, SLOT_S - 120.0) * rate_hz)
    return Placed(fault, begin, begin, begin + round(float(str(entry["for_s"])) * rate_hz))


def pieces(chunks: Iterator[Chunk], random: np.random.Generator | None) -> Iterator[Chunk]:
    """Chunks as they are, or cut at random."""
    for chunk in chunks:
        start = 0
        while random is not None and len(chunk) - start > 1:
            stop = start + 1 + int(random.integers(len(chunk) - start))
            yield chunk.part(start, stop)
            start = stop
        if start < len(chunk) or not len(chunk):
            yield chunk.part(start, len(chunk)) if len(chunk) else chunk


def drive(sheet: Sheet, road: Circling, hours: float, seed: int, cuts: np.random.Generator | None) -> Outcome:
    """One run through the day."""
    random, outcome, begun = np.random.default_rng(seed), Outcome(), time.perf_counter()
    monitor = Monitor(sheet, road.rate_hz, tuple(road.side))
    slot = round(SLOT_S * road.rate_hz)
    for number in range(max(1, round(hours * 3600.0 / SLOT_S))):
        start = number * slot
        injector = Injector(sheet, road.rate_hz, (fault_of_slot(random, start, road.rate_hz),))
        spans = ((first, min(CHUNK, start + slot - first)) for first in range(start, start + slot, CHUNK))
        for chunk in pieces((road.chunk(first, count) for first, count in spans), cuts):
            for part in injector.process(chunk):
                outcome.take(monitor.process(part))
        for alarm in monitor.standings:
            if alarm.state is not State.NORMAL:
                for action in ("acknowledge", "reset"):
                    outcome.take(monitor.act(alarm.definition.key, action, "bench"))
        if number % 6 == 5:
            outcome.memory_mb.append(_resident_mb())
    outcome.take(monitor.finish())
    outcome.used, outcome.lost = monitor.pipeline.so_far().received, monitor.pipeline.lost_samples
    outcome.seconds = time.perf_counter() - begun
    return outcome


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    """Run the day twice and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--seed", type=int, default=3)
    options = parser.parse_args()
    sheet = load_sheet(FOLDER / "car.toml")
    road = Circling.of(FOLDER / "healthy.parquet", sheet)
    whole = drive(sheet, road, options.hours, options.seed, None)
    cut = drive(sheet, road, options.hours, options.seed, np.random.default_rng(options.seed))
    sent = max(1, round(options.hours * 3600.0 / SLOT_S)) * round(SLOT_S * road.rate_hz)
    for name, one in (("large chunks", whole), ("cut at random", cut)):
        print(
            f"{name}: {sent} samples sent, {one.used} used, {one.lost} lost, {sent - one.used - one.lost} unaccounted "
            f"for; {len(one.laps)} laps, {len(one.transitions)} transitions; "
            f"{options.hours * 3600.0 / one.seconds:.0f} times real time"
        )
        print(f"  announced: {dict(sorted(one.announced.items()))}")
        memory = ", ".join(f"{megabytes:.0f}" for megabytes in one.memory_mb)
        print(f"  memory in MB, hour by hour: {memory}")
    print(f"the same transitions: {whole.transitions == cut.transitions}; the same laps: {whole.laps == cut.laps}")


if __name__ == "__main__":
    main()
