"""How long the command takes to start: `python -m benchmarks.start_up`.

Times, in processes of their own, `damperwatch --help` to its end, and a replay of a shipped log on a pseudo-terminal to
the board's first frame, which names car, log and rate and has dashes for values, and to the second, which has the first
samples' values. The first round is dropped: it pays for cold files. Prints median, best and worst, and the processor
time used until then, which other work on the machine changes least.
"""

from __future__ import annotations

import argparse
import math
import os
import pty
import resource
import select
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

_LOGS = Path(__file__).parents[1] / "replay_logs"
_COMMAND = [sys.executable, "-c", "from console.cli import main; main()"]
# What the board puts around each frame (a synchronised update), and so what ends one.
_FRAME_ENDS = b"\x1b[?2026l"
_GIVES_UP_AFTER_S = 60.0


def help_s() -> list[tuple[float, float]]:
    """Time of `--help`, and its processor time."""
    start = time.perf_counter()
    before = _children_s()
    subprocess.run([*_COMMAND, "--help"], check=True, capture_output=True)
    return [(time.perf_counter() - start, _children_s() - before)]


def frames_s() -> list[tuple[float, float]]:
    """Times to the first frame of a replay's board and to the second, and the processor times until then."""
    leader, follower = pty.openpty()
    command = [*_COMMAND, "replay", str(_LOGS / "healthy.parquet"), "--car", str(_LOGS / "car.toml"), "--pace", "1"]
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "120", "LINES": "40"}
    start = time.perf_counter()
    process = subprocess.Popen(command, stdin=follower, stdout=follower, stderr=follower, env=environment)
    os.close(follower)
    found: list[tuple[float, float]] = []
    try:
        seen = b""
        while len(found) < 2:
            ready, _, _ = select.select([leader], [], [], _GIVES_UP_AFTER_S)
            if not ready:
                raise SystemExit("no frame came")
            seen += os.read(leader, 65536)
            while len(found) < min(2, seen.count(_FRAME_ENDS)):
                found.append((time.perf_counter() - start, _used_s(process.pid)))
        return found
    finally:
        process.terminate()
        # What it still writes has to go somewhere, or it could not end.
        while process.poll() is None:
            if select.select([leader], [], [], 0.1)[0]:
                try:
                    os.read(leader, 65536)
                except OSError:
                    break
        process.wait()
        os.close(leader)


def _children_s() -> float:
    """Processor time of all processes that were waited for."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _used_s(process: int) -> float:
    """Processor time of a running process; NaN where the system does not say."""
    try:
        return int(Path(f"/proc/{process}/schedstat").read_text().split()[0]) / 1e9
    except OSError:
        return math.nan


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    cases: list[tuple[Callable[[], list[tuple[float, float]]], list[tuple[str, float]]]] = [
        (help_s, [("--help", 0.3)]),
        (frames_s, [("board's first frame", 0.7), ("board's first values", 1.0)]),
    ]
    for measure, rows in cases:
        measure()
        rounds = [measure() for _ in range(options.rounds)]
        for (name, goal_s), taken in zip(rows, zip(*rounds, strict=True), strict=True):
            wall, used = zip(*taken, strict=True)
            print(
                f"{name:<22} median {statistics.median(wall):.2f} s  best {min(wall):.2f} s  worst {max(wall):.2f} s  "
                f"processor {statistics.median(used):.2f} s  (goal: {goal_s:g})"
            )


if __name__ == "__main__":
    main()
