"""Wheel loads from damper travel, velocity and acceleration: springs, stops, bar, damper, and the unsprung mass.

In: rows of the car's grid. Out: the suspension's force and the wheel's load, N at the wheel. The wheel's own vertical
acceleration is that against the body, which the damper shows, plus the body's, which is taken from the suspension's
force on the axle's sprung mass, without its slow part (that one the air and the driver make). Holds the state of that
one filter; a gap resets it. NaN where a corner, or what it needs of its axle's other corner, is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.forces import DroopStopForce, ForceCurve, SpringForce, StopForce
from dsp.high_pass import HighPass
from dsp.kinematics import MotionRatio
from ingest.chunk import AXLE_CORNERS, AXLES, CORNERS, Floats
from ingest.sheet import Sheet

GRAVITY_M_S2 = 9.80665  # ISO 80000-3, the conventional value
# Below this the suspension's force balances air, driver and slopes; above it, it accelerates the body (1 to 4 Hz).
_BODY_FROM_HZ = 1.0
# Up to so many rows are computed for all like corners at once.
_FEW_ROWS = 512


@dataclass(frozen=True)
class CornerForces:
    """Arrays of shape (n_rows, 4), N at the wheel.

    `stop_n` is the bump stop's force, `suspension_n` the change from static of all forces, `quiet_n` the same without
    the damper's (known wherever travel is), `load_n` the wheel's load on the road. At full droop without a droop stop
    the load is unknown: damper or links hold what the spring pushes.
    """

    stop_n: Floats
    suspension_n: Floats
    quiet_n: Floats
    load_n: Floats


class _Corner:
    """One corner's parts."""

    def __init__(self, sheet: Sheet, corner: str) -> None:
        part = sheet.suspension(corner)
        self.linkage = MotionRatio.of(part)
        self.static_n = sheet.static_load_n(corner)
        self.unsprung_kg = part.unsprung_mass_kg
        self.sprung_n = self.static_n - self.unsprung_kg * GRAVITY_M_S2
        self.stop = StopForce(part.bump_stop)
        self.droop = DroopStopForce(part.droop_stop)
        self.damper = None if part.damper is None else ForceCurve(part.damper.curve)
        nothing = np.zeros(1)
        ratio = float(self.linkage.ratio_of(nothing)[0])
        # At static the spring carries what a stop that is touched there does not.
        self.spring_n = self.sprung_n / ratio - float(self.stop(nothing)[0])


class _Likes:
    """Corners in a row whose parts are alike, computed at once: `columns` of the car's four."""

    def __init__(self, sheet: Sheet, corners: list[_Corner], first: int) -> None:
        self.columns = slice(first, first + len(corners))
        one = corners[0]
        self._linkage, self._stop, self._droop, self._damper = one.linkage, one.stop, one.droop, one.damper
        self._sprung_n = np.array([corner.sprung_n for corner in corners])
        self._spring = SpringForce(
            sheet.suspension(CORNERS[first]).spring, np.array([corner.spring_n for corner in corners])
        )

    def forces(
        self, travel_mm: Floats, velocity_mm_s: Floats, acceleration_mm_s2: Floats, out: tuple[Floats, ...]
    ) -> None:
        """Put stop, whole and quiet force and the wheel's acceleration against the body, of the columns, into `out`."""
        stop, whole, quiet, wheel = (values[:, self.columns] for values in out)
        travel, velocity = travel_mm[:, self.columns], velocity_mm_s[:, self.columns]
        ratio: float | Floats | None = self._linkage.constant
        if ratio is None:
            ratio = self._linkage.ratio_of(travel)
        at_damper = self._stop(travel, velocity)
        np.multiply(at_damper, ratio, out=stop)
        at_damper += self._spring(travel)
        at_damper += self._droop(travel)
        np.multiply(at_damper, ratio, out=quiet)
        quiet -= self._sprung_n
        if self._damper is None:
            whole[:] = quiet
        else:
            np.multiply(self._damper(velocity), ratio, out=whole)
            whole += quiet
        np.divide(acceleration_mm_s2[:, self.columns], ratio, out=wheel)


