"""Cost of the board on a terminal: `python -m benchmarks.board_frames [LOG]`.

Replays a log in pieces of what pace 20 plays between two frames (10 a second), draws each view at three sizes, and
prints bytes a frame that go to the terminal (only lines that changed are sent) and the time a frame takes.
"""

from __future__ import annotations

import io
import statistics
import sys
import time
from functools import partial
from pathlib import Path

from rich.console import Console

from alerts.monitor import Monitor
from console.alarm_view import take_alarms
from console.board_outlet import link_status
from console.board_page import Picture, page
from console.controls import Controls, Duties, Scene
from console.outlet import Place
from console.paint import BLOCKS
from console.screen import BoardScreen
from console.take_view import take_view
from console.trends import Trends
from ingest.log import open_log
from ingest.sheet import load_sheet

LOGS = Path(__file__).parents[1] / "replay_logs"
SIZES = ((80, 24), (120, 40), (200, 60))
PACE, FRAMES_PER_SECOND = 20.0, 10.0
SKIPPED_S, FRAMES = 200.0, 60


class Counter(io.StringIO):
    """Counts bytes and keeps none."""

    def __init__(self) -> None:
        super().__init__()
        self.bytes = 0

    def write(self, text: str) -> int:
        """Count."""
        self.bytes += len(text.encode())
        return len(text)


def main() -> None:
    """Measure and print a table."""
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else LOGS / "too_low.parquet"
    sheet = load_sheet(LOGS / "car.toml")
    trends, taken = Trends(), []
    screens: dict[tuple[Scene, tuple[int, int]], tuple[BoardScreen, Counter, Controls, list[int], list[float]]] = {}
    for scene in Scene:
        for size in SIZES:
            file = Counter()
            console = Console(file=file, force_terminal=True, width=size[0], height=size[1], color_system="truecolor")
            controls = Controls("bench", Duties(replay=True))
            controls.scene = scene
            screens[scene, size] = (BoardScreen(console, catch_signals=False), file, controls, [], [])
    with open_log(path, sheet) as log:
        monitor = Monitor(sheet, log.rate_hz, log.roles)
        piece, seen, frames = round(PACE / FRAMES_PER_SECOND * log.rate_hz), 0, 0
        for chunk in log:
            for start in range(0, len(chunk), piece):
                part = chunk.part(start, min(len(chunk), start + piece))
                trends.take(monitor.process(part), monitor)
                seen += len(part)
                if seen < SKIPPED_S * log.rate_hz or frames > FRAMES:
                    continue
                frames += 1
                place = Place(path.name, seen / log.rate_hz, log.progress(), PACE, log.rate_hz)
                begun = time.perf_counter()
                view = take_view(monitor, trends, link_status(monitor, place))
                picture = Picture(view, take_alarms(monitor, trends.announced))
                taken.append(time.perf_counter() - begun)
                for screen, file, controls, sizes, times in screens.values():
                    before, begun = file.bytes, time.perf_counter()
                    screen.show_board(partial(page, picture, controls, glyphs=BLOCKS))
                    times.append(time.perf_counter() - begun)
                    sizes.append(file.bytes - before)
    print(
        f"snapshot of the monitor {1000 * statistics.median(taken):.1f} ms; frames {frames}, {PACE:g} s of log a second"
    )
    print(f"{'view':<10}{'size':>9}{'first kB':>10}{'frame kB':>10}{'99 % kB':>9}{'ms':>7}{'core at 10/s':>14}")
    for (scene, size), (_, _, _, sizes, times) in screens.items():
        rest = sorted(sizes[1:])
        took = statistics.median(times)
        print(
            f"{scene.value:<10}{size[0]:>5}x{size[1]:<3}{sizes[0] / 1000:>10.1f}{statistics.median(rest) / 1000:>10.1f}"
            f"{rest[int(0.99 * (len(rest) - 1))] / 1000:>9.1f}{1000 * took:>7.1f}"
            f"{100 * FRAMES_PER_SECOND * (took + statistics.median(taken)):>12.1f} %"
        )


if __name__ == "__main__":
    main()
