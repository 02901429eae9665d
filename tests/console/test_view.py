from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from alerts.alert import Definition, Standing, Transition
from alerts.lifecycle import State
from alerts.monitor import Monitor
from console.board import render
from console.board_alerts import alerts
from console.car_view import DownforceKept, take_car
from console.paint import BLOCKS
from console.take_view import take_view
from console.trends import LAPS_KEPT, Trends
from console.view import LinkStatus
from dsp.asymmetry import Asymmetry
from dsp.downforce import Downforce, DownforceWatch
from dsp.laps import LapVerdict
from dsp.summary import LapSummary, Share
from ingest.chunk import Chunk
from tests.sheets import make_sheet

RATE_HZ = 500.0
STATUS = LinkStatus("log", 10.0, rate_hz=RATE_HZ)
SHEET: dict[str, Any] = {
    "axle.front.bump_stop": {"gap_mm": 20.0, "force": [[0.0, 0.0], [5.0, 1000.0]]},
    "platform": {"nose": {"x_mm": 500.0, "static_height_mm": 80.0, "lowest_mm": 40.0}},
    "alerts.sensor": {"stuck_for_s": 50.0},
}


def make_monitor(seconds: float = 10.0, left: float = 10.0, right: float = 10.0) -> Monitor:
    """A monitor that has seen sines: left corners of amplitude `left` mm, right ones of `right`, at 2 Hz."""
    monitor = Monitor(make_sheet(SHEET), RATE_HZ, ())
    monitor.process(sines(0, seconds, left, right))
    return monitor


def sines(first: int, seconds: float, left: float = 10.0, right: float = 10.0) -> Chunk:
    n = np.arange(first, first + round(seconds * RATE_HZ))
    wave = np.sin(2 * np.pi * 2.0 * n / RATE_HZ)
    return Chunk(first, RATE_HZ, np.asfortranarray(np.column_stack([left * wave, right * wave] * 2)))


def lap_of(number: int, kind: str = "timed", left: float = 50.5, right: float = 50.5) -> LapSummary:
    share = Share.empty(1)
    velocity = np.array([[left, right, left, right], [-left, -right, -left, -right]])
    share.tally.add(np.zeros((2, 4)), velocity)
    return LapSummary(number, str(number), LapVerdict(kind), 0, 500, 1.0, math.nan, 0, share)


def test_before_the_first_sample_everything_is_unknown() -> None:
    view = take_view(Monitor(make_sheet(SHEET), RATE_HZ, ()), Trends(), STATUS)
    assert all(math.isnan(corner.travel_mm) for corner in view.corners)
    assert math.isnan(view.points[0].height_mm)
    assert all(math.isnan(percent) for percent in view.asymmetry.percent.values())
    assert view.lap_name == ""
    assert view.alerts == ()


def test_present_position_is_the_newest_one_of_the_frames() -> None:
    monitor = make_monitor()
    view = take_view(monitor, Trends(), STATUS)
    latest = monitor.latest
    assert latest is not None
    newest = latest.next_sample - 1
    assert view.corners[0].travel_mm == pytest.approx(10.0 * math.sin(2 * math.pi * 2.0 * newest / RATE_HZ), abs=0.3)
    # 10 mm at the damper is 12.5 mm at the wheel with a motion ratio of 0.8, and all four wheels move alike.
    assert view.points[0].height_mm == pytest.approx(80.0 - view.corners[0].travel_mm / 0.8)
    assert view.corners[0].lap_highest_mm == pytest.approx(10.0, abs=0.3)
    assert view.corners[0].lap_lowest_mm == pytest.approx(-10.0, abs=0.3)


def test_an_empty_frame_leaves_the_position_known() -> None:
    monitor = make_monitor()
    before = take_view(monitor, Trends(), STATUS).corners[0].travel_mm
    monitor.process(Chunk(round(10.0 * RATE_HZ), RATE_HZ, np.empty((0, 4))))
    assert take_view(monitor, Trends(), STATUS).corners[0].travel_mm == before
    assert not math.isnan(before)