def _alike(sheet: Sheet, corners: list[_Corner]) -> list[_Likes]:
    """Neighbours with the same parts put together."""
    groups: list[list[int]] = []
    for number, corner in enumerate(CORNERS):
        if groups and sheet.suspension(CORNERS[groups[-1][0]]) == sheet.suspension(corner):
            groups[-1].append(number)
        else:
            groups.append([number])
    return [_Likes(sheet, [corners[number] for number in group], group[0]) for group in groups]


class CornerLoads:
    """Turns rows into forces and loads.

    Parameters
    ----------
    sheet : Sheet
        The car.
    row_rate_hz : float
        Rows a second.
    """

    def __init__(self, sheet: Sheet, row_rate_hz: float) -> None:
        self._corners = [_Corner(sheet, corner) for corner in CORNERS]
        # Of few rows it is the calls that cost, of many it is room in the core's first cache.
        self._alike = _alike(sheet, self._corners)
        self._singly = [_Likes(sheet, [corner], number) for number, corner in enumerate(self._corners)]
        sprung_n = [corner.sprung_n for corner in self._corners]
        self._sprung_kg = np.array(
            [[(sprung_n[left] + sprung_n[right]) / GRAVITY_M_S2] for left, right in AXLE_CORNERS.values()]
        )
        self._unsprung_kg = np.array([corner.unsprung_kg for corner in self._corners])
        bars_n_mm = np.array([[sheet.axle.front.anti_roll_bar_n_mm], [sheet.axle.rear.anti_roll_bar_n_mm]])
        self._half_bars_n_mm = bars_n_mm / 2.0
        self._without_bar = [number for number in range(2) if bars_n_mm[number, 0] == 0.0]
        self.static_n = np.array([corner.static_n for corner in self._corners])
        self._links = LinkLoads(sheet)
        # Damper travel at which a wheel hangs; a droop stop in the sheet says with what force instead.
        within_mm = sheet.alerts.top_out.within_mm
        parts = [sheet.suspension(corner) for corner in CORNERS]
        self._full_droop_mm = np.array(
            [-np.inf if part.droop_stop else within_mm - part.travel_to_full_droop_mm for part in parts]
        )
        self._without_slow = HighPass(min(_BODY_FROM_HZ, row_rate_hz / 4.0), row_rate_hz, len(AXLES))

    def reset(self) -> None:
        """Begin a new stretch."""
        self._without_slow.reset()

    def process(
        self,
        damper_mm: Floats,
        velocity_mm_s: Floats,
        acceleration_mm_s2: Floats,
        wheel_mm: Floats,
        acceleration_x_m_s2: Floats,
        acceleration_y_m_s2: Floats,
    ) -> CornerForces:
        """Forces of consecutive rows: arrays of shape (n_rows, 4), accelerations of the car of shape (n_rows,)."""
        shape = damper_mm.shape
        stop, whole, quiet, load = (np.empty(shape, order="F") for _ in range(4))
        for group in self._alike if len(damper_mm) <= _FEW_ROWS else self._singly:
            group.forces(damper_mm, velocity_mm_s, acceleration_mm_s2, (stop, whole, quiet, load))
        load /= 1000.0
        # Both axles at once: turned, left and right wheels are every other row.
        wheels = wheel_mm.T
        bars = (wheels[::2] - wheels[1::2]) * self._half_bars_n_mm
        if self._without_bar:
            bars[self._without_bar] = 0.0  # an unknown wheel does not reach across
        for forces in (whole.T, quiet.T):
            forces[::2] += bars
            forces[1::2] -= bars
        axles = whole.T[::2] + whole.T[1::2]
        bodies = self._without_slow.process(axles) / self._sprung_kg
        loads = load.T
        loads[::2] += bodies
        loads[1::2] += bodies
        load *= self._unsprung_kg
        load += whole
        load += self.static_n
        hangs = damper_mm <= self._full_droop_mm
        if hangs.any():
            # What the spring pushes is held by damper or links then; the road may carry anything below it.
            load[hangs] = np.nan
        quiet += self.static_n
        accelerations = (acceleration_x_m_s2, acceleration_y_m_s2)
        if self._links.carry:
            if all(np.isfinite(values).all() for values in accelerations):
                self._links.add((load, quiet), *accelerations)
            else:
                self._links.add((load,), *accelerations)
                self._links.add((quiet,), *(np.nan_to_num(values) for values in accelerations))
        nothing = np.zeros(shape, order="F")
        np.maximum(load, nothing, out=load)
        np.maximum(quiet, nothing, out=quiet)
        return CornerForces(stop, whole, quiet, load)


