"""What many cars cost one process: `python -m benchmarks.many_cars --cars 1 10 25 50`.

Each car is a 1 kHz stream of four dampers, speed and lap number, at its own pace and phase, prebuilt and published by a
process of its own through mosquitto on this machine; the process measured is the one that `watch` runs for several
cars, recordings and results included, without a board. For each number of cars: its share of one core, and p50, p99 and
the worst of the time from the publishing of a message to the chain's answer to all of its samples (alerts raised and
written); what the velocity filter waits for, some 30 ms, comes on top. What was sent and not used is counted.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import resource
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np

from alerts.monitor import Monitor, Step
from benchmarks.link_latency import frames_of
from benchmarks.replay_speed import RATE_HZ, bench_sheet
from console.fleet import FleetOptions, watch_fleet
from console.fleet_cars import FleetCar
from console.fleet_tiles import Tile
from console.hands import Hands
from console.outlet import Outlet, Place
from console.stopping import Stopping
from ingest.chunk import Floats
from ingest.log_counts import LogCounts
from ingest.sheet_link import DAMPER_ROLES, Broker, LinkLayout

ROLES = (*DAMPER_ROLES, "speed", "lap_number")
_SETTLE_S = 3.0  # of each run that is not measured: connecting, first use of everything


class Probe:
    """One car's outlet, which notes when its samples were handled."""

    def __init__(self) -> None:
        self.handled: list[tuple[int, float]] = []
        self.used = 0

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Nothing to show."""

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Note the newest sample that was handled."""
        if step.frames and not any(frame.last for frame in step.frames):
            self.handled.append((round(place.time_s * monitor.pipeline.rate_hz) - 1, time.monotonic()))

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:  # noqa: ARG002
        """Note what the whole run used."""
        self.used = monitor.pipeline.so_far().received

    def close(self) -> None:
        """Nothing was taken."""


class Probes:
    """Shows nothing of several cars, and measures them."""

    def __init__(self, count: int, measured_s: float) -> None:
        self._measured_s = measured_s
        self.probes = [Probe() for _ in range(count)]
        self.begun = self.ended = (0.0, 0.0)  # wall and processor time
        self.dropped = 0

    def begin(self, names: Sequence[str], stopping: Stopping) -> None:
        """Nothing to show."""

    def ends_of(self, number: int) -> tuple[Outlet, Hands | None]:
        """The probe of one car."""
        return self.probes[number], None

    def say(self, number: int, line: str) -> None:
        """Only what is wrong."""
        if "NOT WATCHED" in line or "FAULT" in line:
            print(number, line, file=sys.stderr)

    def look(self, tiles: Callable[[], list[Tile]]) -> None:
        """Begin to count when things have settled; look at the cars as often as a board would."""
        now_s = time.monotonic()
        if not self.begun[0] and all(probe.handled for probe in self.probes):
            first = max(probe.handled[0][1] for probe in self.probes)
            if now_s - first >= _SETTLE_S:
                self.begun = now_s, time.process_time()
        if self.begun[0] and now_s <= self.begun[0] + self._measured_s:
            self.ended = now_s, time.process_time()
        self.dropped = sum(tile.dropped for tile in tiles())

    def close(self) -> None:
        """Nothing was taken."""


