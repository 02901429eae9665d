"""What the chain finds on every shipped log, against what truly happened in the simulation.

Tolerances are those of a 12-bit sensor (0.03 mm a count, 0.8 count of noise) read 500 or 1000 times a second.
"""

from __future__ import annotations

import functools
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alerts.alert import Evidence, Transition
from alerts.monitor import Monitor
from dsp.damper_work import dampers_work
from dsp.frame import REGIMES
from dsp.stops import Contact
from dsp.summary import LapSummary
from ingest.chunk import CORNERS
from ingest.log import open_log
from ingest.sheet import Sheet, load_sheet

FOLDER = Path(__file__).parents[1] / "replay_logs"
NAMES = sorted(path.name.split(".")[0] for path in FOLDER.glob("*.truth.json"))

SHARES = {
    "rebound_high": "high_speed_rebound",
    "rebound_low": "low_speed_rebound",
    "compression_low": "low_speed_compression",
    "compression_high": "high_speed_compression",
}


@dataclass
class Found:
    """Everything the chain found on one log, and the truth about it."""

    truth: dict[str, Any]
    monitor: Monitor
    contacts: list[Contact] = field(default_factory=list)
    laps: list[LapSummary] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)

    @property
    def row_rate_hz(self) -> float:
        return self.monitor.pipeline.car.row_rate_hz

    @property
    def rate_hz(self) -> float:
        return self.monitor.pipeline.rate_hz

    def starts_s(self, corner: str) -> list[float]:
        return [one.start_sample / self.rate_hz for one in self.contacts if CORNERS[one.corner] == corner]


@functools.cache
def sheet() -> Sheet:
    return load_sheet(FOLDER / "car.toml")


@functools.cache
def found(name: str) -> Found:
    """One replay a log for the whole module."""
    truth = json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    with open_log(FOLDER / f"{name}.parquet", sheet()) as log:
        result = Found(truth, Monitor(sheet(), log.rate_hz, log.roles))
        for one in [*log, None]:
            step = result.monitor.finish() if one is None else result.monitor.process(one)
            result.contacts += [contact for frame in step.frames for contact in frame.contacts]
            result.laps += step.laps
            result.transitions += step.transitions
    return result


def hidden(truth: dict[str, Any], start: int, end: int, corner: str | None = None) -> bool:
    """Whether a sensor fault hides samples start to end of a corner (or of any): single empty cells do not."""
    return any(
        fault["start_sample"] < end
        and fault["end_sample"] > start
        and fault["kind"] != "null_cells"
        and (corner is None or fault["corner"] in {corner, ""})
        for fault in truth["sensor_faults"]
    )


def lap_pairs(name: str) -> list[tuple[LapSummary, dict[str, Any]]]:
    return list(zip(found(name).laps, found(name).truth["laps"], strict=True))


def test_there_are_logs() -> None:
    assert len(NAMES) >= 5
    assert {path.stem for path in FOLDER.glob("*.parquet")} == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_sample_is_accounted_for(name: str) -> None:
    log = found(name)
    total = log.monitor.pipeline.so_far()
    assert total.received == log.truth["rows"]
    assert log.monitor.pipeline.lost_samples == log.truth["samples"] - log.truth["rows"]
    assert log.rate_hz == log.truth["log_rate_hz"]
    assert log.monitor.engine.first_sample == 0


@pytest.mark.parametrize("name", NAMES)
def test_laps(name: str) -> None:
    for lap, truth in lap_pairs(name):
        assert lap.name == str(truth["lap"])
        assert (lap.first_sample, lap.end_sample) == (truth["start_sample"], truth["end_sample"])
        assert lap.duration_s == pytest.approx(truth["duration_s"], abs=0.002)
        gone = lap.missing_samples / found(name).rate_hz > sheet().laps.longest_gap_s
        assert lap.verdict.kind == ("invalid" if gone else truth["kind"])


# ---------------------------------------------------------------- bump stops


