"""A simulated stint: what truly happened, and what the sensors said; `simulate` and `simulate_each` make them.

In: a car sheet, settings and a seed. Out: `Stint` objects with arrays in house units. Reads no files, writes none.
Raises ValueError for a car that the model can't be.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.sheet import Sheet
from replay_logs.circuit import Circuit, Grip, build_circuit, lap_speed_m_s
from replay_logs.effects import pace_change, slipped_mm, tyre_factor
from replay_logs.motion import RATE_HZ, Inputs, block_of, block_starts, integrate, integrate_damper_travel
from replay_logs.road import Road
from replay_logs.sensors import Readings, read_sensors
from replay_logs.settings import StintSettings
from replay_logs.timeline import Timeline, drive_stint
from replay_logs.vehicle import (
    CORNERS,
    Element,
    build_elements,
    damper_force_n,
    damper_travel_of,
    geometry,
    lightness,
    masses,
    outside_forces,
    shift_over,
    slopes_over,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stint:
    """One stint, every array at `rate_hz` unless said otherwise, corners in the order FL FR RL RR.

    Attributes
    ----------
    timeline : Timeline
        Place, speed, accelerations, laps.
    body : array of shape (n, 3)
        Heave (m, up), pitch (rad, nose down), roll (rad, right side down) of the sprung mass.
    damper_travel_mm, damper_velocity_mm_s, wheel_travel_mm : array of shape (n, 4)
        Positive in compression, 0 at static on the flat.
    tyre_squash_mm : array of shape (n, 4)
        Beyond static.
    wheel_load_n : array of shape (n, 4)
        On the road.
    bump_stop_force_n, damper_force_n : array of shape (n, 4)
        At the damper, positive against compression.
    readings : Readings
        What the logger wrote, at the log's rate.
    """

    settings: StintSettings
    seed: int
    rate_hz: float
    timeline: Timeline
    body: Floats
    damper_travel_mm: Floats
    damper_velocity_mm_s: Floats
    wheel_travel_mm: Floats
    tyre_squash_mm: Floats
    wheel_load_n: Floats
    bump_stop_force_n: Floats
    damper_force_n: Floats
    readings: Readings

    def lap_bounds(self) -> list[tuple[int, int, int]]:
        """(lap number, first sample, one past the last sample) of every lap."""
        lap = self.timeline.lap
        edges = [0, *(np.flatnonzero(np.diff(lap)) + 1).tolist(), lap.size]
        return [(int(lap[a]), a, b) for a, b in itertools.pairwise(edges)]

    def lap_kind(self, lap: int) -> str:
        """out, timed or in."""
        if lap == 0:
            return "out"
        return "timed" if lap <= self.settings.timed_laps else "in"


def simulate(sheet: Sheet, settings: Sequence[StintSettings], seed: int) -> list[Stint]:
    """Simulate stints side by side; each depends only on the seed and its own settings."""
    return list(simulate_each(sheet, settings, seed, at_a_time=max(len(settings), 1)))


def simulate_each(sheet: Sheet, settings: Sequence[StintSettings], seed: int, at_a_time: int = 8) -> Iterator[Stint]:
    """Simulate any number of stints, `at_a_time` of them side by side, and give them out one by one in their order.

    A stint of eight minutes takes about 110 MB while it waits its turn, and 300 MB while it is finished. Eight side
    by side need three times as long as one alone.
    """
    if at_a_time < 1:
        raise ValueError(f"at_a_time must be at least 1, not {at_a_time}")
    elements = build_elements(sheet, friction=any(one.has_friction for one in settings))
    for group, timelines, inputs in _driven(sheet, elements, settings, seed, at_a_time):
        motions = integrate(elements, masses(sheet), inputs)
        for one, path, driven, motion in zip(group, timelines, inputs, motions, strict=True):
            yield _finish(sheet, elements, one, seed, path, driven, motion.astype(np.float64))


def simulate_readings_each(
    sheet: Sheet, settings: Sequence[StintSettings], seed: int, at_a_time: int = 16
) -> Iterator[Readings]:
    """What the logger wrote in any number of stints, one by one in their order, and nothing else: for large studies.

    As in `simulate_each`, but for one count in a hundred thousand that was on the edge of rounding and is off by one.
    """
    if at_a_time < 1:
        raise ValueError(f"at_a_time must be at least 1, not {at_a_time}")
    elements = build_elements(sheet, friction=any(one.has_friction for one in settings))
    travel_of = damper_travel_of(sheet)
    for group, timelines, inputs in _driven(sheet, elements, settings, seed, at_a_time, small=True):
        travels = integrate_damper_travel(elements, masses(sheet), inputs, travel_of)
        for one, path, travel in zip(group, timelines, travels, strict=True):
            yield read_sensors(
                sheet, one, seed, path, travel.astype(np.float64) + _pushrod_mm(one, _laps_by_block(path))
            )


def _driven(
    sheet: Sheet,
    elements: list[Element],
    settings: Sequence[StintSettings],
    seed: int,
    at_a_time: int,
    small: bool = False,
) -> Iterator[tuple[Sequence[StintSettings], list[Timeline], list[Inputs]]]:
    """Paths and inputs of `at_a_time` stints after the other; with `small` in half the memory."""
    circuit = build_circuit()
    grip = Grip(mass_kg=sheet.car.mass_kg)
    frictions = {1.0, *(change.friction_scale for one in settings for change in one.grip_changes)}
    flying = {
        scale: lap_speed_m_s(circuit, dataclasses.replace(grip, friction=grip.friction * scale)) for scale in frictions
    }
    for begin in range(0, len(settings), at_a_time):
        group = settings[begin : begin + at_a_time]
        timelines = [
            drive_stint(
                circuit,
                flying[1.0],
                one.timed_laps,
                one.generator(seed, 10),
                RATE_HZ,
                one.standing_s,
                one.scatter.pace,
                pace_change(circuit, flying, one, seed),
            )
            for one in group
        ]
        seeds = [seed if one.road_seed is None else one.road_seed for one in group]
        roads = {one: Road(circuit, one) for one in set(seeds)}
        inputs = []
        for one, road_seed, path in zip(group, seeds, timelines, strict=True):
            driven = _inputs(sheet, elements, circuit, one, roads[road_seed], path)
            if small:
                driven = dataclasses.replace(
                    driven, road_mm=driven.road_mm.astype(np.float32), forces=driven.forces.astype(np.float32)
                )
            inputs.append(driven)
        yield group, timelines, inputs


def _inputs(
    sheet: Sheet, elements: list[Element], circuit: Circuit, settings: StintSettings, road: Road, path: Timeline
) -> Inputs:
    """What drives the model through one stint."""
    scatter = settings.scatter
    axles = [
        road.along_mm(
            path.travelled_m, path.start_m, path.end_m, settings.own_seed, behind, scatter.line, scatter.kerbs
        )
        for behind in (0.0, geometry(sheet).wheelbase_m)
    ]
    part_of_lap = path.lap + path.lap_distance_m / circuit.length_m
    of_block = part_of_lap[block_starts(path.lap.size)]
    forces = outside_forces(
        sheet,
        settings,
        path.speed_m_s,
        path.acceleration_x_m_s2,
        path.acceleration_y_m_s2,
        part_of_lap,
        # By block, as the tyre's slope: the two make one force.
        tyre_factor(settings, of_block)[block_of(path.lap.size)],
    )
    return Inputs(
        np.concatenate(axles, axis=1),
        forces,
        shift_over(elements, settings, of_block),
        slopes_over(elements, settings, of_block),
        lightness(sheet, settings, of_block),
    )


def _laps_by_block(path: Timeline) -> Floats:
    """The (fractional) lap that the model's slopes and shifts follow at every sample."""
    length = build_circuit().length_m
    starts = block_starts(path.lap.size)
    laps = path.lap[starts] + path.lap_distance_m[starts] / length
    return np.asarray(laps[block_of(path.lap.size)], dtype=np.float64)


