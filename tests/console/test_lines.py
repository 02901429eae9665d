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
from console.take_view import take_view
from console.trends import Trends
from console.view import LinkStatus
from dsp.asymmetry import PLACES, Asymmetry
from dsp.axle_delay import AxleDelay, AxleDelayWatch
from dsp.body import BodyTally
from dsp.downforce import DownforceWatch
from dsp.laps import LapVerdict
from dsp.spectra import CornerSpectrum, TravelSpectra
from dsp.spectral_peaks import Peak, no_peak
from ingest.chunk import Chunk
from ingest.log_counts import CellCounts, LogCounts
from tests.console.board_views import make_downforce
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
    monitor = Monitor(easy_sheet({"alerts.link.enabled": True}), RATE, ("lap_number",))
    for alarm in monitor.standings:
        alarm.state = State.UNACKNOWLEDGED
    shown = {alert.kind for alert in take_view(monitor, Trends(), LinkStatus("log", 0.0)).alerts}
    assert shown == set(KIND_NAMES.values())


def car_block(lines: list[str]) -> list[str]:
    """What stands between the table of the platform and the alerts."""
    start = next(n for n, line in enumerate(lines) if line.startswith("wheel load"))
    stop = next(n for n, line in enumerate(lines) if line.startswith("alerts:"))
    return lines[start : stop - 1]


def test_wheel_loads_and_why_there_is_no_downforce() -> None:
    travel = flat(1000)
    travel[500:, 0] = 5.0
    monitor = Monitor(easy_sheet(), RATE, ())
    lines = car_block(ended(monitor, chunk(travel)))
    static = [f"{load:.0f}" for load in monitor.pipeline.car.loads.static_n]
    assert lines[0] == "wheel load, N     static    mean  lowest highest"
    assert [line.split()[:2] for line in lines[1:5]] == [
        [corner, load] for corner, load in zip(("FL", "FR", "RL", "RR"), static, strict=True)
    ]
    assert lines[4].split()[2:] == [static[3]] * 3
    mean, lowest, highest = map(float, lines[1].split()[2:])
    assert lowest <= float(static[0]) + 1 < mean < highest
    assert lines[5:] == ["", "downforce: none can be told: speed is not logged"]


def test_loads_that_were_never_known_are_dashes() -> None:
    line = car_block(ended(finished(samples=0)))[1]
    assert line.split()[2:] == ["-", "-", "-"]


def test_downforce_with_its_errors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(DownforceWatch, "result", lambda _: make_downforce())
    assert car_block(ended(finished()))[6:] == [
        "downforce C_z A: front 1.05 +-0.03 m2, rear 1.45 +-0.04 m2 (95 %)",
        "aero balance: 42.0 +-1.2 % front",
    ]
    long = make_downforce(reason="steady running " * 12)
    monkeypatch.setattr(DownforceWatch, "result", lambda _: long)
    told = car_block(ended(finished()))[6:]
    assert len(told) == 3
    assert max(map(len, told)) <= 80


def test_top_outs_only_where_there_were_any() -> None:
    sheet = easy_sheet()
    travel = flat(2000)
    travel[500:600, 1] = travel[900:950, 1] = -sheet.suspension("FR").travel_to_full_droop_mm - 2.0
    told = [line for line in ended(Monitor(sheet, RATE, ()), chunk(travel)) if line.startswith("top-outs")]
    assert told == ["top-outs: FR 2 (0.30 s)"]
    assert not any(line.startswith("top-outs") for line in ended(Monitor(sheet, RATE, ()), chunk(flat(2000))))


def test_frequencies_only_where_they_were_found(monkeypatch: pytest.MonkeyPatch) -> None:
    missing = no_peak(2.0, "nothing stands out")
    hop = Peak(12.34, 0.2, 4, 3.0, 12.0, 3.0, "agrees", "")
    nothing = np.empty(0)

    def found(*peaks: Peak) -> tuple[CornerSpectrum, ...]:
        return tuple(CornerSpectrum("FL", 1, nothing, nothing, missing, peak) for peak in peaks)

    monkeypatch.setattr(TravelSpectra, "result", lambda _: found(missing, missing, missing, missing))
    assert not any("frequency" in line for line in ended(finished()))
    monkeypatch.setattr(TravelSpectra, "result", lambda _: found(missing, hop, missing, missing))
    told = [line for line in ended(finished()) if "frequency" in line]
    assert told == ["wheel hop frequency, Hz FL    -  FR 12.3  RL    -  RR    -"]