@pytest.mark.parametrize(("age_s", "known"), [(None, True), (0.1, True), (2.5, False), (math.nan, False)])
def test_a_silent_link_takes_the_numbers_of_now_away(age_s: float | None, known: bool) -> None:
    view = take_view(make_monitor(), Trends(), replace(STATUS, sample_age_s=age_s))
    assert math.isnan(view.corners[0].travel_mm) is not known
    assert math.isnan(view.points[0].height_mm) is not known
    # What was counted stays true.
    assert view.corners[0].rms_mm_s == pytest.approx(10.0 * 2 * math.pi * 2.0 / math.sqrt(2), rel=0.02)


def test_a_contact_going_on_counts() -> None:
    monitor = make_monitor(left=30.0, right=15.0)
    view = take_view(monitor, Trends(), STATUS)
    ended = monitor.pipeline.counting.lap.stops[0].count
    first = view.corners[0].lap_stops
    going_on = len([c for c in monitor.pipeline.stops.open_contacts if c.corner == 0])
    assert first.count == ended + going_on >= 19
    # Above 20 of 30 mm a sine spends (pi - 2 asin(2/3)) / 2 pi of its time.
    assert first.time_s == pytest.approx(10.0 * (math.pi - 2 * math.asin(2 / 3)) / (2 * math.pi), rel=0.03)
    assert view.corners[1].lap_stops.count == 0
    assert math.isinf(view.corners[2].stop_gap_mm)


def test_open_contact_alone_is_one_contact() -> None:
    monitor = Monitor(make_sheet(SHEET), RATE_HZ, ())
    monitor.process(Chunk(0, RATE_HZ, np.full((500, 4), 25.0)))
    stops = take_view(monitor, Trends(), STATUS).corners[0].stint_stops
    assert stops.count == 1
    assert stops.time_s == pytest.approx(1.0, abs=0.1)


def test_a_view_does_not_change_when_the_run_goes_on() -> None:
    monitor = make_monitor(seconds=2.0)
    view = take_view(monitor, Trends(), STATUS)
    before = [line.plain for line in render(view, 120, 40).lines]
    monitor.process(sines(1000, 5.0, 25.0))
    assert [line.plain for line in render(view, 120, 40).lines] == before
    assert [line.plain for line in render(take_view(monitor, Trends(), STATUS), 120, 40).lines] != before


def test_asymmetry_is_of_the_stint_until_a_lap_can_be_compared() -> None:
    monitor, trends = make_monitor(left=12.0, right=10.0), Trends()
    view = take_view(monitor, trends, STATUS)
    assert view.asymmetry.basis == "stint"
    assert view.asymmetry.percent["front rebound"] == pytest.approx(0.0, abs=1.0)
    assert not view.asymmetry.judged
    trends.add(lap_of(0, kind="out", left=80.5), monitor)
    assert take_view(monitor, trends, STATUS).asymmetry.basis == "stint"
    trends.add(lap_of(1, left=60.5), monitor)
    trends.add(lap_of(2, kind="invalid", left=80.5), monitor)
    view = take_view(monitor, trends, STATUS)
    assert view.asymmetry.basis == "lap 1"
    # Both axles have it alike, so it is the circuit's.
    assert view.asymmetry.percent["rear compression"] == pytest.approx(0.0, abs=1e-9)
    assert trends.laps[1].percent["rear compression"] == pytest.approx(100.0 * math.log(60.5 / 50.5))
    assert view.asymmetry.limit_percent == 12.0


def test_a_reference_is_taken_off() -> None:
    trends = Trends()
    places = ("front compression", "front rebound", "rear compression", "rear rebound")
    reference = {place: Asymmetry(0.1, 0.0) for place in places}
    monitor = Monitor(make_sheet(SHEET), RATE_HZ, (), reference)
    monitor.process(sines(0, 10.0))
    trends.add(lap_of(1, left=60.5), monitor)
    view = take_view(monitor, trends, STATUS)
    assert view.asymmetry.percent["front rebound"] == pytest.approx(100.0 * math.log(60.5 / 50.5) - 10.0)
    assert view.asymmetry.limit_percent == 8.0
    assert view.asymmetry.beyond_reference
    # The laps' own marks are held against the same limit.
    assert view.laps[0].sides is not None
    assert view.laps[0].sides.percent == view.asymmetry.percent
    assert trends.laps[0].percent["front rebound"] == pytest.approx(100.0 * math.log(60.5 / 50.5))


def test_laps_kept_are_bounded_and_the_newest() -> None:
    trends = Trends()
    for number in range(LAPS_KEPT + 5):
        trends.add(lap_of(number))
    assert len(trends.laps) == LAPS_KEPT
    assert trends.laps[-1].name == str(LAPS_KEPT + 4)
    assert trends.laps[0].rms_mm_s == pytest.approx((50.5,) * 4)


