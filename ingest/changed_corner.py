"""What one corner's damper travel would have been with a weaker damper or a lower spring seat: a quarter car.

In: the travel that was measured, and at each sample what is left of the damper's force and how far the seat is down.
Out: what the change adds to that travel, mm; NaN where the travel is. Causal, one sample after the other, so that any
split gives the same bits. Memory: the state of two masses. Nothing raises for a validated sheet.

The measured travel already holds what road, air and driver did. Only the difference of two cars is reckoned: a sprung
and an unsprung mass that are pushed apart by how much the changed corner's forces differ from the healthy one's.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet
from ingest.sheet_parts import Pair, Suspension, slope_at

GRAVITY_M_S2 = 9.80665  # ISO 80000-3, the conventional value
# Stand-ins for what a sheet may leave out: usual for a racing car, and said in docs/rehearsal.md.
DAMPING_RATIO = 0.5
UNSPRUNG_SHARE = 0.15  # of the weight on the wheel
TYRE_STATIC_MM = 12.0  # what the weight on the wheel squashes a tyre by
METAL_N_MM = 4000.0  # past full bump or full droop parts meet metal,
METAL_GIVES_MM = 1.0  # and no sensor shows more of it than this
# No damper moves as fast, and no sensor that does tells of one.
FASTEST_MM_S = 5000.0
_LONGEST_STEP_S = 0.001
# Of the fastest period and of the shortest decay; by halves of a step this keeps the error in one part in thousands.
_SHARE_OF_RADIAN = 0.25
_SHARE_OF_DECAY = 0.4
_MOST_STEPS = 64


class Line:
    """A table of [x, force] as a function of one number, its end lines prolonged; quicker for one than an array's."""

    def __init__(self, table: list[Pair]) -> None:
        self._x = [x for x, _ in table]
        self._y = [y for _, y in table]
        self._slopes = [slope_at(table, x) for x in self._x[:-1]]
        self._last = len(self._slopes) - 1

    def __call__(self, x: float) -> float:
        """Force at one place."""
        knots, piece = self._x, 0
        while piece < self._last and x >= knots[piece + 1]:
            piece += 1
        return self._y[piece] + (x - knots[piece]) * self._slopes[piece]


