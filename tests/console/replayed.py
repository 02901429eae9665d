"""A shipped log replayed up to a moment, as what a terminal would show then."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from alerts.monitor import Monitor
from console.alarm_view import take_alarms
from console.board_outlet import link_status
from console.board_page import Picture
from console.outlet import Place
from console.take_view import take_view
from console.trends import Trends
from ingest.log import open_log
from ingest.sheet import Sheet, load_sheet

LOGS = Path(__file__).parents[2] / "replay_logs"
PIECE = 500  # samples


@cache
def car_sheet() -> Sheet:
    """The shipped car."""
    return load_sheet(LOGS / "car.toml")


@cache
def replayed(name: str, until_s: float) -> Picture:
    """What the log's board shows at a sample time."""
    sheet = car_sheet()
    trends = Trends()
    with open_log(LOGS / name, sheet) as log:
        monitor = Monitor(sheet, log.rate_hz, log.roles)
        seen = 0
        for chunk in log:
            for start in range(0, len(chunk), PIECE):
                part = chunk.part(start, min(len(chunk), start + PIECE))
                trends.take(monitor.process(part), monitor)
                seen += len(part) + part.gap_before
                if seen >= until_s * log.rate_hz:
                    break
            if seen >= until_s * log.rate_hz:
                break
    place = Place(name, seen / log.rate_hz, None, 20.0, log.rate_hz, journal="none", wall="none")
    view = take_view(monitor, trends, link_status(monitor, place))
    return Picture(view, take_alarms(monitor, trends.announced))
