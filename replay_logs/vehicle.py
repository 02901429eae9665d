"""The car as a mechanical model: seven degrees of freedom, every force piecewise linear.

In: the car sheet and a stint's settings. Out: matrices such that one time step is two small products (`motion.py`).
Shared with the car sheet are only its numbers; the equations here are the simulator's own.

Degrees of freedom: body heave (up), pitch (nose down), roll (right side down), four wheels (up), all measured from
static equilibrium, SI units. The state is [7 positions, 7 velocities, 4 road elevations, 1].
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.sheet import Axle, Sheet
from ingest.sheet_parts import Suspension
from replay_logs.circuit import GRAVITY_M_S2
from replay_logs.disturbances import FRICTION_FULL_AT_M_S
from replay_logs.effects import (
    added_mass_kg,
    bar_factor,
    damping_factor,
    downforce_factor,
    friction_n,
    slipped_mm,
    tyre_factor,
)
from replay_logs.settings import StintSettings

Floats = NDArray[np.float64]

CORNERS: Final = ("FL", "FR", "RL", "RR")
AXLES: Final = {"front": (0, 1), "rear": (2, 3)}
DIRECTIONS: Final = ("compression", "rebound")
# What the sheet doesn't hold: inertia of a car of this size about its own axes.
PITCH_INERTIA_KG_M2: Final = 1560.0
ROLL_INERTIA_KG_M2: Final = 430.0
METAL_N_M: Final = 4.0e6  # past full bump or full droop parts meet metal


@dataclass(frozen=True)
class Geometry:
    """Places of the four corners relative to the sprung mass's centre, and what follows from them.

    Attributes
    ----------
    x_m, y_m : array of shape (4,), m
        Forward and left of the centre of gravity.
    lift : array of shape (3, 4)
        Body height at each corner per unit of heave, pitch, roll.
    """

    x_m: Floats
    y_m: Floats
    sprung_mass_kg: float
    wheelbase_m: float

    @property
    def lift(self) -> Floats:
        """Height at the corners = [heave, pitch, roll] @ lift."""
        return np.stack([np.ones(4), -self.x_m, self.y_m])


def geometry(sheet: Sheet) -> Geometry:
    """Corner positions from the sheet; the sprung mass's centre follows from the static axle loads."""
    car = sheet.car
    front = car.mass_kg * car.front_share - 2.0 * sheet.suspension("FL").unsprung_mass_kg
    rear = car.mass_kg * (1.0 - car.front_share) - 2.0 * sheet.suspension("RL").unsprung_mass_kg
    wheelbase = car.wheelbase_mm / 1000.0
    ahead = wheelbase * rear / (front + rear)
    half_front, half_rear = car.track_front_mm / 2000.0, car.track_rear_mm / 2000.0
    return Geometry(
        x_m=np.array([ahead, ahead, ahead - wheelbase, ahead - wheelbase]),
        y_m=np.array([half_front, -half_front, half_rear, -half_rear]),
        sprung_mass_kg=front + rear,
        wheelbase_m=wheelbase,
    )


@dataclass(frozen=True)
class Element:
    """One piece of a force: `slope` x clip(state @ reads, low, high), pushing along `pushes`.

    `reads` has 19 entries (the state), `pushes` 7 (generalised force per unit of element force).
    """

    kind: str
    corner: int
    reads: Floats
    low: float
    high: float
    slope: float
    pushes: Floats


