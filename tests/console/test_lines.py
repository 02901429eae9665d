"""Plain lines: what a person reads of an alert, a lap and the end, safe on any terminal."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from alerts.alert import Definition, Evidence, Transition
from alerts.lifecycle import State
from alerts.monitor import Monitor
from console.blind_laps import BlindLaps
from console.lines import KIND_NAMES, final_lines, lap_line, log_lines, number, stamp, transition_line
from console.outlet import Place, PlainOutlet
from console.trends import Trends
from console.view import LinkStatus, take_view
from dsp.asymmetry import PLACES, Asymmetry
from dsp.laps import LapVerdict
from ingest.chunk import Chunk
from ingest.log_counts import CellCounts, LogCounts
from tests.eventful import EVENTFUL_RATE, ROLES, eventful_sheet, eventful_stint
from tests.monitored import RATE, chunk, easy_sheet, flat, laps_of, steps

HOSTILE = "a\x1b[2J\nb\r[bold red]\u202ec"
TOLD = Transition(
    sequence=1,
    sample=50,
    time_s=83.456,
    lap="7",
    definition=Definition("platform_low", "nose", "medium", caution="Mind your head."),
    change="occurs",
    state=State.UNACKNOWLEDGED,
    suppressed=False,
    announced=True,
    occurrences=1,
    evidence=Evidence(23.5, 30.0, "mm", 10, "23.5 mm above the road", "ride heights"),
    since_s=83.4,
)


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(0.0, "00:00.00"), (59.994, "00:59.99"), (59.996, "01:00.00"), (3600.0, "60:00.00"), (6000.5, "100:00.50")],
)
def test_stamp(time_s: float, text: str) -> None:
    assert stamp(time_s) == text


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_not_known_is_a_dash(value: float | None) -> None:
    assert number(value) == "-"


def test_an_announcement_says_everything_in_one_line() -> None:
    assert transition_line(TOLD) == (
        "01:23.46  lap 7  ALERT medium  platform low nose: 23.5 mm above the road (limit 30 mm), since 83.40 s. "
        "Check first: ride heights. Caution: Mind your head."
    )


def test_what_is_no_news_is_short() -> None:
    again = transition_line(replace(TOLD, announced=False, occurrences=2))
    assert "occurs again" in again
    assert "Caution" not in again
    assert "ALERT" not in again
    assert "suppressed" in transition_line(replace(TOLD, announced=False, suppressed=True))
    back = transition_line(replace(TOLD, change="returns", state=State.RETURNED, announced=False))
    assert back == "01:23.46  lap 7  returns      platform low nose: now returned to normal, unacknowledged"


def test_a_limit_that_does_not_exist_is_left_out() -> None:
    assert TOLD.evidence is not None
    line = transition_line(replace(TOLD, evidence=replace(TOLD.evidence, limit=math.nan)))
    assert "limit" not in line
    assert "nan" not in line


def test_a_released_alarm_that_is_announced_says_why() -> None:
    """It is told here for the first time: a bare state would leave a person without a reason."""
    line = transition_line(replace(TOLD, change="released"))
    assert "ALERT medium" in line
    assert "23.5 mm above the road" in line
    assert "Check first: ride heights" in line


def test_hostile_strings_do_not_reach_a_terminal() -> None:
    assert TOLD.evidence is not None
    evidence = replace(TOLD.evidence, sentence=HOSTILE, check_first=HOSTILE)
    definition = replace(TOLD.definition, where=HOSTILE)
    for change in ("occurs", "returns"):
        line = transition_line(replace(TOLD, definition=definition, evidence=evidence, lap=HOSTILE, change=change))
        assert not set(line) & set("\x1b\n\r\u202e")


def test_a_lap_in_one_line() -> None:
    lap = laps_of(easy_sheet(), chunk(flat(1000)))[0]
    line = lap_line(lap, 2.0)
    assert line == (
        "00:02.00  lap 0 whole, 2.00 s (the log has no lap number, marker or distance): "
        "velocity RMS mm/s  FL    0  FR    0  RL    0  RR    0; 0 bump-stop contacts"
    )
    assert "(too slow)" in lap_line(replace(lap, verdict=LapVerdict("invalid", "too slow")), 2.0)


def finished(*, samples: int = 1000) -> Monitor:
    monitor = Monitor(easy_sheet(), RATE, ())
    for _ in steps(monitor, [chunk(flat(samples))] if samples else []):
        pass
    return monitor


def test_tables_fit_eighty_columns() -> None:
    monitor = Monitor(eventful_sheet({"car.name": "N" * 80}), EVENTFUL_RATE, ROLES)
    for _ in steps(monitor, eventful_stint(1)):
        pass
    lines = list(final_lines(monitor, BlindLaps(), complete=False))
    tables = lines[: next(n for n, line in enumerate(lines) if line.startswith("alerts:"))]
    assert max(len(line) for line in tables if "laps" not in line) <= 80
    assert "(interrupted)" in lines[1]
    assert lines[-1] == "The program advises; it does not certify that a car is safe to run."
    assert not any("nan" in line for line in lines)


def test_nothing_known_is_dashes() -> None:
    text = "\n".join(final_lines(finished(samples=0), BlindLaps(), complete=True))
    assert "nan" not in text
    assert "inf" not in text
    assert "alerts: none" in text


def test_the_log_speaks_only_of_what_was_wrong() -> None:
    assert list(log_lines(LogCounts())) == []
    counts = LogCounts(missing_samples=40, late_rows=2)
    counts.places["gaps"] = [17]
    counts.cells[HOSTILE] = CellCounts(empty=3, infinite=1)
    lines = list(log_lines(counts))
    assert lines[:2] == ["40 samples missing (first at line 17)", "2 rows dropped: out of order"]
    assert len(lines) == 4
    assert not set("".join(lines)) & set("\x1b\n\r\u202e")


def test_the_outlet_writes_in_order_of_samples() -> None:
    written: list[str] = []
    shares: list[float] = []
    outlet = PlainOutlet(written.append, shares.append)
    monitor = Monitor(eventful_sheet(), EVENTFUL_RATE, ROLES)
    place = Place("log", 0.0, 0.5, None, EVENTFUL_RATE)
    outlet.begin(monitor, place)
    for step in steps(monitor, eventful_stint(1)):
        outlet.step(monitor, step, place)
    outlet.end(monitor, LogCounts(), complete=True)
    events = [line for line in written if line[:1].isdigit()]
    assert events[0].endswith("laps from lap number")
    stamps = [line.split()[0] for line in events]
    assert stamps == sorted(stamps)
    assert all("\n" not in line for line in written)
    assert shares == [0.5] * 6


def test_the_first_line_names_a_reference_and_its_limit() -> None:
    for reference in (None, {place: Asymmetry(0.0, 0.0) for place in PLACES}):
        written: list[str] = []
        monitor = Monitor(easy_sheet({"alerts.asymmetry.trip_percent_from_reference": 6.5}), RATE, (), reference)
        PlainOutlet(written.append).begin(monitor, Place("log", 0.0, 0.0, None, RATE, ("a note",)))
        assert ("less the reference, limit 6.5 %" in written[0]) is (reference is not None)
        assert written[1:] == ["a note"]


def ended(monitor: Monitor, *chunks: Chunk) -> list[str]:
    """The lines at the end of a stream."""
    written: list[str] = []
    outlet = PlainOutlet(written.append)
    for step in steps(monitor, chunks):
        outlet.step(monitor, step, Place("log", 0.0, 0.0, None, RATE))
    written.clear()
    outlet.end(monitor, LogCounts(), complete=True)
    return written


@pytest.mark.parametrize(("slow_share", "told"), [(1.0, "100 %"), (0.6, "60 %"), (0.4, None)])
def test_a_log_that_is_mostly_too_slow_says_so(slow_share: float, told: str | None) -> None:
    sheet = easy_sheet({"log.columns.speed": {"column": "v", "unit": "m/s"}, "statistics.slowest_counted_m_s": 7.5})
    speed = np.where(np.arange(2000) < 2000 * slow_share, 5.0, 30.0)
    lines = ended(Monitor(sheet, RATE, ("speed",)), chunk(flat(2000), speed=speed))
    found = [line for line in lines if "did not count as running" in line]
    assert len(found) == (told is not None)
    if told is not None:
        assert found[0].startswith(told)
        assert "below 7.5 m/s (statistics.slowest_counted_m_s" in found[0]


def test_a_timed_lap_that_is_mostly_unknown_is_told_once_a_corner() -> None:
    travel = flat(5000)
    travel[1100:1800, 1] = math.nan
    travel[3100:3800, 1] = math.nan
    travel[2100:2500, 2] = math.nan  # less than half
    travel[10:990, 3] = math.nan  # an out-lap
    monitor = Monitor(easy_sheet({"log.columns.lap_number": {"column": "lap"}}), RATE, ("lap_number",))
    lines = ended(monitor, chunk(travel, lap_number=np.arange(5000) // 1000 * 1.0))
    found = [line for line in lines if "velocity unknown" in line]
    assert found == ["FR: velocity unknown for more than half of lap 1 and 1 more; its figures are of the rest"]


def test_a_height_that_was_never_known_has_no_time_below_its_limit() -> None:
    travel = flat(1000)
    travel[:, 0] = math.nan
    line = next(line for line in ended(Monitor(easy_sheet(), RATE, ()), chunk(travel)) if line.startswith("nose"))
    assert line.split() == ["nose", "-", "-", "30.0", "-"]
    line = next(line for line in ended(Monitor(easy_sheet(), RATE, ()), chunk(flat(1000))) if line.startswith("nose"))
    assert line.split() == ["nose", "50.0", line.split()[2], "30.0", "0.00"]


def test_kinds_of_alerts_have_one_name_everywhere() -> None:
    monitor = Monitor(easy_sheet({"alerts.link.enabled": True}), RATE, ())
    for alarm in monitor.standings:
        alarm.state = State.UNACKNOWLEDGED
    shown = {alert.kind for alert in take_view(monitor, Trends(), LinkStatus("log", 0.0)).alerts}
    assert shown == set(KIND_NAMES.values())
