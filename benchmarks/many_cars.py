"""What many cars cost one process: `python -m benchmarks.many_cars --cars 1 10 25 50`.

Each car is a 1 kHz stream of four dampers, speed and lap number, at its own pace and phase, prebuilt and published by a
process of its own through mosquitto on this machine; the process measured is the one that `watch` runs for several
cars, recordings and results included; with `--board` also the board, drawn to a terminal nobody looks at, and with
`--publish` journals and publishing. For each number of cars: its share of one core, and p50, p99 and the worst of the
time from the publishing of a message to the chain's answer to all of its samples (alerts raised and written); what the
velocity filter waits for, some 30 ms, comes on top. With `--publish` also the time from the publishing of the message
that holds the sample at which an alarm changes (its own delays are over there, the filter's wait is not) to the
receipt of this change by a subscriber in another process. What was sent and not used, and what was dropped, is counted.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import resource
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np

from alerts.monitor import Monitor, Step
from alerts.publisher import Publisher
from benchmarks.link_latency import frames_of
from benchmarks.replay_speed import RATE_HZ, bench_sheet
from console.controls import Duties
from console.desk import Desk
from console.fleet import FleetOptions, watch_fleet
from console.fleet_board import FleetBoard
from console.fleet_cars import FleetCar
from console.fleet_tiles import Tile
from console.hands import Hands
from console.outlet import Outlet, Place
from console.screen import BoardScreen, make_console
from console.stopping import Stopping
from ingest.chunk import Floats
from ingest.link_loop import LinkLoop
from ingest.log_counts import LogCounts
from ingest.sheet_link import DAMPER_ROLES, Broker, LinkLayout
from ingest.sheet_wall import PitWall

ROLES = (*DAMPER_ROLES, "speed", "lap_number")
_SETTLE_S = 3.0  # of each run that is not measured: connecting, first use of everything
_TERMINAL = (60, 200)  # rows and columns of the board's terminal
_HELD_BACK_S = 0.05  # a stop and a run together, where the watch gets less than a core
_PATIENCE_S = 150.0  # for hundreds of links to open


@dataclass(frozen=True)
class Ways:
    """What else the watch does besides computing, recording and writing results."""

    board: bool = False
    publish: bool = False


class Probe:
    """One car's outlet, which notes when its samples were handled."""

    def __init__(self) -> None:
        self.handled: list[tuple[int, float]] = []
        self.used = 0
        self.outlet: Outlet | None = None  # which shows the car besides

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Show the car, where there is something to show it."""
        if self.outlet is not None:
            self.outlet.begin(monitor, place)

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Note the newest sample that was handled."""
        if step.frames and not any(frame.last for frame in step.frames):
            self.handled.append((round(place.time_s * monitor.pipeline.rate_hz) - 1, time.monotonic()))
        if self.outlet is not None:
            self.outlet.step(monitor, step, place)

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:  # noqa: ARG002
        """Note what the whole run used."""
        self.used = monitor.pipeline.so_far().received

    def close(self) -> None:
        """Give back what the board took."""
        if self.outlet is not None:
            self.outlet.close()


class Probes:
    """Measures several cars, and shows them on `board` if there is one."""

    def __init__(self, count: int, measured_s: float, board: FleetBoard | None, ready: Path) -> None:
        self._measured_s = measured_s
        self._ready = ready
        self._looked_s = 0.0
        self._stopping = Stopping()
        self._board = board
        self.probes = [Probe() for _ in range(count)]
        self.begun = self.ended = (0.0, 0.0)  # wall and processor time
        self.dropped = 0

    def begin(self, names: Sequence[str], stopping: Stopping) -> None:
        """Tell the board the names."""
        self._stopping = stopping
        if self._board is not None:
            self._board.begin(names, stopping)

    def ends_of(self, number: int) -> tuple[Outlet, Hands | None]:
        """The probe of one car."""
        if self._board is not None:
            self.probes[number].outlet = self._board.ends_of(number)[0]
        return self.probes[number], None

    def say(self, number: int, line: str) -> None:
        """Only what is wrong."""
        if "NOT WATCHED" in line or "FAULT" in line:
            print(f"car {number}: {line}", file=sys.stderr)

    def look(self, tiles: Callable[[], list[Tile]]) -> None:
        """Begin to count when things have settled; look at the cars as often as a board would."""
        now_s = time.monotonic()
        if not self.begun[0] and all(probe.handled for probe in self.probes):
            first = max(probe.handled[0][1] for probe in self.probes)
            if now_s - first >= _SETTLE_S:
                self.begun = now_s, time.process_time()
        if self.begun[0] and now_s <= self.begun[0] + self._measured_s:
            self.ended = now_s, time.process_time()
        if self._board is not None:
            self._board.look(tiles)
        if now_s - self._looked_s < 0.2:
            return
        self._looked_s = now_s
        found = tiles()
        self.dropped = sum(tile.dropped for tile in found)
        if all(tile.link == "open" for tile in found) and not self._ready.exists():
            whole = self._ready.with_name(f"part-{self._ready.name}")
            whole.write_text(str(os.getpid()))
            whole.rename(self._ready)
        if (self._ready.parent / "over").exists():
            self._stopping.ask()

    def close(self) -> None:
        """Give back what the board took."""
        if self._board is not None:
            self._board.close()