class LinkLoads:
    """What reaches the wheels past the springs: through the links, and from the unsprung masses, when accelerating.

    Lateral: the sprung mass's force at the roll centre's height, and the unsprung mass's at its own. Longitudinal: the
    anti-dive, anti-lift and anti-squat shares of the sprung mass's transfer, and the unsprung masses' transfer. After
    Barton & Fieldhouse, Automotive Chassis Engineering (2018), p. 174. Where an acceleration is unknown so is the load;
    a log without its channel gives zeros, and these parts are missing from its loads.
    """

    def __init__(self, sheet: Sheet) -> None:
        car = sheet.car
        wheelbase_m = car.wheelbase_mm / 1000.0
        axles = (sheet.axle.front, sheet.axle.rear)
        tracks_m = (car.track_front_mm / 1000.0, car.track_rear_mm / 1000.0)
        # Per m/s2 of lateral acceleration (left), what the right wheel of each axle gains, N.
        self._lateral = []
        unsprung_arm = 0.0
        for axle, track_m, corners in zip(axles, tracks_m, AXLE_CORNERS.values(), strict=True):
            weight_n = sum(sheet.static_load_n(CORNERS[corner]) for corner in corners)
            unsprung_kg = sum(sheet.suspension(CORNERS[corner]).unsprung_mass_kg for corner in corners)
            sprung_kg = weight_n / GRAVITY_M_S2 - unsprung_kg
            moment = sprung_kg * axle.roll_centre_height_mm + unsprung_kg * axle.unsprung_centre_height_mm
            self._lateral.append(moment / 1000.0 / track_m)
            unsprung_arm += unsprung_kg * axle.unsprung_centre_height_mm / 1000.0
        self.unsprung_n = unsprung_arm / wheelbase_m  # an axle's transfer per m/s2, unsprung and sprung
        whole_arm = car.mass_kg * car.centre_of_gravity_height_mm / 1000.0
        # Without the centre of gravity's height the sprung part is not known, and left out.
        self.sprung_n = (whole_arm - unsprung_arm) / wheelbase_m if whole_arm > 0.0 else 0.0
        self._dive, self._lift, self._squat = (
            share / 100.0
            for share in (axles[0].anti_dive_percent, axles[1].anti_lift_percent, axles[1].anti_squat_percent)
        )
        self._any_x = self.unsprung_n != 0.0 or any((self._dive, self._lift, self._squat))
        # Whether anything at all goes past the springs, as far as the sheet says.
        self.carry = self._any_x or any(self._lateral)

    def add(self, loads_n: tuple[Floats, ...], acceleration_x_m_s2: Floats, acceleration_y_m_s2: Floats) -> None:
        """Add to each of some loads of shape (n_rows, 4), in place."""
        for number, (left, right) in enumerate(AXLE_CORNERS.values()):
            if self._lateral[number]:
                gain = acceleration_y_m_s2 * self._lateral[number]
                for load_n in loads_n:
                    load_n[:, left] -= gain
                    load_n[:, right] += gain
        if self._any_x:
            for number, corners in enumerate(AXLE_CORNERS.values()):
                half = self.axle_n(acceleration_x_m_s2, number) / 2.0
                for load_n in loads_n:
                    for corner in corners:
                        load_n[:, corner] += half

    def axle_n(self, forward_m_s2: Floats, axle: int) -> Floats:
        """Load that an axle (0 front, 1 rear) gains past its springs, N, at forward accelerations."""
        if axle == 0:
            share = np.where(forward_m_s2 < 0.0, self._dive, 0.0)
            return -forward_m_s2 * (self.unsprung_n + self.sprung_n * share)
        share = np.where(forward_m_s2 < 0.0, self._lift, self._squat)
        return forward_m_s2 * (self.unsprung_n + self.sprung_n * share)

    def through_springs_n(self, forward_m_s2: Floats, axle: int) -> Floats:
        """Load that an axle (0 front, 1 rear) gains through its springs, N, at forward accelerations."""
        total = forward_m_s2 * (self.unsprung_n + self.sprung_n)
        gained = -total if axle == 0 else total
        return gained - self.axle_n(forward_m_s2, axle)