@pytest.mark.parametrize("name", NAMES)
def test_contacts_of_every_corner_and_lap(name: str) -> None:
    """A contact shallower than the noise may be found or not, and one may be two: hence a seventh, or one."""
    for lap, truth in lap_pairs(name):
        for number, corner in enumerate(CORNERS):
            if hidden(found(name).truth, lap.first_sample, lap.end_sample, corner):
                continue
            stop, known = lap.share.stops[number], truth["bump_stop"][corner]
            assert abs(stop.count - known["contacts"]) <= max(1, known["contacts"] / 7), (lap.name, corner)
            time_s = stop.samples / found(name).rate_hz
            assert time_s == pytest.approx(known["total_s"], abs=0.02, rel=0.03), (lap.name, corner)
            if known["contacts"] and known["peak_travel_mm"] > 29.5:
                assert stop.peak_travel_mm == pytest.approx(known["peak_travel_mm"], abs=0.15)
                assert stop.peak_force_n == pytest.approx(known["peak_force_n"], rel=0.1)


@pytest.mark.parametrize("name", NAMES)
def test_contacts_begin_when_they_did(name: str) -> None:
    log = found(name)
    total, early_or_late = 0, 0
    for known in log.truth["bump_stop_contacts"]:
        end = known["start_sample"] + round(known["duration_s"] * log.rate_hz)
        if hidden(log.truth, known["start_sample"], end, known["corner"]):
            continue
        total += 1
        starts = log.starts_s(known["corner"])
        early_or_late += not starts or min(abs(start - known["start_s"]) for start in starts) > 0.005
    assert total > 0
    assert early_or_late <= max(1, 0.02 * total)


@pytest.mark.parametrize("name", NAMES)
def test_no_contact_is_invented(name: str) -> None:
    """Every contact found overlaps a true one, but for brief touches within the noise of the gap."""
    log = found(name)
    margin = round(0.01 * log.rate_hz)
    for contact in log.contacts:
        corner = CORNERS[contact.corner]
        spans = [
            (known["start_sample"] - margin, known["start_sample"] + known["duration_s"] * log.rate_hz + margin)
            for known in log.truth["bump_stop_contacts"]
            if known["corner"] == corner
        ]
        near = any(begin < contact.end_sample and contact.start_sample < end for begin, end in spans)
        assert near or contact.peak_travel_mm < log.monitor.pipeline.stops.gap_mm[contact.corner] + 0.15


@pytest.mark.parametrize("name", NAMES)
def test_peaks_of_contacts(name: str) -> None:
    log = found(name)
    compared = 0
    for known in log.truth["bump_stop_contacts"]:
        for contact in log.contacts:
            same = (
                CORNERS[contact.corner] == known["corner"]
                and abs(contact.start_sample / log.rate_hz - known["start_s"]) <= 0.005
                and abs(contact.samples / log.rate_hz - known["duration_s"]) <= 0.01
            )
            if not same:
                continue
            compared += 1
            assert contact.peak_travel_mm == pytest.approx(known["peak_travel_mm"], abs=0.15)
            # 0.15 mm of quantisation and noise on the first slope, 60 N/mm, are 9 N.
            assert contact.peak_force_n == pytest.approx(known["peak_force_n"], abs=9.0 + 0.1 * known["peak_force_n"])
    assert compared >= 0.75 * len(log.truth["bump_stop_contacts"])


# ---------------------------------------------------------------- platform