def unsimulated(sheet: Sheet) -> list[str]:
    """Keys of the sheet whose effect on the motion the model leaves out, so that it must refuse them."""
    found = []
    for name in CORNERS:
        part: Suspension = sheet.suspension(name)
        axle: Axle = sheet.axle_of(name)
        given = {
            "spring.preload_n": part.spring.preload_n is not None,
            "droop_stop": part.droop_stop is not None,
            "bump_stop.hysteresis": part.bump_stop is not None and part.bump_stop.hysteresis != 0.0,
            "tyre_growth_mm_at_100_m_s": part.tyre_growth_mm_at_100_m_s != 0.0,
            "roll_centre_height_mm": axle.roll_centre_height_mm != 0.0,
            "unsprung_centre_height_mm": axle.unsprung_centre_height_mm != 0.0,
            "anti_dive_percent": axle.anti_dive_percent != 0.0,
            "anti_lift_percent": axle.anti_lift_percent != 0.0,
            "anti_squat_percent": axle.anti_squat_percent != 0.0,
            "corner_weight_kg": getattr(sheet.corner, name).corner_weight_kg is not None,
        }
        found += [f"{name} {key}" for key, is_given in given.items() if is_given]
    return found


def spring_slack_m(sheet: Sheet, corner: str) -> float:
    """How far a corner's spring may lengthen from its static length until it is loose, m at the damper."""
    part = sheet.suspension(corner)
    assert isinstance(part.motion_ratio_damper_per_wheel, float)
    assert part.spring.rate_n_mm is not None
    carried_n = sheet.static_load_n(corner) - part.unsprung_mass_kg * GRAVITY_M_S2
    return carried_n / part.motion_ratio_damper_per_wheel / (part.spring.rate_n_mm * 1e3)


def build_elements(sheet: Sheet, friction: bool = False) -> list[Element]:
    """Every spring, stop, damper segment, bar and tyre of the car as piecewise-linear elements.

    With `friction` four more, whose slope is 0 until a stint's settings give them a force.
    """
    if left_out := unsimulated(sheet):
        raise ValueError(f"the simulated car has no {', '.join(left_out)}")
    shape = geometry(sheet)
    elements: list[Element] = []
    wheel = np.zeros((4, 7))  # wheel travel (compression) per position
    for corner in range(4):
        wheel[corner, :3] = -shape.lift[:, corner]
        wheel[corner, 3 + corner] = 1.0
    for corner, name in enumerate(CORNERS):
        part = sheet.suspension(name)
        ratio = part.motion_ratio_damper_per_wheel
        if (
            not isinstance(ratio, float)
            or part.spring.rate_n_mm is None
            or part.bump_stop is None
            or part.damper is None
        ):
            raise ValueError(
                "the simulated car needs constant motion ratios, spring rates, bump stops and damper curves"
            )
        travel, velocity = np.zeros(19), np.zeros(19)
        travel[:7], velocity[7:14] = ratio * wheel[corner], ratio * wheel[corner]
        push = -ratio * wheel[corner]  # a compressed element pushes the wheel down and the body up

        def add(
            kind: str,
            reads: Floats,
            low: float,
            high: float,
            slope: float,
            shift: float = 0.0,
            corner: int = corner,
            push: Floats = push,
        ) -> None:
            moved = reads.copy()
            moved[18] -= shift
            elements.append(Element(kind, corner, moved, low, high, slope, push))

        # A spring can't pull: in deep droop it is loose between its seats.
        add("spring", travel, -spring_slack_m(sheet, name), np.inf, part.spring.rate_n_mm * 1e3)
        last = len(part.bump_stop.force) - 2
        for i, ((x0, f0), (x1, f1)) in enumerate(itertools.pairwise(part.bump_stop.force)):
            width = np.inf if i == last else (x1 - x0) / 1e3
            add("bump stop", travel, 0.0, width, (f1 - f0) / (x1 - x0) * 1e3, (part.bump_stop.gap_mm + x0) / 1e3)
        add("metal", travel, 0.0, np.inf, METAL_N_M, part.travel_to_full_bump_mm / 1e3)
        add("metal", travel, -np.inf, 0.0, METAL_N_M, -part.travel_to_full_droop_mm / 1e3)
        curve = part.damper.curve
        for (v0, f0), (v1, f1) in itertools.pairwise(curve):
            slope = (f1 - f0) / (v1 - v0) * 1e3
            if v0 >= 0.0:
                end = np.inf if (v1, f1) == curve[-1] else (v1 - v0) / 1e3
                add("compression", velocity, 0.0, end, slope, v0 / 1e3)
            else:
                end = -np.inf if (v0, f0) == curve[0] else (v0 - v1) / 1e3
                add("rebound", velocity, end, 0.0, slope, v1 / 1e3)
        assert part.tyre_rate_n_mm is not None
        squash, up = np.zeros(19), np.zeros(7)
        squash[3 + corner], squash[14 + corner], up[3 + corner] = -1.0, 1.0, 1.0
        rate = part.tyre_rate_n_mm * 1e3
        # A tyre can't pull: it loses contact when its static squash is used up.
        elements.append(Element("tyre", corner, squash, -sheet.static_load_n(name) / rate, np.inf, rate, up))
    for left, bar in ((0, sheet.axle.front.anti_roll_bar_n_mm), (2, sheet.axle.rear.anti_roll_bar_n_mm)):
        twist = np.zeros(19)
        difference = (wheel[left] - wheel[left + 1]) / 2.0
        twist[:7] = difference
        elements.append(Element("bar", left, twist, -np.inf, np.inf, bar * 1e3, -2.0 * difference))
    for corner, name in enumerate(CORNERS) if friction else ():
        ratio = sheet.suspension(name).motion_ratio_damper_per_wheel
        assert isinstance(ratio, float)
        velocity = np.zeros(19)
        velocity[7:14] = ratio * wheel[corner]
        full = FRICTION_FULL_AT_M_S
        elements.append(Element("friction", corner, velocity, -full, full, 0.0, -ratio * wheel[corner]))
    return elements