@contextlib.contextmanager
def a_board() -> Iterator[FleetBoard]:
    """A board on a terminal whose other end is read and thrown away."""
    import fcntl
    import pty
    import termios

    far, near = pty.openpty()
    fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", *_TERMINAL, 0, 0))
    reader = subprocess.Popen(["cat"], stdin=far, stdout=subprocess.DEVNULL)
    os.environ["TERM"] = "xterm-256color"
    try:
        with os.fdopen(near, "w", encoding="utf-8") as file:
            screen = BoardScreen(make_console(file), catch_signals=False)
            yield FleetBoard(lambda _: None, lambda _: None, Duties(live=True, several=True), "bench", screen=screen)
    finally:
        reader.kill()
        reader.wait()
        os.close(far)


def _packet(topic: str, payload: bytes) -> bytes:
    """A PUBLISH packet with QoS 0 (MQTT 3.1.1, section 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + payload
    length, left = b"", len(body)
    while left or not length:
        left, part = divmod(left, 128)
        length += bytes([part | (0x80 if left else 0)])
    return b"\x30" + length + body


def send(port: int, cars: Sequence[int], samples_per_frame: int, seconds: float, watchers: int, scratch: Path) -> None:
    """Publish all cars' frames in real time, with nothing computed meanwhile; the cost of it is nobody's here.

    Begins when all watchers have said that their links are open.
    """
    count = round(seconds * RATE_HZ / samples_per_frame)
    streams = [
        [
            _packet(f"bench/{car}", frame)
            for frame in frames_of(count * samples_per_frame, samples_per_frame, 997 * car, 0.37 * car)
        ]
        for car in cars
    ]
    client = _connected(port, b"bench")
    # Cars are not in step: frames are spread over the interval between two, and counters, by which some things are
    # computed every few seconds, begin anywhere.
    interval_s = samples_per_frame / RATE_HZ
    turns = sorted(
        (n * interval_s + interval_s * place / len(cars), place, n) for n in range(count) for place in range(len(cars))
    )
    sent_s = np.zeros((len(cars), count))
    try:
        _wait_until(lambda: len(list(scratch.glob("ready-*"))) == watchers)
    except SystemExit:
        (scratch / "over").touch()
        raise
    begin_s = time.monotonic() + 0.2
    for due_s, place, n in turns:
        wait = begin_s + due_s - time.monotonic()
        if wait > 0.001:
            time.sleep(wait)
        sent_s[place, n] = time.monotonic()
        client.sendall(streams[place][n])
    client.close()
    np.save(scratch / "sent.npy", sent_s)
    time.sleep(2.0)
    (scratch / "over").touch()


def _connected(port: int, name: bytes) -> socket.socket:
    """A client of the broker, without a keepalive (CONNECT and its answer; MQTT 3.1.1, sections 3.1 and 3.2)."""
    client = socket.create_connection(("127.0.0.1", port))
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.sendall(b"\x10" + bytes([12 + len(name)]) + b"\x00\x04MQTT\x04\x02\x00\x00" + _text(name))
    client.recv(4)
    return client


def _text(text: bytes) -> bytes:
    return len(text).to_bytes(2, "big") + text


def listen(port: int, scratch: Path) -> None:
    """Note when which change of an alarm comes to the pit wall: lines of car, device's sample and time."""
    client = _connected(port, b"wall")
    topic = _text(b"pit/+/transitions") + b"\x00"
    client.sendall(b"\x82" + bytes([2 + len(topic)]) + b"\x00\x01" + topic)  # SUBSCRIBE (section 3.8)
    found: list[tuple[float, bytes]] = []
    waiting = b""
    client.settimeout(0.2)
    while not (scratch / "over").exists():
        with contextlib.suppress(TimeoutError):
            waiting += client.recv(65536)
            now_s = time.monotonic()
            while (packet := _first(waiting)) is not None:
                head, body, waiting = packet
                if head >> 4 == 3:
                    found.append((now_s, body[2 + int.from_bytes(body[:2], "big") :]))
    client.close()
    told = [(json.loads(payload), when) for when, payload in found]
    rows = [(float(one["car"].removeprefix("car_")), float(one["sample"]), when) for one, when in told]
    np.save(scratch / "told.npy", np.array(rows).reshape(-1, 3))