@pytest.mark.parametrize("name", NAMES)
def test_lowest_heights_and_time_below_the_limit(name: str) -> None:
    """Above the road, tyres included. A car set lower without new zeros seems heavier by what its springs lost."""
    errors = []
    for lap, truth in lap_pairs(name):
        clear = not hidden(found(name).truth, lap.first_sample, lap.end_sample)
        for number, point in enumerate(found(name).monitor.pipeline.platform.names):
            known, heights = truth["platform"][point], lap.share.heights
            bias = found(name).truth["heights_seen_lower_mm"][point]
            error = float(heights.lowest_mm[number]) + bias - known["min_mm"]
            below_s = int(heights.below[number]) / found(name).row_rate_hz
            if clear:
                assert abs(error) < 2.0, (lap.name, point)
                errors.append(error)
                if bias == 0.0:
                    assert below_s == pytest.approx(known["below_limit_s"], abs=0.04, rel=0.05)
                    by_regime = dict(zip(REGIMES, heights.below_by_regime[number].tolist(), strict=True))
                    for regime, time_s in known["below_limit_by_regime_s"].items():
                        assert by_regime[regime] / found(name).row_rate_hz == pytest.approx(time_s, abs=0.04)
                percentile = heights.height_quantile(number, 0.01) + bias
                assert percentile == pytest.approx(known["first_percentile_mm"], abs=1.0)
            else:
                # What a broken sensor hid can't be known, but nothing lower may be made up.
                assert not error < -2.0, (lap.name, point)
                if bias == 0.0:
                    assert below_s <= known["below_limit_s"] + 0.04
    assert abs(float(np.mean(errors))) < 0.4
    assert float(np.sqrt(np.mean(np.square(errors)))) < 1.0


@pytest.mark.parametrize("name", [name for name in NAMES if name != "sensor_faults"])
def test_where_on_the_lap_the_lowest_height_was(name: str) -> None:
    """Where it was clearly the lowest: two places nearly alike may change places."""
    same, total = 0, 0
    for lap, truth in lap_pairs(name):
        for number, point in enumerate(found(name).monitor.pipeline.platform.names):
            known, heights = truth["platform"][point], lap.share.heights
            near = abs(float(heights.lowest_place_m[number]) - known["min_lap_distance_m"]) < 5.0
            total += 1
            same += near and heights.lowest_regime[number] == known["min_regime"]
    assert same >= 0.8 * total


# ---------------------------------------------------------------- the car


@pytest.mark.parametrize("name", [name for name in NAMES if name != "too_low"])
def test_wheel_loads_of_every_lap(name: str) -> None:
    for lap, truth in lap_pairs(name):
        if hidden(found(name).truth, lap.first_sample, lap.end_sample):
            continue
        for number, corner in enumerate(CORNERS):
            known, loads = truth["wheel_load"][corner], lap.share.loads
            # A damper that has lost force, or a mis-set adjuster, is not what the sheet's curve says.
            sound = all(fault["corner"] != corner for fault in found(name).truth["damper_faults"])
            assert loads.mean_n(number) == pytest.approx(known["mean_n"], rel=0.01 if sound else 0.03), (
                lap.name,
                corner,
            )
            error = loads.load_quantile(number, 0.99) - known["ninety_ninth_percentile_n"]
            assert abs(error) < 0.03 * known["ninety_ninth_percentile_n"], (lap.name, corner)


@pytest.mark.parametrize("name", NAMES)
def test_damper_energy_of_every_lap(name: str) -> None:
    for lap, truth in lap_pairs(name):
        work = dampers_work(sheet(), lap.share.tally, found(name).rate_hz)
        for number, corner in enumerate(CORNERS):
            faulty = any(fault["corner"] == corner for fault in found(name).truth["damper_faults"])
            if faulty or hidden(found(name).truth, lap.first_sample, lap.end_sample, corner):
                continue  # a damper that has faded does not do the work of its curve
            found_work = work[number]
            assert found_work is not None
            # 30 Hz of bandwidth leave out what wheels do faster, on kerbs above all.
            assert found_work.energy_j == pytest.approx(truth["damper_energy_j"][corner], rel=0.06), (lap.name, corner)


@pytest.mark.parametrize("name", NAMES)
def test_impulses_of_contacts(name: str) -> None:
    log = found(name)
    compared = 0
    for known in log.truth["bump_stop_contacts"]:
        for contact in log.contacts:
            start = abs(contact.start_sample / log.rate_hz - known["start_s"])
            length = abs(contact.samples / log.rate_hz - known["duration_s"])
            if CORNERS[contact.corner] != known["corner"] or start > 0.005 or length > 0.01:
                continue
            compared += 1
            # 0.15 mm on the first slope, 60 N/mm, for as long as it lasted.
            abs_n_s = 9.0 * known["duration_s"] + 0.05
            assert contact.impulse_n_s == pytest.approx(known["impulse_n_s"], rel=0.1, abs=abs_n_s)
    assert compared >= 0.75 * len(log.truth["bump_stop_contacts"])


