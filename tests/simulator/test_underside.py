"""Heights, stretches below a limit and driving regimes of the truth, against answers found another way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ingest.sheet import Sheet
from replay_logs.stint import Stint
from replay_logs.truth import truth_of
from replay_logs.underside import REGIMES, heights_of, lowest_held_mm, regimes_of, tripping_samples
from replay_logs.vehicle import geometry


def with_limits(sheet: Sheet, above_mm: float) -> Sheet:
    """The sheet with every limit so much higher."""
    raw: dict[str, Any] = sheet.model_dump(exclude_unset=True)
    for point in raw["platform"].values():
        point["lowest_mm"] += above_mm
    return Sheet.model_validate(raw)


def held_one_by_one(below: list[bool], rolling: list[bool]) -> int:
    """The most samples by which samples below the limit prevailed, counted one by one."""
    most = count = 0
    for is_below, is_rolling in zip(below, rolling, strict=True):
        count = max(0, count + (1 if is_below else -1)) if is_rolling else 0
        most = max(most, count)
    return most


def test_regime_by_the_larger_share_of_its_limit(sheet: Sheet) -> None:
    limits = sheet.regimes
    assert limits.braking_above_m_s2 == limits.cornering_above_m_s2 == 3.0
    a_x = np.array([0.0, 9.0, -3.0, -3.1, -6.0, -6.0, -6.0, -1.0, 5.0, -9.0])
    a_y = np.array([0.0, 0.0, 3.0, 0.0, 5.9, -6.1, 6.0, -4.0, 3.5, -2.0])
    names = [REGIMES[code] for code in regimes_of(sheet, a_x, a_y)]
    assert names[:3] == ["straight"] * 3
    assert names[3:] == ["braking", "braking", "cornering", "braking", "cornering", "cornering", "braking"]
    raw = sheet.model_dump(exclude_unset=True)
    raw["regimes"] = {"braking_above_m_s2": 6.0}
    later = regimes_of(Sheet.model_validate(raw), np.array([-5.9, -8.0, -8.0]), np.array([0.0, 3.9, 4.1]))
    assert [REGIMES[code] for code in later] == ["straight", "braking", "cornering"]


def test_heights_are_those_of_the_rigid_body_above_the_road(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    stint = stints[1]
    rows = slice(60_000, 60_400)
    shape = geometry(sheet)
    body = stint.body[rows]
    road = stint.tyre_squash_mm[rows] + stint.wheel_travel_mm[rows] + body @ shape.lift * 1e3
    corners = np.stack([np.ones(4), shape.x_m, shape.y_m], axis=1)
    plane = np.linalg.lstsq(corners, road.T, rcond=None)[0]
    for name, point in sheet.platform.items():
        x, y = shape.x_m[0] + point.x_mm / 1e3, point.y_mm / 1e3
        body_mm = (body[:, 0] - x * body[:, 1] + y * body[:, 2]) * 1e3
        expected = point.static_height_mm + body_mm - np.array([1.0, x, y]) @ plane
        above_road, rigid = heights_of(sheet, stint)[name]
        np.testing.assert_allclose(above_road[rows], expected, atol=1e-6)
        # Tyres pressed beyond static bring the body down.
        squash = np.linalg.lstsq(corners, stint.tyre_squash_mm[rows].T, rcond=None)[0]
        np.testing.assert_allclose((rigid - above_road)[rows], np.array([1.0, x, y]) @ squash, atol=1e-6)


def test_platform_of_every_lap(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    stint = stints[1]
    truth, heights = truth_of(sheet, stint), heights_of(sheet, stint)
    path = stint.timeline
    below_s = 0.0
    for lap, (number, a, b) in zip(truth["laps"], stint.lap_bounds(), strict=True):
        assert lap["lap"] == number
        for name, known in lap["platform"].items():
            height, rigid = (one[a:b] for one in heights[name])
            at = a + int(np.flatnonzero(height == height.min())[0])
            assert known["min_mm"] == pytest.approx(height.min(), abs=1e-3)
            assert known["min_rigid_tyres_mm"] == pytest.approx(rigid.min(), abs=1e-3)
            assert known["min_lap_distance_m"] == pytest.approx(path.lap_distance_m[at], abs=0.06)
            strongest = max(-path.acceleration_x_m_s2[at], abs(path.acceleration_y_m_s2[at]))
            if strongest < 3.0:
                assert known["min_regime"] == "straight"
            else:
                assert (known["min_regime"] == "braking") == (strongest == -path.acceleration_x_m_s2[at])
            fast = np.sort(height[path.speed_m_s[a:b] >= 8.0])
            assert known["first_percentile_mm"] == pytest.approx(fast[round(0.01 * (fast.size - 1))], abs=0.02)
            by_regime = known["below_limit_by_regime_s"]
            assert list(by_regime) == ["straight", "braking", "cornering"]
            limit = sheet.platform[name].lowest_mm
            assert sum(by_regime.values()) == pytest.approx(np.count_nonzero(height < limit) / 1000.0, abs=1e-9)
            below_s += sum(by_regime.values())
    assert sum(one["duration_s"] for one in truth["below_limit"]) == pytest.approx(below_s)
    assert below_s > 0.5
    assert {one["regime"] for one in truth["below_limit"]} >= {"braking", "cornering"}
    for one in truth["below_limit"]:
        a = round(one["start_s"] * 1000.0)
        height = heights[one["point"]][0][a : a + round(one["duration_s"] * 1000.0)]
        assert height.max() < sheet.platform[one["point"]].lowest_mm
        lowest = a + int(np.argmin(height))
        assert one["lap_distance_m"] == pytest.approx(path.lap_distance_m[lowest], abs=0.06)


def test_what_is_held_is_where_the_alert_begins(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    stint = stints[1]
    _, a, b = stint.lap_bounds()[1]
    rolling = (stint.timeline.speed_m_s[a:b] >= sheet.laps.stopped_below_m_s).tolist()
    for name in ("splitter_left", "floor_rear"):
        height = heights_of(sheet, stint)[name][0]
        held = lowest_held_mm(sheet, stint, height, (a, b))
        assert held > height[a:b].min()
        assert held_one_by_one((height[a:b] < held - 0.01).tolist(), rolling) <= 75
        assert held_one_by_one((height[a:b] < held + 0.01).tolist(), rolling) >= 76
        for limit, trips in ((held - 0.01, False), (held + 0.01, True)):
            inside = [one for one in tripping_samples(sheet, stint, height, limit) if a <= one[0] < b]
            assert bool(inside) is trips


def test_lowered_platforms_are_taken_for_load(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    # 6 mm x 150 N/mm x 0.80 at the front, 4 mm x 142 N/mm x 0.86 at the rear, on tyres of 265 and 285 N/mm.
    front, rear = 6.0 * 150.0 * 0.80 / 265.0, 4.0 * 142.0 * 0.86 / 285.0
    lower = truth_of(sheet, stints[1])["heights_seen_lower_mm"]
    for name, point in sheet.platform.items():
        expected = front + (front - rear) * point.x_mm / sheet.car.wheelbase_mm
        assert lower[name] == pytest.approx(expected, abs=1e-3)
    assert set(truth_of(sheet, stints[0])["heights_seen_lower_mm"].values()) == {0.0}
    # An alert on such heights comes when one on true heights would with limits so much higher.
    alerts = [a for a in truth_of(sheet, stints[1])["expected_alerts"] if a["kind"] == "platform_low"]
    assert len(alerts) > 1
    for alert in alerts:
        raised = truth_of(with_limits(sheet, lower[alert["where"]]), stints[1])["expected_alerts"]
        (same,) = [a for a in raised if (a["kind"], a["where"]) == ("platform_low", alert["where"])]
        assert alert["seen_from_s"] == pytest.approx(same["from_s"], abs=0.002)
        assert alert["seen_from_s"] <= alert["from_s"]


def test_expected_alerts_follow_the_limits(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    plain = stints[0]
    low = {a["where"] for a in truth_of(sheet, plain)["expected_alerts"] if a["kind"] == "platform_low"}
    assert low == set()
    raised = with_limits(sheet, 12.0)
    alerts = [a for a in truth_of(raised, plain)["expected_alerts"] if a["kind"] == "platform_low"]
    assert {a["where"] for a in alerts} == set(sheet.platform)
    for alert in alerts:
        end = round(alert["from_s"] * 1000.0)
        height = heights_of(raised, plain)[alert["where"]][0]
        below = (height[: end + 1] < raised.platform[alert["where"]].lowest_mm).tolist()
        rolling = (plain.timeline.speed_m_s[: end + 1] >= raised.laps.stopped_below_m_s).tolist()
        assert held_one_by_one(below, rolling) == 76
        assert held_one_by_one(below[:-1], rolling[:-1]) == 75
        assert plain.timeline.lap[end] == alert["laps"][0]