def _first(data: bytes) -> tuple[int, bytes, bytes] | None:
    """The first byte and the body of the first packet, and what follows it; None while it is not whole."""
    length, place = 0, 1
    while place < len(data):
        length |= (data[place] & 127) << 7 * (place - 1)
        place += 1
        if data[place - 1] < 128:
            return (
                (data[0], data[place : place + length], data[place + length :]) if len(data) >= place + length else None
            )
    return None


def watch_cars(port: int, cars: Sequence[int], seconds: float, scratch: Path, ways: Ways) -> dict[str, Any]:
    """Watch these cars in this process; what it came to."""
    sheet = bench_sheet()
    fleet = []
    for car in cars:
        link = LinkLayout(mqtt=Broker(host="127.0.0.1", port=port, topic=f"bench/{car}"))
        named = sheet.car.model_copy(update={"name": f"car_{car}"})
        fleet.append(
            FleetCar(scratch / f"{car}.toml", sheet.model_copy(update={"link": link, "car": named}), "", f"car_{car}")
        )

    def desk_of(car: FleetCar, loop: LinkLoop) -> Desk:
        wall = PitWall(host="127.0.0.1", port=port, topic=f"pit/{car.folder}")
        return Desk(Publisher(wall, car.sheet.car.name, loop=loop).start(), car.sheet.car.name)

    with a_board() if ways.board else contextlib.nullcontext() as board:
        probes = Probes(len(cars), max(1.0, seconds - _SETTLE_S - 2.0), board, scratch / f"ready-{cars[0]}")
        options = FleetOptions(
            scratch / "recordings",
            scratch / "results",
            overwrite=True,
            journals=scratch / "journals" if ways.publish else None,
            desk_of=desk_of if ways.publish else None,
        )
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