def standing(monitor: Monitor, kind: str, where: str) -> Standing:
    return next(s for s in monitor.standings if (s.definition.kind, s.definition.where) == (kind, where))


def test_alerts_are_sorted_by_priority_then_acknowledgement() -> None:
    monitor = make_monitor()
    standing(monitor, "sensor", "FL").state = State.ACKNOWLEDGED
    standing(monitor, "asymmetry", "rear rebound").state = State.UNACKNOWLEDGED
    standing(monitor, "bump_stop", "RL").state = State.RETURNED
    standing(monitor, "platform_low", "nose").state = State.LATCHED_ACKNOWLEDGED
    view = take_view(monitor, Trends(), STATUS)
    assert [(a.kind, a.where) for a in view.alerts] == [
        ("sensor", "FL"),
        ("bump stop", "RL"),
        ("platform low", "nose"),
        ("left/right", "rear rebound"),
    ]
    assert [a.unacknowledged for a in view.alerts] == [False, True, False, True]
    assert [a.held for a in view.alerts] == [False, True, True, False]
    # An alarm back to normal sends nobody under the car.
    assert not view.alerts[1].caution
    assert view.alerts[3].caution


def test_alerts_of_one_priority_stay_in_their_places_when_they_come_again() -> None:
    """Two points that dip in turn: the one announced later stands first, and stays there."""
    points = {
        name: {"x_mm": x, "static_height_mm": 80.0, "lowest_mm": 40.0} for name, x in (("a", 0.0), ("b", -2600.0))
    }
    monitor, trends = Monitor(make_sheet(SHEET | {"platform": points}), RATE_HZ, ()), Trends()
    first = 0
    orders = []
    for dips in ((0, 1), (2, 3), (0, 1), (2, 3), (0, 1)):
        # No corner of a car that moves stands still to the last bit.
        travel = np.asfortranarray(np.random.default_rng(first).normal(0.0, 0.01, (2000, 4)))
        travel[500:1000, dips] += 33.0 * np.sin(np.linspace(0.0, math.pi, 500))[:, np.newaxis] ** 2
        trends.take(monitor.process(Chunk(first, RATE_HZ, travel)))
        first += 2000
        orders.append([a.where for a in take_view(monitor, trends, STATUS).alerts if a.kind == "platform low"])
    assert orders == [["a"], *[["b", "a"]] * 4]


def test_an_announcement_is_forgotten_when_the_alert_is_back_to_normal_and_renewed_when_it_is_news_again() -> None:
    trends = Trends()
    told = Transition(7, 0, 0.0, "", Definition("k", "w", "low"), "occurs", State.UNACKNOWLEDGED, False, True, 1, None)
    for transition, expected in (
        (told, 7),
        (replace(told, sequence=8, change="returns", state=State.RETURNED, announced=False), 7),
        (replace(told, sequence=9, announced=False), 7),
        (replace(told, sequence=10, change="released"), 7),
        (replace(told, sequence=11, change="acknowledge", state=State.ACKNOWLEDGED, announced=False), 7),
        (replace(told, sequence=13), 13),
        (replace(told, sequence=14, change="acknowledge", state=State.NORMAL, announced=False), None),
        (replace(told, sequence=15, change="released"), 15),
    ):
        trends.hear(transition)
        assert trends.announced.get(("k", "w")) == expected


def test_a_height_that_was_never_known_was_not_0_s_below_its_limit() -> None:
    monitor = Monitor(make_sheet(SHEET), RATE_HZ, ())
    sensors = sines(0, 10.0).sensors
    sensors[:, 0] = math.nan
    monitor.process(Chunk(0, RATE_HZ, sensors))
    point = take_view(monitor, Trends(), STATUS).points[0]
    assert math.isnan(point.lap_below_s)
    assert math.isnan(point.stint_below_s)
    assert take_view(make_monitor(), Trends(), STATUS).points[0].lap_below_s == 0.0


def test_suppressed_alerts_do_not_speak() -> None:
    monitor = make_monitor()
    quiet = standing(monitor, "bump_stop", "FR")
    quiet.state, quiet.suppressed = State.UNACKNOWLEDGED, True
    standing(monitor, "bump_stop", "FL").suppressed = True
    view = take_view(monitor, Trends(), STATUS)
    assert view.alerts == ()
    assert view.suppressed == ("bump stop FR",)


