"""The whole chain: however a stream is cut, the same laps, the same alerts and the same summary come out."""

from __future__ import annotations

import functools
import random
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.chunk import Chunk
from tests.dsp.helpers import smooth_noise, stream
from tests.eventful import EVENTFUL_RATE, ROLES, eventful_sheet, eventful_stint, only, records
from tests.monitored import cut
from tests.sheets import make_sheet

# Moments of velocity are merged block by block, so they alone may differ in their last digits.
ROUNDED = {"velocity_rms_mm_s", "velocity_skewness"}
SHEET = eventful_sheet()
LOGS = (ROLES, ("speed", "lap_distance"), ("speed",), ())


@functools.cache
def stint(seed: int) -> tuple[Chunk, ...]:
    return tuple(eventful_stint(seed))


@functools.cache
def whole(seed: int, roles: tuple[str, ...] = ROLES) -> dict[str, Any]:
    """What comes out when every stretch is one chunk."""
    return records(SHEET, only(roles, list(stint(seed))), roles)


def pieces(chunks: list[Chunk], lengths: list[int]) -> Iterator[Chunk]:
    """Every stretch in pieces of the given lengths, over and over (all 0: the whole, between empty pieces)."""
    for one in chunks:
        times = 1 + len(one) // max(1, sum(lengths))
        yield from cut(one, lengths * times)


def check_same(found: Any, expected: Any, place: str = "") -> None:
    if isinstance(expected, dict):
        assert list(found) == list(expected), place
        for key, value in expected.items():
            if key in ROUNDED:
                assert found[key] == pytest.approx(value, rel=1e-9, nan_ok=True), f"{place}.{key}"
            else:
                check_same(found[key], value, f"{place}.{key}")
    elif isinstance(expected, list | tuple):
        assert len(found) == len(expected), place
        for number, (mine, its) in enumerate(zip(found, expected, strict=True)):
            check_same(mine, its, f"{place}[{number}]")
    elif hasattr(expected, "tolist"):
        check_same(found.tolist(), expected.tolist(), place)
    else:
        assert found == expected or (found != found and expected != expected), f"{place}: {found} != {expected}"


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 3),
    roles=st.sampled_from(LOGS),
    lengths=st.lists(st.sampled_from([0, 1, 2, 3, 5, 8, 25, 26, 100, 333, 1000, 4000]), min_size=1, max_size=25),
)
def test_any_split_gives_the_same_records(seed: int, roles: tuple[str, ...], lengths: list[int]) -> None:
    found = records(SHEET, pieces(only(roles, list(stint(seed))), lengths), roles)
    check_same(found, whole(seed, roles))


@pytest.mark.parametrize("roles", LOGS, ids=["laps", "distance", "speed", "nothing"])
def test_sample_by_sample_gives_the_same_records(roles: tuple[str, ...]) -> None:
    found = records(SHEET, pieces(only(roles, list(stint(1))), [1]), roles)
    check_same(found, whole(1, roles))


def test_pieces_are_the_whole_stream() -> None:
    """The cutting above loses nothing itself."""
    chunks = list(stint(2))
    parts = list(pieces(chunks, [0, 3, 0, 71]))
    assert sum(map(len, parts)) == sum(map(len, chunks))
    assert [p.gap_before for p in parts if p.gap_before] == [c.gap_before for c in chunks if c.gap_before]
    assert any(len(p) == 0 for p in parts)


def test_the_stint_holds_what_it_should() -> None:
    """A comparison of nothing proves nothing: everything that can happen happens here."""
    alerts = [record for seed in range(4) for record in whole(seed)["alerts"]]
    kinds = {(record["kind"], record["change"]) for record in alerts}
    for kind in ("sensor", "bump_stop", "platform_low", "asymmetry"):
        assert {(kind, "occurs"), (kind, "returns")} <= kinds
    for kind in ("bump_stop", "platform_low", "asymmetry"):
        assert {(kind, "suppressed"), (kind, "released")} <= kinds
    assert ("sample_rate", "occurs") in kinds
    assert {record["sentence"].split(":")[0].split()[0] for record in alerts if record["kind"] == "sensor"} >= {
        "open",
        "stuck",
        "5",
        "position",
    }
    assert {lap["kind"] for lap in whole(1)["laps"]} == {"out", "timed", "invalid", "in"}
    summary = whole(1)["summary"]
    assert summary["gaps"] == 4
    assert summary["samples_idle"] > 300
    assert all(corner["samples_without_reading"] > 0 for corner in summary["corners"].values())