def announced_ms(
    found: dict[str, Any], cars: Sequence[int], sent_s: Floats, told: Floats, samples_per_frame: int
) -> Floats:
    """From publishing to the receipt at the pit wall, of all changes of alarms in the measured time.

    `told` has shape (changes, 3): car, device's sample, time of receipt.
    """
    own = told[np.isin(told[:, 0], cars)]
    car = own[:, 0].astype(int)
    message = ((own[:, 1] - 997 * car) // samples_per_frame).astype(int)
    known = (message >= 0) & (message < sent_s.shape[1])
    published = np.where(known, sent_s[car, np.where(known, message, 0)], np.nan)
    measured = (published >= found["from_s"]) & (published <= found["until_s"])
    delays: Floats = 1000.0 * (own[:, 2] - published)[measured]
    return delays


def hold_back(scratch: Path, processes: int, share: float) -> None:
    """Let the watching processes run for this share of the time only, from the first message to the last."""
    _wait_until(lambda: len(list(scratch.glob("ready-*"))) == processes)
    watching = [int(path.read_text()) for path in scratch.glob("ready-*")]
    try:
        while not (scratch / "over").exists():
            for pid in watching:
                os.kill(pid, signal.SIGSTOP)
            time.sleep(_HELD_BACK_S * (1.0 - share))
            for pid in watching:
                os.kill(pid, signal.SIGCONT)
            time.sleep(_HELD_BACK_S * share)
    finally:
        for pid in watching:
            os.kill(pid, signal.SIGCONT)


def measure(
    cars: int, samples_per_frame: int, seconds: float, processes: int, ways: Ways, share: float = 1.0
) -> list[dict[str, Any]]:
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
            sender = fresh.Process(
                target=send, args=(port, range(cars), samples_per_frame, seconds, processes, Path(scratch))
            )
            sender.start()
            wall = fresh.Process(target=listen, args=(port, Path(scratch)))
            wall.start()
            if share < 1.0:
                threading.Thread(target=hold_back, args=(Path(scratch), processes, share), daemon=True).start()
            with fresh.Pool(processes) as pool:
                jobs = [
                    (port, list(range(cars))[part::processes], seconds, Path(scratch), ways)
                    for part in range(processes)
                ]
                found = pool.starmap(watch_cars, jobs, chunksize=1)
            sender.join()
            wall.join()
            sent_s, told = np.load(Path(scratch) / "sent.npy"), np.load(Path(scratch) / "told.npy")
            for part, one in enumerate(found):
                own = range(cars)[part::processes]
                one["answered"] = _of(delays_ms(one, own, sent_s, samples_per_frame))
                one["announced"] = _of(announced_ms(one, own, sent_s, told, samples_per_frame))
                # By the end of the measured time, how old what was answered last is: what a person sees.
                one["late_s"] = oldest_s(one, own, sent_s, samples_per_frame)
        finally:
            broker.terminate()
            broker.wait()
    return found


def _of(delays: Floats) -> str:
    """The middle, the 99th percentile, the worst."""
    return " | ".join(f"{delay:.0f}" for delay in np.percentile(delays, [50, 99, 100])) if len(delays) else "- | - | -"


def oldest_s(found: dict[str, Any], cars: Sequence[int], sent_s: Floats, samples_per_frame: int) -> float:
    """At the end of the measured time: the age of the newest sample that has been answered, of the worst car."""
    ages = []
    for car, handled in zip(cars, found["handled"], strict=True):
        by_then = handled[handled[:, 1] <= found["until_s"], 0]
        newest = int(by_then[-1]) // samples_per_frame
        ages.append(float(found["until_s"] - sent_s[car, newest]))
    return max(ages)


def _wait_for(port: int) -> None:
    """Wait for the broker."""

    def answers() -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
            return True
        return False

    _wait_until(answers)


def _wait_until(true: Callable[[], bool]) -> None:
    end_s = time.monotonic() + _PATIENCE_S
    while not true():
        if time.monotonic() > end_s:
            raise SystemExit("waited in vain: for the broker, or for the links to open")
        time.sleep(0.05)


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
    parser.add_argument("--board", action="store_true", help="With a board, on a terminal nobody looks at.")
    parser.add_argument("--publish", action="store_true", help="With journals, publishing and a subscriber.")
    parser.add_argument(
        "--share", type=float, default=1.0, help="Of the time that the watch may run: less than it needs drops samples."
    )
    options = parser.parse_args()
    ways = Ways(options.board, options.publish)
    print(f"{os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}; {options.seconds:g} s each; {ways}")
    print(
        "| cars | samples a message | one core, % | a car, % | answered: p50, ms | p99, ms | worst, ms "
        "| announced: p50, ms | p99, ms | worst, ms | dropped messages | lost, % | behind at the end, s | memory, MiB |"
    )
    print("|" + "---|" * 14)
    for samples_per_frame in options.samples_per_frame:
        for cars in options.cars:
            for found in measure(cars, samples_per_frame, options.seconds, options.processes, ways, options.share):
                own = found["cars"]
                sent = own * options.seconds * RATE_HZ
                print(
                    f"| {own:.0f} | {samples_per_frame} | {found['core']:.0f} | {found['core'] / own:.2f} "
                    f"| {found['answered']} | {found['announced']} | {found['dropped']} "
                    f"| {100.0 * max(0.0, 1.0 - found['used'] / sent):.2f} | {found['late_s']:.2f} "
                    f"| {found['memory_mib']:.0f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