def masses(sheet: Sheet) -> Floats:
    """Mass or inertia of each degree of freedom, shape (7,), SI."""
    wheels = [sheet.suspension(name).unsprung_mass_kg for name in CORNERS]
    return np.array([geometry(sheet).sprung_mass_kg, PITCH_INERTIA_KG_M2, ROLL_INERTIA_KG_M2, *wheels])


def damper_travel_of(sheet: Sheet) -> Floats:
    """Damper travel = positions @ this, shape (7, 4), mm per m and rad; before any pushrod slips."""
    ratio = np.array([sheet.suspension(name).motion_ratio_damper_per_wheel for name in CORNERS], dtype=np.float64)
    return np.concatenate([-geometry(sheet).lift, np.eye(4)]) * ratio * 1e3


def lightness(sheet: Sheet, settings: StintSettings, laps: Floats) -> Floats | None:
    """Sprung mass of the sheet over the one with the fuel of each lap, for heave alone, shape (n, 7); None without.

    The tank is near the sprung mass's centre, so pitch and roll inertia stay.
    """
    added = added_mass_kg(settings, laps)
    if not added.any():
        return None
    sprung = geometry(sheet).sprung_mass_kg
    factor = np.ones((laps.size, 7))
    factor[:, 0] = sprung / (sprung + added)
    return factor


def outside_forces(
    sheet: Sheet,
    settings: StintSettings,
    speed_m_s: Floats,
    a_x: Floats,
    a_y: Floats,
    laps: Floats | None = None,
    tyre_rate_factor: Floats | None = None,
) -> Floats:
    """Generalised forces of air and inertia, shape (n, 7), N and N m.

    Downforce acts at the axle lines; the car's whole mass is accelerated at the height of its centre of gravity.
    With `laps`, shape (n,), fuel's weight and inertia and changes of downforce come in; with `tyre_rate_factor`,
    shape (n, 4), what a softer tyre no longer carries at its static squash.
    """
    shape = geometry(sheet)
    pressure = 0.5 * settings.air_density_kg_m3 * speed_m_s**2
    if settings.grip_changes and laps is not None:
        pressure = pressure * downforce_factor(settings, laps)
    front, rear = pressure * settings.downforce_area_front_m2, pressure * settings.downforce_area_rear_m2
    added: Floats | float = 0.0 if laps is None else added_mass_kg(settings, laps)
    arm = (sheet.car.mass_kg + added) * sheet.car.centre_of_gravity_height_mm / 1e3
    forces = np.zeros((speed_m_s.size, 7))
    forces[:, 0] = -(front + rear) - added * GRAVITY_M_S2
    forces[:, 1] = front * shape.x_m[0] + rear * shape.x_m[2] - arm * a_x
    forces[:, 2] = arm * a_y
    if tyre_rate_factor is not None:
        static = np.array([sheet.static_load_n(name) for name in CORNERS])
        forces[:, 3:7] += (tyre_rate_factor - 1.0) * static
    return forces