def test_what_a_person_put_aside_is_listed_and_does_not_speak() -> None:
    monitor = make_monitor()
    monitor.act(("bump_stop", "FR"), "shelve", "Kim", shelve_s=60.0)
    monitor.act(("sensor", "RL"), "out_of_service", "Ada")
    standing(monitor, "bump_stop", "FR").state = State.UNACKNOWLEDGED
    view = take_view(monitor, Trends(), STATUS)
    assert view.alerts == ()
    assert view.put_aside == ("sensor RL (out of service, Ada)", "bump stop FR (shelved, Kim)")
    shown = [line.plain for line in alerts(view, 60, 12, BLOCKS)]
    assert any(line.startswith("put aside: sensor RL (out of service, Ada)") for line in shown)


RIDE_HEIGHTS = {"car.ride_height_front_mm": 80.0, "car.ride_height_rear_mm": 100.0}
TYRES = {"axle.front.tyre_rate_n_mm": 250.0, "axle.rear.tyre_rate_n_mm": 250.0}


def still(travel_mm: tuple[float, float, float, float], changes: dict[str, Any] | None = None) -> Monitor:
    """A monitor whose car has stood for two seconds at these damper travels."""
    monitor = Monitor(make_sheet(SHEET | (changes or {})), RATE_HZ, ())
    monitor.process(Chunk(0, RATE_HZ, np.asfortranarray(np.tile(travel_mm, (1000, 1)))))
    return monitor


def test_loads_at_static_are_the_static_ones() -> None:
    view = take_view(still((0.0,) * 4), Trends(), STATUS).car_now
    sheet = make_sheet(SHEET)
    assert view.static_n == pytest.approx([sheet.static_load_n(corner) for corner in ("FL", "FR", "RL", "RR")])
    assert view.load_n == pytest.approx(view.static_n, rel=1e-6)
    assert view.front_share == pytest.approx(sheet.car.front_share)


def test_a_compressed_corner_carries_more_and_the_front_its_share() -> None:
    view = take_view(still((5.0, 0.0, 0.0, 0.0)), Trends(), STATUS).car_now
    assert view.load_n[0] > view.static_n[0] + 100.0
    assert view.load_n[3] == pytest.approx(view.static_n[3])
    assert view.front_share == pytest.approx(sum(view.load_n[:2]) / sum(view.load_n))
    assert view.front_share > make_sheet(SHEET).car.front_share


def test_rake_is_the_static_one_and_pitch() -> None:
    """8 mm at the front dampers is 10 mm at the wheels (ratio 0.8): the nose is down by as much."""
    wheelbase_mm = make_sheet(SHEET).car.wheelbase_mm
    view = take_view(still((8.0, 8.0, 0.0, 0.0), RIDE_HEIGHTS), Trends(), STATUS).car_now
    assert view.rake_mm == pytest.approx(20.0 + 10.0, abs=0.05)
    assert view.rake_deg == pytest.approx(math.degrees(math.atan(view.rake_mm / wheelbase_mm)))
    unknown = take_view(still((8.0, 8.0, 0.0, 0.0)), Trends(), STATUS).car_now
    assert math.isnan(unknown.rake_deg)
    assert math.isnan(unknown.rake_mm)


def test_tyres_count_when_all_four_rates_are_known() -> None:
    assert take_view(still((0.0,) * 4, TYRES), Trends(), STATUS).car_now.with_tyres
    front_only = {"axle.front.tyre_rate_n_mm": 250.0}
    assert not take_view(still((0.0,) * 4, front_only), Trends(), STATUS).car_now.with_tyres


def test_a_silent_link_takes_loads_rake_and_closing_away() -> None:
    monitor = still((0.0,) * 4, RIDE_HEIGHTS)
    silent = take_view(monitor, Trends(), replace(STATUS, sample_age_s=5.0))
    assert all(math.isnan(load) for load in silent.car_now.load_n)
    assert math.isnan(silent.car_now.front_share)
    assert math.isnan(silent.car_now.rake_deg)
    assert not any(math.isnan(load) for load in silent.car_now.static_n)
    monitor.pipeline.counting.closing.newest_s[0] = 0.3
    assert take_view(monitor, Trends(), STATUS).points[0].to_limit_s == 0.3
    assert math.isnan(take_view(monitor, Trends(), replace(STATUS, sample_age_s=5.0)).points[0].to_limit_s)


