"""From the arrival of bytes to the chain's answer on a live link: `python -m benchmarks.link_latency`.

Sends a made-up 1 kHz stream in frames of 10 samples over a pseudo-terminal and, where mosquitto is installed, over
MQTT on this machine, into the same `watch` that the command runs, recorder included. For every frame of samples it
takes the time from the arrival of a sample's bytes to the moment the chain has handled that sample (alerts raised and
written), less the velocity filter's own delay; and from arrival to the next frame of a board drawn to a null terminal.
Prints p50, p99 and the worst.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
import tty
from bisect import bisect_left
from collections.abc import Callable
from pathlib import Path

import numpy as np

from alerts.monitor import Monitor, Step
from benchmarks.replay_speed import RATE_HZ, bench_sheet
from console.board_outlet import link_status
from console.outlet import Place
from console.screen import BoardScreen, make_console
from console.take_view import take_view
from console.trends import Trends
from console.watch import MakeLink, WatchOptions, make_link, watch
from ingest.framing import make_encoder
from ingest.inbox import Inbox, Link, Received
from ingest.link_block import SampleBlock
from ingest.log_counts import LogCounts
from ingest.sheet import Sheet
from ingest.sheet_link import DAMPER_ROLES, Broker, LinkLayout, SerialPort

FRAME = 10
ROLES = (*DAMPER_ROLES, "speed", "lap_number")


class Probe:
    """An outlet that notes when each sample has been handled, and draws a board to nowhere."""

    def __init__(self) -> None:
        self.arrived: list[tuple[int, float]] = []
        self.handled: list[tuple[int, float]] = []
        self.drawn: list[tuple[int, float]] = []
        self._trends = Trends()
        self._screen = BoardScreen(make_console(Path(os.devnull).open("w")), catch_signals=False)  # noqa: SIM115

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Nothing to show."""

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Note the newest sample handled; draw when a frame is due."""
        self._trends.take(step)
        now = time.monotonic()
        # The end of the run lets out what it held back: no measure of delay, and neither is a board without news.
        if not step.frames or any(frame.last for frame in step.frames):
            return
        for frame in step.frames:
            if len(frame.block):
                self.handled.append((frame.next_sample - 1, now))
        if self._screen.due() and self.handled:
            self._screen.show(take_view(monitor, self._trends, link_status(monitor, place)))
            self.drawn.append((self.handled[-1][0], time.monotonic()))

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """Nothing to show."""

    def close(self) -> None:
        """Nothing was taken."""

    def tapping(self, maker: MakeLink) -> MakeLink:
        """The same link, with every arrival noted."""

        def make(layout: LinkLayout, tap: Callable[[Received], None], inbox: Inbox) -> Link:
            seen = 0

            def note(received: Received) -> None:
                nonlocal seen
                tap(received)
                # A frame is complete with its delimiter; a message is one frame.
                seen += received.payload.count(0) if layout.serial is not None else 1
                self.arrived.append((seen * FRAME - 1, received.monotonic_ns / 1e9))

            return maker(layout, note, inbox)

        return make

    def delays_s(self, points: list[tuple[int, float]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Time from the arrival of each noted sample to its note."""
        numbers = [number for number, _ in self.arrived]
        places = [(bisect_left(numbers, number), when) for number, when in points]
        return np.array([when - self.arrived[place][1] for place, when in places if place < len(numbers)])


def stream(seconds: float) -> list[bytes]:
    """Frames of a made-up car that now and then goes low and onto its stops."""
    return frames_of(int(seconds * RATE_HZ), FRAME)


def frames_of(count: int, size: int, first: int = 0, later_s: float = 0.0) -> list[bytes]:
    """So many of that car's samples in frames, numbered from `first`; `later_s` makes it another car."""
    at = (first + np.arange(count)) / RATE_HZ + later_s
    travel = np.stack(
        [8 * np.sin(2 * np.pi * (1.5 + 0.1 * c) * at) + 4 * np.sin(2 * np.pi * 11 * at) for c in range(4)]
    )
    travel += np.where(at % 10.0 < 0.6, 22.0, 0.0)
    counts = np.round((travel + 75.0) / 150.0 * 16383)
    values = np.column_stack([counts.T, np.full(count, 50.0), at // 20.0])
    encoder = make_encoder(LinkLayout(serial=SerialPort(port="x")), ROLES, RATE_HZ)
    return [
        encoder.encode(SampleBlock(first + n, 2**32, RATE_HZ, ROLES, values[n : n + size]))
        for n in range(0, count, size)
    ]


def paced(frames: list[bytes], send: Callable[[bytes], object]) -> threading.Thread:
    """Send in real time on absolute deadlines, from a thread."""

    def run() -> None:
        start = time.monotonic()
        for number, frame in enumerate(frames):
            wait = start + number * FRAME / RATE_HZ - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            send(frame)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def with_link(link: LinkLayout) -> Sheet:
    """The benchmark's sheet with a link."""
    return bench_sheet().model_copy(update={"link": link})


def over_serial(seconds: float, scratch: Path) -> Probe:
    """Through a pseudo-terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    sheet = with_link(LinkLayout(serial=SerialPort(port=os.ttyname(slave))))
    return measured(sheet, seconds, scratch, lambda frame: os.write(master, frame))


def over_mqtt(seconds: float, scratch: Path) -> Probe:
    """Through mosquitto on this machine."""
    from ingest.senders import MqttSender

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    config = scratch / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n")
    server = subprocess.Popen(["mosquitto", "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        broker = Broker(host="127.0.0.1", port=port, topic="bench/car")
        sender = MqttSender(broker)
        deadline = time.monotonic() + 10
        while True:
            try:
                sender.open()
                break
            except Exception:
                if time.monotonic() > deadline:
                    raise
        return measured(with_link(LinkLayout(mqtt=broker)), seconds, scratch, sender.send)
    finally:
        server.terminate()


def measured(sheet: Sheet, seconds: float, scratch: Path, send: Callable[[bytes], object]) -> Probe:
    """Run `watch` while the stream is sent."""
    probe, frames = Probe(), stream(seconds)
    # Sending begins when the link is up: it says so by its state, or by the first line here.
    timer = threading.Timer(1.0, lambda: paced(frames, send))
    timer.start()
    options = WatchOptions(scratch / "recordings", scratch / "results", overwrite=True, seconds=seconds + 2.0)
    watch(sheet, probe, options, lambda _: None, probe.tapping(make_link))
    return probe


def report(name: str, probe: Probe, delay_s: float) -> None:
    """One line for the chain and one for the board."""
    handled = 1000 * (probe.delays_s(probe.handled) - delay_s)
    drawn = 1000 * (probe.delays_s(probe.drawn) - delay_s)
    for what, values in (("to the chain's answer", handled), ("to the board's frame", drawn)):
        p50, p99 = np.percentile(values, [50, 99])
        print(f"{name:<8} {what:<22} p50 {p50:6.2f}  p99 {p99:6.2f}  worst {values.max():6.2f} ms  ({len(values)})")
    print(f"{name:<8} beyond the filter's own {1000 * delay_s:.0f} ms")


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    delay_s = Monitor(bench_sheet(), RATE_HZ, ()).pipeline.filter.delay_s
    with tempfile.TemporaryDirectory() as scratch:
        report("serial", over_serial(options.seconds, Path(scratch)), delay_s)
        if shutil.which("mosquitto"):
            report("mqtt", over_mqtt(options.seconds, Path(scratch)), delay_s)
        else:
            print("mqtt     mosquitto is not installed: not measured")


if __name__ == "__main__":
    main()