@pytest.mark.parametrize("name", [name for name in NAMES if name != "sensor_faults"])
def test_downforce_of_the_stint(name: str) -> None:
    result = found(name).monitor.pipeline.counting.downforce.result()
    truth = found(name).truth["downforce_area_m2"]
    for axle, estimate in (("front", result.front_m2), ("rear", result.rear_m2)):
        assert estimate.value == pytest.approx(truth[axle], rel=0.05)
        # Eight intervals of 95 %: none of these seeded ones is missed by more than a third of its width.
        slack = (estimate.high - estimate.low) / 3.0
        assert estimate.low - slack < truth[axle] < estimate.high + slack
        assert 0.0 < estimate.standard_error < 0.05 * estimate.value
    assert result.reason == ""


@pytest.mark.parametrize("name", NAMES)
def test_witnesses_of_sensors_and_rate(name: str) -> None:
    for side in found(name).monitor.pipeline.counting.axle_delay.result():
        assert side.verdict == "agrees"
        assert side.wheelbase_m == pytest.approx(sheet().car.wheelbase_mm / 1000.0, rel=0.02)
    if name != "sensor_faults":
        assert abs(found(name).monitor.pipeline.so_far().body.straight_warp_mm) < 0.5


def test_heights_are_unknown_once_a_zero_has_slipped() -> None:
    slipped = [fault for fault in found("sensor_faults").truth["sensor_faults"] if fault["kind"] == "step_offset"]
    assert slipped
    later = [lap for lap in found("sensor_faults").laps if lap.first_sample > slipped[0]["start_sample"]]
    assert later
    for lap in later:
        assert np.isnan(lap.share.heights.lowest_mm).all()
        assert lap.share.tally.used(CORNERS.index(slipped[0]["corner"])) > 0


# ---------------------------------------------------------------- velocity


@pytest.mark.parametrize("name", NAMES)
def test_velocity_of_every_lap(name: str) -> None:
    for lap, truth in lap_pairs(name):
        for number, corner in enumerate(CORNERS):
            if hidden(found(name).truth, lap.first_sample, lap.end_sample, corner):
                continue
            compression, rebound = lap.share.tally.directional_rms(number)
            known = truth["velocity_rms_mm_s"][corner]
            assert compression == pytest.approx(known["compression"], rel=0.02), (lap.name, corner)
            assert rebound == pytest.approx(known["rebound"], rel=0.02), (lap.name, corner)


@pytest.mark.parametrize("name", NAMES)
def test_velocity_and_time_shares_of_the_stint(name: str) -> None:
    tally = found(name).monitor.pipeline.so_far().tally
    for number, corner in enumerate(CORNERS):
        known = found(name).truth["velocity"][corner]
        compression, rebound = tally.directional_rms(number)
        assert compression == pytest.approx(known["rms_mm_s"]["compression"], rel=0.015)
        assert rebound == pytest.approx(known["rms_mm_s"]["rebound"], rel=0.015)
        shares = tally.time_shares(number, sheet().velocity)
        for theirs, ours in SHARES.items():
            assert shares[ours] == pytest.approx(known["time_share"][theirs], abs=0.005), (corner, ours)


@pytest.mark.parametrize("name", NAMES)
def test_asymmetry_per_lap_is_on_the_right_side(name: str) -> None:
    """The chain compares mean speeds, the truth RMS values: they agree in sign and roughly in size."""
    from dsp.asymmetry import of_corners

    for lap, truth in lap_pairs(name):
        if lap.verdict.kind != "timed" or hidden(found(name).truth, lap.first_sample, lap.end_sample):
            continue
        for place, seen in of_corners(lap.share.tally.paired).items():
            axle, direction = place.split()
            known = truth["left_against_right_percent"][axle][direction]
            assert seen.percent == pytest.approx(known, abs=6.0, rel=0.25), (lap.name, place)


# ---------------------------------------------------------------- alerts