def delay(side: str, verdict: str, wheelbase_m: float, reason: str = "") -> AxleDelay:
    return AxleDelay(side, wheelbase_m, 0.01, 4, 64, 0.6, 0.2, 2.7, 0.0, verdict, reason)


AGREES = delay("left", "agrees", 2.71)
DIFFERS = tuple(
    delay(side, "differs by -11 %", far, "speed unit, sample rate or wheelbase")
    for side, far in (("left", 2.41), ("right", 2.42))
)


@pytest.mark.parametrize(
    ("delays", "told"),
    [
        ((AGREES, replace(AGREES, side="right")), []),
        ((replace(AGREES, verdict="not seen"), AGREES), []),
        (
            (DIFFERS[0], replace(AGREES, side="right")),
            [
                "front-to-rear delay implies a wheelbase of 2.41 m (left), the sheet says 2.70 m:",
                "  check speed unit, sample rate or wheelbase",
            ],
        ),
        (
            DIFFERS,
            [
                "front-to-rear delay implies a wheelbase of 2.41 m (left), 2.42 m (right), the",
                "  sheet says 2.70 m: check speed unit, sample rate or wheelbase",
            ],
        ),
        (
            (delay("left", "crossed", 2.7, "FL is followed by RR: sensors exchanged"), AGREES),
            ["front-to-rear delay, left: FL is followed by RR: sensors exchanged"],
        ),
    ],
)
def test_the_delay_speaks_only_when_it_disagrees(
    monkeypatch: pytest.MonkeyPatch, delays: tuple[AxleDelay, AxleDelay], told: list[str]
) -> None:
    monkeypatch.setattr(AxleDelayWatch, "result", lambda _: delays)
    assert car_block(ended(finished()))[7:] == told


@pytest.mark.parametrize(("warp_mm", "told"), [(0.5, []), (-1.5, ["6 mm"]), (math.nan, [])])
def test_zeros_speak_only_when_they_disagree(monkeypatch: pytest.MonkeyPatch, warp_mm: float, told: list[str]) -> None:
    monkeypatch.setattr(BodyTally, "straight_warp_mm", property(lambda _: warp_mm))
    found = [line for line in ended(finished()) if line.startswith("zeros")]
    assert found == [f"zeros disagree by about {one} at one wheel: check them on the flat patch" for one in told]
    assert all(len(line) <= 80 for line in found)


def test_a_lap_names_the_point_that_came_nearest_to_its_limit() -> None:
    """The tail stands lower than the nose, but farther from its limit."""
    sheet = easy_sheet({"platform.tail": {"x_mm": -2600.0, "static_height_mm": 40.0, "lowest_mm": 10.0}})
    travel = flat(1000)
    travel[400:500] = 12.0
    platform = Monitor(sheet, RATE, ()).pipeline.platform
    lap = laps_of(sheet, chunk(travel))[0]
    assert lap_line(lap, 2.0, platform) == lap_line(lap, 2.0) + "; lowest nose 38.0 mm"
    heights = lap.share.heights
    heights.lowest_regime[0], heights.lowest_place_m[0] = "braking", 1240.4
    assert lap_line(lap, 2.0, platform).endswith("; lowest nose 38.0 mm, braking at 1240 m")
    blind = laps_of(sheet, chunk(np.full((1000, 4), math.nan)))[0]
    assert lap_line(blind, 2.0, platform) == lap_line(blind, 2.0)


def test_plain_laps_tell_of_the_platform() -> None:
    written: list[str] = []
    monitor = Monitor(easy_sheet(), RATE, ())
    outlet = PlainOutlet(written.append)
    for step in steps(monitor, [chunk(flat(1000))]):
        outlet.step(monitor, step, Place("log", 0.0, 0.0, None, RATE))
    assert [line.split("; ")[-1] for line in written] == ["lowest nose 50.0 mm"]


def test_a_flood_and_chatter_are_told_at_the_end_and_quiet_is_not() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    monitor.process(chunk(flat(100)))
    assert "flood" not in "\n".join(final_lines(monitor, BlindLaps(), complete=True))
    definition = Definition("sensor", "RL", "high")
    for second in range(12):
        told = Transition(
            second, 100, float(second), "1", definition, "occurs", State.UNACKNOWLEDGED, False, True, 1, None
        )  # fmt: skip
        monitor.noise.take([told], 100)
    lines = list(final_lines(monitor, BlindLaps(), complete=True))
    assert any(line.startswith("alerts came in a flood for") and "up to 12 in ten minutes" in line for line in lines)
    assert "sensor RL chattered: three times within a minute, 4 times over" in lines
    assert max(map(len, lines)) <= 80