def slopes_at(elements: list[Element], settings: StintSettings, lap: float) -> Floats:
    """Slope of every element for one stint at a (fractional) lap, its faults applied, shape (n_elements,)."""
    return np.asarray(slopes_over(elements, settings, np.array([lap]))[0], dtype=np.float64)


def slopes_over(elements: list[Element], settings: StintSettings, laps: Floats) -> Floats:
    """Slope of every element at (fractional) laps of shape (n,), faults and scatter applied, shape (n, n_elements)."""
    slopes = np.repeat(np.array([[element.slope for element in elements]]), laps.size, axis=0)
    for fault in settings.damper_faults:
        scale = np.array([fault.scale_at(float(lap)) for lap in laps])
        for i, element in enumerate(elements):
            if element.corner == CORNERS.index(fault.corner) and element.kind in fault.directions:
                slopes[:, i] *= scale
    damping, tyre = damping_factor(settings, laps), tyre_factor(settings, laps)
    bars, friction = bar_factor(settings, laps), friction_n(settings, laps)
    for i, element in enumerate(elements):
        if element.kind in DIRECTIONS:
            slopes[:, i] *= damping
        elif element.kind == "tyre":
            slopes[:, i] *= tyre[:, element.corner]
        elif element.kind == "bar":
            slopes[:, i] *= bars[:, element.corner // 2]
        elif element.kind == "friction":
            slopes[:, i] = friction[:, element.corner] / FRICTION_FULL_AT_M_S
    return slopes


def preload_shift(elements: list[Element], settings: StintSettings) -> Floats:
    """Constant to add to what each element reads: lowered spring platforms, shape (n_elements,), m."""
    lowered = np.asarray(settings.platform_lowered_mm, dtype=np.float64) / 1e3
    return np.array([-lowered[e.corner] if e.kind == "spring" else 0.0 for e in elements])


def shift_over(elements: list[Element], settings: StintSettings, laps: Floats) -> Floats:
    """The same with what slips during the stint, at (fractional) laps of shape (n,), shape (n, n_elements), m."""
    shift = np.repeat(preload_shift(elements, settings)[None], laps.size, axis=0)
    platform = slipped_mm(settings, laps, "platform") / 1e3
    pushrod = slipped_mm(settings, laps, "pushrod") / 1e3
    for i, element in enumerate(elements):
        if element.kind == "spring":
            shift[:, i] -= platform[:, element.corner]
        if element.kind in {"spring", "bump stop", "metal"}:
            shift[:, i] -= pushrod[:, element.corner]
    return shift


def damper_force_n(elements: list[Element], slopes: Floats, block: NDArray[np.int64], velocity_mm_s: Floats) -> Floats:
    """Force of the dampers, positive against compression, from the same elements that move the car.

    Parameters
    ----------
    slopes : array of shape (n_blocks, n_elements)
        Each element's slope, its faults applied.
    block : array of shape (n,)
        Which row of `slopes` holds at each sample.
    velocity_mm_s : array of shape (n, 4), mm/s
        At the dampers.

    Returns
    -------
    array of shape (n, 4), N
    """
    forces = np.zeros_like(velocity_mm_s)
    for i, element in enumerate(elements):
        if element.kind in DIRECTIONS:
            beyond = velocity_mm_s[:, element.corner] / 1e3 + element.reads[18]
            forces[:, element.corner] += slopes[block, i] * np.clip(beyond, element.low, element.high)
    return forces