def latest_s(alert: dict[str, Any]) -> float:
    """How long after `from_s` an alert may come: the delays of its rule, and 50 ms; a change, until it is complete."""
    sensor = sheet().alerts.sensor
    if alert["kind"] == "drift":
        return float(alert["to_s"]) - float(alert["from_s"])
    if alert["kind"] != "sensor":
        return 0.05
    return (
        0.05
        + {
            "open_circuit": sensor.on_delay_s,
            "short_circuit": sensor.on_delay_s,
            "stuck": sensor.stuck_for_s + sensor.on_delay_s + 0.2,  # the stuck watch looks ten times a second
            "spikes": sensor.spike_window_s,
            "step_offset": sensor.longest_spike_s,
        }[alert["fault"]]
    )


def key_of(alert: dict[str, Any]) -> tuple[str, str]:
    where = f"{alert['where']} {alert['direction']}" if alert["kind"] == "asymmetry" else alert["where"]
    return alert["kind"], where


@pytest.mark.parametrize("name", NAMES)
def test_every_expected_alert_is_announced_in_time_and_no_other(name: str) -> None:
    expected = {key_of(alert): alert for alert in found(name).truth["expected_alerts"]}
    announced = [transition for transition in found(name).transitions if transition.announced]
    assert {transition.definition.key for transition in announced} == set(expected)
    told: dict[tuple[str, str], Evidence] = {}
    for transition in announced:
        alert = expected[transition.definition.key]
        assert transition.evidence is not None
        before = told.get(transition.definition.key)
        told[transition.definition.key] = transition.evidence
        if before is not None:
            # Told again: only a lower platform or a far longer contact is news.
            assert transition.evidence.severity >= before.severity + before.worse_by
        elif alert["from_s"] is not None:
            early = 0.05 if alert["kind"] != "sensor" else 0.0
            late = transition.time_s - alert.get("seen_from_s", alert["from_s"])
            assert -early <= late <= latest_s(alert), (transition.definition.key, late)


@pytest.mark.parametrize("name", NAMES)
def test_every_occurrence_is_in_a_lap_that_the_truth_names(name: str) -> None:
    laps = {key_of(alert): set(map(str, alert["laps"])) for alert in found(name).truth["expected_alerts"]}
    names = {lap.first_sample: lap.name for lap in found(name).laps}
    for transition in found(name).transitions:
        if transition.change != "occurs":
            continue
        assert transition.evidence is not None
        since = max(first for first in names if first <= transition.evidence.since_sample)
        assert names[since] in laps[transition.definition.key]
    for key, numbers in laps.items():
        if key[0] == "platform_low":
            occurred = {t.lap for t in found(name).transitions if t.definition.key == key and t.change == "occurs"}
            assert occurred == numbers


@pytest.mark.parametrize("name", NAMES)
def test_the_corner_at_fault_is_named(name: str) -> None:
    """A damper with less force than its partner moves faster; a sensor's alarm names the fault itself."""
    alerts = [t for t in found(name).transitions if t.announced and t.evidence is not None]
    for fault in found(name).truth["damper_faults"]:
        assert fault["force_scale"] < 1.0
        axle = "front" if fault["corner"][0] == "F" else "rear"
        for direction in fault["directions"]:
            told = [t for t in alerts if t.definition.key == ("asymmetry", f"{axle} {direction}")]
            assert len(told) == 1
            assert told[0].evidence is not None
            assert told[0].evidence.sentence.startswith(f"{fault['corner']} {direction} ")
    words = {"open_circuit": "open circuit", "stuck": "stuck", "spikes": "spikes", "step_offset": "jumped"}
    for expected in found(name).truth["expected_alerts"]:
        if expected["kind"] == "sensor":
            told = [t for t in alerts if t.definition.key == ("sensor", expected["where"])]
            assert told[0].evidence is not None
            assert words[expected["fault"]] in told[0].evidence.sentence


def test_a_healthy_car_is_left_in_peace() -> None:
    assert found("healthy").transitions == []
    assert found("healthy").monitor.announced == 0