def test_before_the_first_sample_the_car_is_unknown() -> None:
    view = take_view(Monitor(make_sheet(SHEET | RIDE_HEIGHTS), RATE_HZ, ()), Trends(), STATUS).car_now
    assert all(math.isnan(load) for load in view.load_n)
    assert math.isnan(view.rake_deg)
    assert view.downforce is None


def test_a_point_knows_where_it_was_lowest() -> None:
    roles = ("speed", "acceleration_longitudinal", "acceleration_lateral")
    columns = {f"log.columns.{role}": {"column": role, "unit": "m/s" if role == "speed" else "m/s2"} for role in roles}
    monitor = Monitor(make_sheet(SHEET | columns), RATE_HZ, roles)
    travel = np.zeros((2000, 4), order="F")
    travel[1000:1100] = 12.0
    side = {"speed": np.full(2000, 50.0), "acceleration_longitudinal": np.full(2000, -9.0)}
    monitor.process(Chunk(0, RATE_HZ, travel, side | {"acceleration_lateral": np.zeros(2000)}))
    point = take_view(monitor, Trends(), STATUS).points[0]
    assert point.stint_lowest_mm == pytest.approx(65.0)
    assert point.stint_regime == "braking"


def test_top_outs_and_the_share_of_the_stops_are_the_stints() -> None:
    monitor = make_monitor(left=30.0, right=15.0)
    view = take_view(monitor, Trends(), STATUS)
    total = monitor.pipeline.so_far()
    assert [corner.stop_peak_share for corner in view.corners[:2]] == pytest.approx(
        [float(share) for share in total.loads.stop_peak_share[:2]], nan_ok=True
    )
    assert view.corners[0].stop_peak_share > 0.05
    assert math.isnan(view.corners[1].stop_peak_share)
    deep = Monitor(make_sheet(SHEET), RATE_HZ, ())
    droop_mm = make_sheet(SHEET).suspension("FL").travel_to_full_droop_mm
    deep.process(sines(0, 10.0, droop_mm + 3.0, 5.0))
    counts = [corner.top_outs for corner in take_view(deep, Trends(), STATUS).corners]
    going_on = len([contact for contact in deep.pipeline.droops.open_contacts if contact.corner == 0])
    assert counts[0] == deep.pipeline.counting.lap.top_outs[0].count + going_on >= 19
    assert counts[1] == 0


def test_downforce_is_worked_out_anew_only_every_20_s_or_with_another_lap(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = 0
    result = DownforceWatch.result

    def counted(watch: DownforceWatch) -> Downforce:
        nonlocal asked
        asked += 1
        return result(watch)

    monkeypatch.setattr(DownforceWatch, "result", counted)
    monitor, trends = Monitor(make_sheet(SHEET), RATE_HZ, ()), Trends()
    first, asked_at = 0, []
    for _ in range(50):  # of a second each, two frames in each
        monitor.process(sines(first, 1.0))
        first += round(RATE_HZ)
        views = [take_view(monitor, trends, STATUS) for _ in range(2)]
        assert views[0].car_now.downforce is views[1].car_now.downforce is not None
        asked_at.append(asked)
    # In the first second, and 20 and 40 s later.
    assert [asked_at.index(count) for count in (1, 2, 3)] == [0, 20, 40]
    assert asked == 3


def test_downforce_is_worked_out_anew_when_a_lap_has_ended_and_for_another_run() -> None:
    sheet = make_sheet(SHEET | {"log.columns.lap_number": {"column": "lap"}})
    monitor = Monitor(sheet, RATE_HZ, ("lap_number",))
    kept, found = DownforceKept(), []
    for first, lap in enumerate((0, 0, 1, 1)):
        part = sines(first * round(RATE_HZ), 1.0)
        monitor.process(replace(part, side={"lap_number": np.full(len(part), float(lap))}))
        found.append(take_car(monitor.pipeline, kept, stale=False).downforce)
    assert found[0] is found[1]
    assert found[1] is not found[2]
    assert found[2] is found[3]
    one, other = make_monitor(seconds=2.0).pipeline, make_monitor(seconds=2.0).pipeline
    assert kept.of(one) is not kept.of(other)