class ChangedCorner:
    """One corner of a changed car.

    Parameters
    ----------
    sheet : Sheet
        Masses, rates, stops and the damper's curve; see the constants above for what it leaves out.
    corner : str
        FL, FR, RL or RR.
    rate_hz : float
        Sample rate.
    """

    def __init__(self, sheet: Sheet, corner: str, rate_hz: float) -> None:
        part = sheet.suspension(corner)
        weight_kg = sheet.static_load_n(corner) / GRAVITY_M_S2
        self.unsprung_kg = part.unsprung_mass_kg or UNSPRUNG_SHARE * weight_kg
        self.sprung_kg = max(weight_kg - self.unsprung_kg, 0.1 * weight_kg)
        self.ratio = static_ratio(part)
        self.spring_n_mm = part.spring.rate_at(0.0)
        # The other wheel of the axle stays where it is: half of the bar's rate against it.
        self.bar_n_mm = sheet.axle_of(corner).anti_roll_bar_n_mm / 2.0
        self.tyre_n_mm = part.tyre_rate_n_mm or weight_kg * GRAVITY_M_S2 / TYRE_STATIC_MM
        self.corner = CORNERS.index(corner)
        at_wheel = self.spring_n_mm * self.ratio**2
        critical = 2.0 * math.sqrt(at_wheel * 1000.0 * self.sprung_kg) / 1000.0 / self.ratio**2
        self.damper = Line(
            [(-1.0, -DAMPING_RATIO * critical), (0.0, 0.0), (1.0, DAMPING_RATIO * critical)]
            if part.damper is None
            else part.damper.curve
        )
        self._stops = _stops(part)
        self._lowest_mm = -part.travel_to_full_droop_mm - METAL_GIVES_MM
        self._highest_mm = part.travel_to_full_bump_mm + METAL_GIVES_MM
        self._rate_hz = rate_hz
        self._steps = self._steps_a_sample(part)
        # Heights of body and wheel against the unchanged car, mm, and their speeds, mm/s; the travel before.
        self._state = (0.0, 0.0, 0.0, 0.0)
        self._before: float | None = None
        self._rests = False

    @property
    def steps(self) -> int:
        """Steps of reckoning from one sample to the next."""
        return self._steps

    def reset(self) -> None:
        """After a gap: the body is where it rests, and nothing moves. Before the first sample nothing has changed."""
        self._rests = self._rests or self._before is not None
        self._before = None

    def process(self, travel_mm: Floats, seat_mm: Floats, compression: Floats, rebound: Floats) -> Floats:
        """What the change adds to some samples of travel.

        Parameters
        ----------
        travel_mm : array of shape (n_samples,), mm
            Damper travel as measured.
        seat_mm : array of shape (n_samples,), mm
            How far the spring's seat is down, as damper travel at rest.
        compression, rebound : array of shape (n_samples,)
            What is left of the damper's force each way, as a share.

        Returns
        -------
        array of shape (n_samples,), mm
        """
        added = np.full(travel_mm.shape, np.nan)
        rows = zip(
            travel_mm.tolist(), seat_mm.tolist(), compression.tolist(), rebound.tolist(), range(len(added)), strict=True
        )
        for travel, seat, press, pull, place in rows:
            known = travel == travel
            before = self._before
            if before is None:
                if known:
                    rest = seat if self._rests else 0.0
                    self._state = (-rest / self.ratio, 0.0, 0.0, 0.0)
                    self._before = travel
                    added[place] = rest
                continue
            # Over an unknown sample the car is taken to stand where it was: the change alone moves on.
            speed = (travel - before) * self._rate_hz if known else 0.0
            if abs(speed) > FASTEST_MM_S:
                speed = 0.0
            self._advance(before, speed, seat, press, pull)
            if known:
                self._before = travel
                added[place] = self.ratio * (self._state[2] - self._state[0])
        # What was measured out there itself stays.
        highest, lowest = np.maximum(self._highest_mm - travel_mm, 0.0), np.minimum(self._lowest_mm - travel_mm, 0.0)
        result: Floats = np.clip(added, lowest, highest)
        return result

    def _advance(self, travel: float, speed: float, seat: float, press: float, pull: float) -> None:
        """One sample on, by the midpoint rule."""
        step = 1.0 / (self._rate_hz * self._steps)
        half = step / 2.0
        body, body_speed, wheel, wheel_speed = self._state
        healthy = self.damper(speed)
        change = self._change
        for _ in range(self._steps):
            a, b = change(body, body_speed, wheel, wheel_speed, travel, speed, seat, press, pull, healthy)
            travel += speed * half
            mid_body_speed, mid_wheel_speed = body_speed + half * a, wheel_speed + half * b
            a, b = change(
                body + half * body_speed,
                mid_body_speed,
                wheel + half * wheel_speed,
                mid_wheel_speed,
                travel,
                speed,
                seat,
                press,
                pull,
                healthy,
            )
            travel += speed * half
            body += step * mid_body_speed
            wheel += step * mid_wheel_speed
            body_speed += step * a
            wheel_speed += step * b
        self._state = (body, body_speed, wheel, wheel_speed)

    def _change(
        self,
        body: float,
        body_speed: float,
        wheel: float,
        wheel_speed: float,
        travel: float,
        speed: float,
        seat: float,
        press: float,
        pull: float,
        healthy: float,
    ) -> tuple[float, float]:
        """Accelerations of body and wheel against the unchanged car, mm/s2."""
        ratio = self.ratio
        more = ratio * (wheel - body)
        faster = speed + ratio * (wheel_speed - body_speed)
        force = self.spring_n_mm * (more - seat) + self.damper(faster) * (press if faster > 0.0 else pull) - healthy
        for stop in self._stops:
            force += stop(travel + more) - stop(travel)
        at_wheel = ratio * force + self.bar_n_mm * (more - seat) / ratio
        return (
            1000.0 * at_wheel / self.sprung_kg,
            1000.0 * (-at_wheel - self.tyre_n_mm * wheel) / self.unsprung_kg,
        )

    def _steps_a_sample(self, part: Suspension) -> int:
        """As many as the stiffest spring and the strongest damper ask for."""
        knots = [x for x, _ in part.damper.curve] if part.damper is not None else [-1.0, 0.0, 1.0]
        slopes = [(self.damper(x + 1e-3) - self.damper(x - 1e-3)) / 2e-3 for x in knots]
        at_wheel = self.ratio**2
        stiffest = METAL_N_MM * at_wheel + self.tyre_n_mm
        radian_s = math.sqrt(1000.0 * stiffest / self.unsprung_kg)
        decay_s = 1000.0 * max(slopes) * at_wheel / self.unsprung_kg
        longest = min(_LONGEST_STEP_S, _SHARE_OF_RADIAN / radian_s, _SHARE_OF_DECAY / max(decay_s, 1e-9))
        return min(_MOST_STEPS, math.ceil(1.0 / (self._rate_hz * longest)))


def static_ratio(part: Suspension) -> float:
    """Damper travel per wheel travel at static ride height."""
    ratio = part.motion_ratio_damper_per_wheel
    if isinstance(ratio, float):
        return ratio
    if ratio is None:
        assert part.damper_against_wheel_mm is not None
        return slope_at(part.damper_against_wheel_mm, 0.0)
    wheel, ratios = zip(*ratio, strict=True)
    return float(np.interp(0.0, wheel, ratios))


def _stops(part: Suspension) -> list[Callable[[float], float]]:
    """Forces against compression of what is met at the ends of the stroke."""
    bump, droop = part.travel_to_full_bump_mm, -part.travel_to_full_droop_mm

    def metal(travel: float) -> float:
        if travel > bump:
            return METAL_N_MM * (travel - bump)
        return METAL_N_MM * (travel - droop) if travel < droop else 0.0

    stops: list[Callable[[float], float]] = [metal]
    if part.bump_stop is not None:
        foam, gap = Line(part.bump_stop.force), part.bump_stop.gap_mm
        stops.append(lambda travel: foam(travel - gap) if travel > gap else 0.0)
    if part.droop_stop is not None:
        pull, below = Line(part.droop_stop.force), -part.droop_stop.gap_mm
        stops.append(lambda travel: -pull(below - travel) if travel < below else 0.0)
    return stops