def test_numbers_of_samples_add_up() -> None:
    """An independent count of what went in."""
    chunks = stint(1)
    summary, laps = whole(1)["summary"], whole(1)["laps"]
    received = sum(map(len, chunks))
    lost = sum(chunk.gap_before for chunk in chunks)
    assert (summary["samples_received"], summary["samples_lost"]) == (received, lost)
    assert summary["duration_s"] == (received + lost) / EVENTFUL_RATE
    assert sum(lap["samples_received"] for lap in laps) == received
    assert laps[0]["first_sample"] == chunks[0].first_sample
    assert [lap["first_sample"] for lap in laps[1:]] == [lap["end_sample"] for lap in laps[:-1]]
    for name, corner in summary["corners"].items():
        assert corner["samples_used"] == sum(lap["corners"][name]["samples_used"] for lap in laps)
        contacts = sum(lap["corners"][name]["bump_stop"]["contacts"] for lap in laps)
        assert corner["bump_stop"]["contacts"] == contacts
        assert sum(corner["time_share"].values()) == pytest.approx(1.0)


@pytest.mark.parametrize("seed", range(3))
def test_a_torn_lap_number_is_cut_the_same(seed: int) -> None:
    """A lap number that jumps about makes many short laps in one chunk; alerts must still name the right one."""
    chunks = list(stint(1))
    torn = random.Random(seed)
    for place, one in enumerate(chunks):
        side = one.side | {"lap_number": one.side["lap_number"].copy()}
        for start in range(0, len(one), 20):
            side["lap_number"][start : start + 20] = torn.randrange(90)
        chunks[place] = Chunk(one.first_sample, one.rate_hz, one.sensors, side, one.gap_before)
    check_same(records(SHEET, pieces(chunks, [13])), records(SHEET, chunks))


RICH: dict[str, Any] = {
    f"axle.{axle}.{key}": value
    for axle in ("front", "rear")
    for key, value in {
        "damper_against_wheel_mm": [[-60, -44], [-20, -15.5], [0, 0], [30, 25.5], [60, 54]],
        "spring": {"rate_n_mm": 130.0},
        "bump_stop": {"gap_mm": 8.0, "force": [[0, 0], [5, 300], [20, 3000]], "hysteresis": 0.3},
        "droop_stop": {"gap_mm": 9.0, "force": [[0, 0], [5, 800]]},
        "damper": {"curve": [[-300, -1500], [-50, -600], [0, 0], [50, 400], [300, 1100]]},
        "tyre_rate_n_mm": 250.0,
        "unsprung_mass_kg": 45.0,
        "tyre_growth_mm_at_100_m_s": 6.0,
        "roll_centre_height_mm": 40.0,
        "unsprung_centre_height_mm": 300.0,
        "anti_roll_bar_n_mm": 70.0,
    }.items()
} | {
    "car.centre_of_gravity_height_mm": 420.0,
    "axle.front.anti_dive_percent": 20.0,
    "platform.nose": {"x_mm": 700.0, "static_height_mm": 80.0, "lowest_mm": 74.0},
    "downforce.most_lateral_m_s2": 20.0,
}


@functools.cache
def rich() -> tuple[Any, tuple[Chunk, ...]]:
    """A sheet with all that can be in it, and two minutes that use it: loads, contacts, downforce, spectra."""
    sheet = make_sheet(RICH, remove=tuple(f"axle.{axle}.motion_ratio_damper_per_wheel" for axle in ("front", "rear")))
    rows, rate = 60_000, 500.0
    time = np.arange(rows) / rate
    speed = 42.0 + 14.0 * np.sin(time / 6.0)
    pressed = 0.004 * speed**2 - 6.0  # the air presses the car down with the square of speed
    travel = np.asfortranarray(smooth_noise(rows, rate, 18.0, 3) * 2.5 + pressed[:, np.newaxis])
    side = {
        "speed": speed,
        "acceleration_longitudinal": 14.0 / 6.0 * np.cos(time / 6.0),
        "acceleration_lateral": 8.0 * np.sin(time / 3.0),
        "acceleration_vertical": 0.1 * np.sin(time),
        "lap_number": np.floor(time / 30.0),
        "lap_distance": (time % 30.0) * 42.0,
    }
    return sheet, tuple(stream(travel, rate, gaps={20_000: 50}, side=side))


@functools.cache
def rich_whole() -> dict[str, Any]:
    sheet, chunks = rich()
    return records(sheet, list(chunks), tuple(chunks[0].side), 500.0)


def test_the_rich_stint_has_what_it_should() -> None:
    summary = rich_whole()["summary"]
    assert summary["downforce"]["reason"] is None
    assert summary["corners"]["FL"]["bump_stop"]["contacts"] > 10
    assert summary["corners"]["FL"]["top_out"]["contacts"] > 0
    assert summary["corners"]["FL"]["spectrum"]["segments"] > 10
    assert summary["platform"]["nose"]["time_below_limit_s"] > 1.0


@settings(max_examples=6, deadline=None)
@given(lengths=st.lists(st.sampled_from([1, 7, 100, 333, 1000, 4001]), min_size=1, max_size=12))
def test_any_split_gives_the_same_records_of_the_car(lengths: list[int]) -> None:
    if sum(lengths) < 50 * len(lengths):
        lengths = [*lengths, 2000]  # a stint of two minutes sample by sample takes a minute
    sheet, chunks = rich()
    found = records(sheet, pieces(list(chunks), lengths), tuple(chunks[0].side), 500.0)
    check_same(found, rich_whole())
