"""Logs and sheets as files, for tests that go in at the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from ingest.chunk import CORNERS, Chunk
from tests.eventful import EVENTFUL_RATE, eventful_sheet, eventful_stint

CAR = """\
[car]
name = "Test mule"
mass_kg = 900.0
front_share = 0.45
wheelbase_mm = 2600.0
track_front_mm = 1600.0
track_rear_mm = 1580.0

[axle.front]
motion_ratio_damper_per_wheel = 0.8
travel_to_full_bump_mm = 45.0
travel_to_full_droop_mm = 40.0
spring = { rate_n_mm = 120.0 }
bump_stop = { gap_mm = 20.0, force = [[0.0, 0.0], [10.0, 2000.0]] }

[axle.rear]
motion_ratio_damper_per_wheel = 0.8
travel_to_full_bump_mm = 45.0
travel_to_full_droop_mm = 40.0
spring = { rate_n_mm = 120.0 }

[corner]
FL.sensor.unit = "mm"
FR.sensor.unit = "mm"
RL.sensor.unit = "mm"
RR.sensor.unit = "mm"

[log]
time = { column = "time", unit = "s" }

[log.columns]
damper_FL = "FL"
damper_FR = "FR"
damper_RL = "RL"
damper_RR = "RR"
lap_number = "lap"

[platform.nose]
x_mm = 0.0
static_height_mm = 50.0
lowest_mm = 30.0

[laps]
shortest_lap_s = 1.0
"""


def sheet_file(folder: Path, text: str = CAR, name: str = "car.toml") -> Path:
    """The small sheet as a file."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def rows(samples: int, rate_hz: float = 500.0, lap: int = 1000) -> list[str]:
    """Lines of a log in which FL touches its stop for a second from 1 s on, names first."""
    number = np.arange(samples)
    wave = 6.0 * np.sin(2.0 * np.pi * 1.5 * number / rate_hz)
    left = wave + 30.0 * np.where((number >= 500) & (number < 1000), np.sin(np.pi * number / 500.0) ** 2, 0.0)
    lines = ["time,FL,FR,RL,RR,lap"]
    lines += [
        f"{n / rate_hz:.4f},{a:.3f},{b:.3f},{b:.3f},{b:.3f},{n // lap}"
        for n, a, b in zip(number.tolist(), left.tolist(), wave.tolist(), strict=True)
    ]
    return lines


def log_file(folder: Path, samples: int = 6000, name: str = "log.csv") -> Path:
    """The log as a CSV file."""
    path = folder / name
    path.write_text("\n".join(rows(samples)) + "\n", encoding="utf-8")
    return path


def eventful_log(folder: Path, seed: int = 1) -> Path:
    """The eventful stint as a CSV file with a time column; numbers are written in full."""
    path = folder / "eventful.csv"
    lines = [",".join(["time", *CORNERS, "speed", "lap", "distance"])]
    for one in eventful_stint(seed):
        lines += _lines(one)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _lines(one: Chunk) -> list[str]:
    side = (one.side["speed"], one.side["lap_number"], one.side["lap_distance"])
    table = np.column_stack([one.sensors, *side])
    return [
        ",".join([f"{(one.first_sample + n) / EVENTFUL_RATE:.3f}", *("" if v != v else repr(v) for v in row)])
        for n, row in enumerate(table.tolist())
    ]


EVENTFUL = eventful_sheet()


def read_lines(path: Path) -> list[dict[str, Any]]:
    """Records of a JSON-lines file, read strictly: every line whole, no NaN."""
    text = path.read_text(encoding="utf-8")
    assert text == "" or text.endswith("\n")
    return [strict(line) for line in text.splitlines()]


def strict(text: str) -> Any:
    """JSON as the standard has it: NaN and Infinity are refused."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} in JSON")

    return json.loads(text, parse_constant=refuse)