def _pushrod_mm(settings: StintSettings, laps: Floats) -> Floats:
    """What slipped pushrods add to damper travel, shape (n, 4), mm."""
    return np.asarray(-slipped_mm(settings, laps, "pushrod"), dtype=np.float64)


def _finish(
    sheet: Sheet,
    elements: list[Element],
    settings: StintSettings,
    seed: int,
    path: Timeline,
    driven: Inputs,
    motion: Floats,
) -> Stint:
    """Named quantities from the motion, and the sensors' view of it."""
    lift = geometry(sheet).lift
    wheel = (motion[:, 3:7] - motion[:, :3] @ lift) * 1000.0
    wheel_velocity = (motion[:, 10:14] - motion[:, 7:10] @ lift) * 1000.0
    parts = [sheet.suspension(name) for name in CORNERS]
    ratio = np.array([part.motion_ratio_damper_per_wheel for part in parts], dtype=np.float64)
    laps = _laps_by_block(path)
    travel, velocity = wheel * ratio + _pushrod_mm(settings, laps), wheel_velocity * ratio
    squash = driven.road_mm - motion[:, 3:7] * 1000.0
    rates = np.array([part.tyre_rate_n_mm for part in parts], dtype=np.float64)
    loads = np.array([sheet.static_load_n(name) for name in CORNERS])
    stop_force = np.zeros_like(travel)
    for corner, part in enumerate(parts):
        assert part.bump_stop is not None
        stop_force[:, corner] = stop_force_n(part.bump_stop.force, travel[:, corner] - part.bump_stop.gap_mm)
    return Stint(
        settings=settings,
        seed=seed,
        rate_hz=RATE_HZ,
        timeline=path,
        body=motion[:, :3].copy(),
        damper_travel_mm=travel,
        damper_velocity_mm_s=velocity,
        wheel_travel_mm=wheel,
        tyre_squash_mm=squash,
        wheel_load_n=np.maximum((loads + rates * squash) * tyre_factor(settings, laps), 0.0),
        bump_stop_force_n=stop_force,
        damper_force_n=damper_force_n(elements, driven.slopes, block_of(len(velocity)), velocity),
        readings=read_sensors(sheet, settings, seed, path, travel),
    )


def stop_force_n(table: list[tuple[float, float]], squash_mm: Floats) -> Floats:
    """Force of a bump stop at a compression in mm: its table, its last slope beyond, 0 without contact."""
    x, y = np.array(table).T
    beyond = (y[-1] - y[-2]) / (x[-1] - x[-2]) * np.maximum(squash_mm - x[-1], 0.0)
    return np.asarray(np.interp(squash_mm, x, y) + beyond, dtype=np.float64)
