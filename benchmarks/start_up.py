"""How long the command takes to start: `python -m benchmarks.start_up`.

Times, in processes of their own, `damperwatch --help` to its end, and a replay of a shipped log on a pseudo-terminal to
the board's first frame. The first round is dropped: it pays for cold files. Prints median and worst.
"""

from __future__ import annotations

import argparse
import os
import pty
import select
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

_LOGS = Path(__file__).parents[1] / "replay_logs"
_COMMAND = [sys.executable, "-c", "from console.cli import main; main()"]
# A frame of the smallest board is longer than this; what prepares the terminal is shorter.
_FRAME_BYTES = 1000
_GIVES_UP_AFTER_S = 60.0


def help_s() -> float:
    """Time of `--help`."""
    start = time.perf_counter()
    subprocess.run([*_COMMAND, "--help"], check=True, capture_output=True)
    return time.perf_counter() - start


def first_frame_s() -> float:
    """Time to the first frame of a replay's board."""
    leader, follower = pty.openpty()
    command = [*_COMMAND, "replay", str(_LOGS / "healthy.parquet"), "--car", str(_LOGS / "car.toml"), "--pace", "1"]
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "120", "LINES": "40"}
    start = time.perf_counter()
    process = subprocess.Popen(command, stdin=follower, stdout=follower, stderr=follower, env=environment)
    os.close(follower)
    try:
        seen = 0
        while seen < _FRAME_BYTES:
            ready, _, _ = select.select([leader], [], [], _GIVES_UP_AFTER_S)
            if not ready:
                raise SystemExit("no frame came")
            seen += len(os.read(leader, 65536))
        return time.perf_counter() - start
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


def main() -> None:
    """Run the benchmark and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    cases: list[tuple[str, Callable[[], float], float]] = [
        ("--help", help_s, 0.3),
        ("board's first frame", first_frame_s, 1.0),
    ]
    for name, measure, goal_s in cases:
        measure()
        values = [measure() for _ in range(options.rounds)]
        print(f"{name:<22} median {statistics.median(values):.2f} s  worst {max(values):.2f} s  (goal: {goal_s:g})")


if __name__ == "__main__":
    main()