def _packet(topic: str, payload: bytes) -> bytes:
    """A PUBLISH packet with QoS 0 (MQTT 3.1.1, section 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + payload
    length, left = b"", len(body)
    while left or not length:
        left, part = divmod(left, 128)
        length += bytes([part | (0x80 if left else 0)])
    return b"\x30" + length + body


def send(port: int, cars: Sequence[int], samples_per_frame: int, seconds: float, begin_s: float, noted: Path) -> None:
    """Publish all cars' frames in real time, with nothing computed meanwhile; the cost of it is nobody's here."""
    count = round(seconds * RATE_HZ / samples_per_frame)
    streams = [
        [
            _packet(f"bench/{car}", frame)
            for frame in frames_of(count * samples_per_frame, samples_per_frame, 997 * car, 0.37 * car)
        ]
        for car in cars
    ]
    client = socket.create_connection(("127.0.0.1", port))
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    # CONNECT without a keepalive, and the broker's answer (MQTT 3.1.1, sections 3.1 and 3.2).
    client.sendall(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x00\x00\x05bench")
    client.recv(4)
    # Cars are not in step: frames are spread over the interval between two, and counters, by which some things are
    # computed every few seconds, begin anywhere.
    interval_s = samples_per_frame / RATE_HZ
    turns = sorted(
        (n * interval_s + interval_s * place / len(cars), place, n) for n in range(count) for place in range(len(cars))
    )
    sent_s = np.zeros((len(cars), count))
    for due_s, place, n in turns:
        wait = begin_s + due_s - time.monotonic()
        if wait > 0.001:
            time.sleep(wait)
        sent_s[place, n] = time.monotonic()
        client.sendall(streams[place][n])
    time.sleep(0.5)
    client.close()
    np.save(noted, sent_s)


def watch_cars(port: int, cars: Sequence[int], seconds: float, scratch: Path) -> dict[str, Any]:
    """Watch these cars in this process; what it came to."""
    sheet = bench_sheet()
    fleet = []
    for car in cars:
        link = LinkLayout(mqtt=Broker(host="127.0.0.1", port=port, topic=f"bench/{car}"))
        named = sheet.car.model_copy(update={"name": f"car_{car}"})
        fleet.append(
            FleetCar(scratch / f"{car}.toml", sheet.model_copy(update={"link": link, "car": named}), "", f"car_{car}")
        )
    probes = Probes(len(cars), max(1.0, seconds - _SETTLE_S - 2.0))
    options = FleetOptions(scratch / "recordings", scratch / "results", overwrite=True, seconds=seconds + 5.0)
    watch_fleet(fleet, probes, options)
    return {
        "core": 100.0 * (probes.ended[1] - probes.begun[1]) / (probes.ended[0] - probes.begun[0]),
        "from_s": probes.begun[0],
        "until_s": probes.ended[0],
        "handled": [np.array(probe.handled) for probe in probes.probes],
        "cars": len(cars),
        "used": sum(probe.used for probe in probes.probes),
        "dropped": probes.dropped,
        "memory_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def delays_ms(found: dict[str, Any], cars: Sequence[int], sent_s: Floats, samples_per_frame: int) -> Floats:
    """From publishing to answer, of all messages of the measured time; `sent_s` has shape (cars, messages)."""
    parts = []
    for car, handled in zip(cars, found["handled"], strict=True):
        measured = np.flatnonzero((sent_s[car] >= found["from_s"]) & (sent_s[car] <= found["until_s"]))
        answered = np.searchsorted(handled[:, 0], (measured + 1) * samples_per_frame - 1)
        measured, answered = measured[answered < len(handled)], answered[answered < len(handled)]
        parts.append(handled[answered, 1] - sent_s[car, measured])
    return 1000.0 * np.concatenate(parts)


def measure(cars: int, samples_per_frame: int, seconds: float, processes: int) -> list[dict[str, Any]]:
    """One broker, one sender, and the cars over so many watching processes."""
    with tempfile.TemporaryDirectory() as scratch, socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        free.close()
        config = Path(scratch) / "mosquitto.conf"
        config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n")
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        broker = subprocess.Popen([_mosquitto(), "-c", str(config)], **quiet)  # type: ignore[call-overload]

        try:
            _wait_for(port)
            fresh = multiprocessing.get_context("spawn")
            # Building the frames takes its time, and a watch has to be connected before the first one goes out.
            begin_s = time.monotonic() + 6.0 + 0.1 * cars
            sender = fresh.Process(
                target=send, args=(port, range(cars), samples_per_frame, seconds, begin_s, Path(scratch) / "sent.npy")
            )
            sender.start()
            time.sleep(begin_s - time.monotonic() - 3.0)
            with fresh.Pool(processes) as pool:
                jobs = [(port, list(range(cars))[part::processes], seconds, Path(scratch)) for part in range(processes)]
                found = pool.starmap(watch_cars, jobs, chunksize=1)
            sender.join()
            sent_s = np.load(Path(scratch) / "sent.npy")
            for part, one in enumerate(found):
                delays = delays_ms(one, range(cars)[part::processes], sent_s, samples_per_frame)
                one["p50"], one["p99"], one["worst"] = np.percentile(delays, [50, 99, 100])
        finally:
            broker.terminate()
            broker.wait()
    return found


def _wait_for(port: int) -> None:
    for _ in range(100):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
            return
        time.sleep(0.1)
    raise SystemExit("mosquitto does not answer")


def _mosquitto() -> str:
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if found is None:
        raise SystemExit("mosquitto is not installed: nothing can be measured")
    return found


def main() -> None:
    """Run the benchmark and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cars", type=int, nargs="+", default=[1, 10, 25, 50])
    parser.add_argument("--samples-per-frame", type=int, nargs="+", default=[10, 50])
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--processes", type=int, default=1, help="Processes that share the cars.")
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}; {options.seconds:g} s each")
    print(
        "| cars | samples a message | one core, % | a car, % | p50, ms | p99, ms | worst, ms | lost, % | memory, MiB |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for samples_per_frame in options.samples_per_frame:
        for cars in options.cars:
            for found in measure(cars, samples_per_frame, options.seconds, options.processes):
                own = found["cars"]
                sent = own * options.seconds * RATE_HZ
                print(
                    f"| {own:.0f} | {samples_per_frame} | {found['core']:.0f} | {found['core'] / own:.2f} "
                    f"| {found['p50']:.0f} | {found['p99']:.0f} | {found['worst']:.0f} "
                    f"| {100.0 * max(0.0, 1.0 - found['used'] / sent):.2f} | {found['memory_mib']:.0f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
