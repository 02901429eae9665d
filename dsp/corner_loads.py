"""Wheel loads from damper travel, velocity and acceleration: springs, stops, bar, damper, and the unsprung mass.

In: rows of the car's grid. Out: the suspension's force and the wheel's load, N at the wheel. The wheel's own vertical
acceleration is that against the body, which the damper shows, plus the body's, which is taken from the suspension's
force on the axle's sprung mass, without its slow part (that one the air and the driver make). Holds the state of that
one filter; a gap resets it. NaN where a corner, or what it needs of its axle's other corner, is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter, lfilter_zi

from dsp.forces import DroopStopForce, ForceCurve, SpringForce, StopForce
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
        self._bars_n_mm = (sheet.axle.front.anti_roll_bar_n_mm, sheet.axle.rear.anti_roll_bar_n_mm)
        self.static_n = np.array([corner.static_n for corner in self._corners])
        self._links = LinkLoads(sheet)
        # Damper travel at which a wheel hangs; a droop stop in the sheet says with what force instead.
        within_mm = sheet.alerts.top_out.within_mm
        parts = [sheet.suspension(corner) for corner in CORNERS]
        self._full_droop_mm = np.array(
            [-np.inf if part.droop_stop else within_mm - part.travel_to_full_droop_mm for part in parts]
        )
        frequency = min(_BODY_FROM_HZ, row_rate_hz / 4.0)
        self._high_pass = butter(1, frequency, "high", fs=row_rate_hz)
        self._steady = lfilter_zi(*self._high_pass)
        self._state: list[Floats | None] = [None, None]

    def reset(self) -> None:
        """Begin a new stretch."""
        self._state = [None, None]

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
        axles = np.empty((2, len(whole)))
        for number, axle in enumerate(AXLES):
            left, right = AXLE_CORNERS[axle]
            if self._bars_n_mm[number] == 0.0:
                bar = np.zeros(len(wheel_mm))  # without one an unknown wheel does not reach across
            else:
                bar = (wheel_mm[:, left] - wheel_mm[:, right]) * (self._bars_n_mm[number] / 2.0)
            for forces in (whole, quiet):
                forces[:, left] += bar
                forces[:, right] -= bar
            np.add(whole[:, left], whole[:, right], out=axles[number])
        bodies = self._without_slow(axles) / self._sprung_kg
        for number, axle in enumerate(AXLES):
            for corner in AXLE_CORNERS[axle]:
                load[:, corner] += bodies[number]
        load *= self._unsprung_kg
        load += whole
        load += self.static_n
        hangs = damper_mm <= self._full_droop_mm
        if hangs.any():
            # What the spring pushes is held by damper or links then; the road may carry anything below it.
            load[hangs] = np.nan
        quiet += self.static_n
        accelerations = (acceleration_x_m_s2, acceleration_y_m_s2)
        if all(np.isfinite(values).all() for values in accelerations):
            self._links.add((load, quiet), *accelerations)
        else:
            self._links.add((load,), *accelerations)
            self._links.add((quiet,), *(np.nan_to_num(values) for values in accelerations))
        np.maximum(load, 0.0, out=load)
        np.maximum(quiet, 0.0, out=quiet)
        return CornerForces(stop, whole, quiet, load)

    def _without_slow(self, force_n: Floats) -> Floats:
        """The axles' forces, shape (2, n_rows), less their slow parts, run by run of known rows."""
        states = self._state
        if force_n.shape[1] and states[0] is not None and states[1] is not None and not np.isnan(force_n).any():
            # The usual block: both at once, each by itself.
            both, after = lfilter(*self._high_pass, force_n, zi=np.stack((states[0], states[1])))
            self._state = [after[0], after[1]]
            return np.asarray(both)
        return np.stack([self._known_runs(axle, force) for axle, force in enumerate(force_n)])

    def _known_runs(self, axle: int, force_n: Floats) -> Floats:
        unknown = np.isnan(force_n)
        if not unknown.any():
            return self._filtered(axle, force_n)
        result = np.full(force_n.shape, np.nan)
        edges = np.flatnonzero(np.diff(unknown)) + 1
        for start, stop in zip([0, *edges.tolist()], [*edges.tolist(), len(force_n)], strict=True):
            if unknown[start]:
                self._state[axle] = None
            else:
                result[start:stop] = self._filtered(axle, force_n[start:stop])
        return result

    def _filtered(self, axle: int, force_n: Floats) -> Floats:
        if len(force_n) == 0:
            return force_n
        state = self._state[axle]
        if state is None:
            state = self._steady * force_n[0]  # as if it had been so for long
        result: Floats
        result, self._state[axle] = lfilter(*self._high_pass, force_n, zi=state)
        return result


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
