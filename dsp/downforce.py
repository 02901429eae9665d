"""Downforce from the suspension: what the air adds to each axle's load, against dynamic pressure.

In: car blocks of one stream. Out: the axles' coefficients C_z A with honest intervals, or the reason why there are
none. `DownforceWatch` collects steady windows (`dsp.steady`); `result` fits load = intercept + C_z A x pressure for
both axles at once, robustly, with errors related by place (`dsp.robust_fit`). Nothing raises.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from dsp.air import ASSUMED
from dsp.downforce_result import Downforce, Estimate, SpeedBand
from dsp.frame import CarBlock
from dsp.robust_fit import RobustFit, robust_fit
from dsp.steady import CLUSTER, FORWARD, FRONT, MOST_WINDOWS, PRESSURE, REAR, SPEED, SteadyWindows
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet

__all__ = ["Downforce", "DownforceWatch", "Estimate", "SpeedBand"]

# Fewer and a cluster-robust error is itself anyone's guess: its own relative error is about 1/sqrt(2 (places - 2)).
LEAST_PLACES: Final = 8
WIDEST_SHARE: Final = 0.5  # of the value, that its interval may be wide; a wider one would mislead more than help
# What the force of a damper whose curve is unknown can hide: 40 simulated stints of a car with 1.4 times as much
# damping in rebound as in compression were off by +4 % (front) and -1.5 % (rear) on the mean without the curves.
UNDAMPED_SHARE: Final = 0.03
BAND_KM_H: Final = 10.0
_CONFIDENCE: Final = 0.95
NARROW_M2: Final = 0.1  # an interval so narrow is an answer, also when the answer is next to nothing
# A lap's mean vertical acceleration is near 0; half of gravity is neither that nor a calibration's error.
_NOT_AT_REST_M_S2: Final = 4.9
# An intercept is news when it is beyond chance and more than this share of the axle's static load, which is about what
# fuel and a driver's belongings change.
_INTERCEPT_SHARE: Final = 0.02
_AXLES: Final = ("front", "rear")
_GATE_WORDS: Final = {
    "unknown": "values missing",
    "slow": "too slow",
    "cornering": "cornering",
    "accelerating": "braking or accelerating",
    "rough": "dampers too busy",
    "kerb": "on a kerb",
    "bump_stops": "on the bump stops",
}


class DownforceWatch:
    """Weighs the air over a stint.

    In 40 simulated stints of an out-lap and three timed laps the axles' coefficients were within 1 % of the truth (RMS;
    worst 2.8 %) and their 95 % intervals held it in all. A logged vertical acceleration makes the total three times as
    sharp (`benchmarks/downforce_study.py`). The simulated car's dampers have no friction, and its links carry no
    vertical load.

    What no interval can know: a spring rate, motion ratio or air density that is wrong by 1 % puts 1 % into the
    coefficient. A wrong zero goes into the intercept instead, and so does weight put in or taken out since the zeros
    were taken. Burnt fuel does too: every lap passes all speeds, so that a slowly falling weight leans on none of them.

    Parameters
    ----------
    sheet : Sheet
        Masses, geometry, gates and air.
    row_rate_hz : float
        Rows of a block a second.
    stride : int
        Samples from row to row.
    """

    def __init__(self, sheet: Sheet, row_rate_hz: float, stride: int) -> None:
        self._steady = SteadyWindows(sheet, row_rate_hz, stride)
        self._settings = sheet.downforce
        self._undamped = [corner for corner in CORNERS if sheet.suspension(corner).damper is None]
        self._static_n = [
            sum(sheet.static_load_n(corner) for corner in corners) for corners in (CORNERS[:2], CORNERS[2:])
        ]

    def process(self, block: CarBlock) -> None:
        """Take the next block of the stream."""
        self._steady.process(block)

    def result(self) -> Downforce:
        """What is known by now; may be asked at any time, and changes nothing."""
        steady = self._steady
        windows = steady.windows()
        common = Downforce(
            reason="",
            windows_judged=steady.judged,
            windows_used=len(windows),
            windows_dropped=steady.dropped,
            windows_refused=dict(steady.refused),
            air_density_kg_m3=steady.density_kg_m3,
            air_density_how=steady.density_how,
        )
        values = dict(vars(common))
        if len(windows):
            values["places"] = len(np.unique(windows[:, CLUSTER]))
            values["slowest_m_s"] = float(windows[:, SPEED].min())
            values["fastest_m_s"] = float(windows[:, SPEED].max())
        values["reason"] = self._too_little(common, windows)
        values["notes"] = self._notes()
        if values["reason"]:
            return Downforce(**values)
        try:
            fit = robust_fit(self._design(windows), windows[:, [FRONT, REAR]], windows[:, CLUSTER].astype(np.int64))
        except ValueError:
            values["reason"] = "steady running differs too little in speed and acceleration from place to place"
            return Downforce(**values)
        found = _coefficients(fit, self._unknown_damping())
        values["reason"] = _too_vague(found)
        if not values["reason"]:
            values |= found
            values["front_scatter_n"], values["rear_scatter_n"] = (float(scale) for scale in fit.scale)
            values["bands"] = self._bands(windows, fit)
            values["notes"] += self._intercept_notes(found)
        return Downforce(**values)

    def _design(self, windows: Floats) -> Floats:
        """Columns: 1, dynamic pressure, and forward acceleration when the sheet can't tell its transfer."""
        columns = [np.ones(len(windows)), windows[:, PRESSURE]]
        if not self._steady.transfer_known:
            columns.append(windows[:, FORWARD])
        return np.stack(columns, axis=1)

    def _too_little(self, common: Downforce, windows: Floats) -> str:
        settings = self._settings
        refused = common.windows_refused
        if len(windows) < settings.least_windows:
            if refused["speed_unknown"] == common.windows_judged > 0:
                return "speed is not logged"
            named = {gate: count for gate, count in refused.items() if gate in _GATE_WORDS and count}
            most = max(named, key=lambda gate: named[gate], default="")
            because = f"; of {common.windows_judged}, {named[most]} were refused as {_GATE_WORDS[most]}" if most else ""
            return (
                f"only {len(windows)} steady windows of {settings.window_s:g} s, "
                f"{settings.least_windows} are needed{because}"
            )
        vertical = self._steady.mean_vertical_m_s2
        if abs(vertical) > _NOT_AT_REST_M_S2:
            return (
                f"vertical acceleration averages {vertical:.1f} m/s2; it must read 0 at rest, upward positive: "
                "give its column an offset"
            )
        slowest, fastest = float(windows[:, SPEED].min()), float(windows[:, SPEED].max())
        if fastest < settings.least_speed_ratio * slowest:
            return (
                f"steady running only from {slowest * 3.6:.0f} to {fastest * 3.6:.0f} km/h; "
                f"the fastest must be {settings.least_speed_ratio:g} times the slowest"
            )
        places = len(np.unique(windows[:, CLUSTER]))
        if places < LEAST_PLACES:
            return f"steady running at only {places} places (or times); {LEAST_PLACES} are needed to know the error"
        return ""

    def _unknown_damping(self) -> Floats:
        """Standard error of each axle's coefficient that unknown damper forces add, as a share of it."""
        unknown = [any(corner in self._undamped for corner in corners) for corners in (CORNERS[:2], CORNERS[2:])]
        return np.where(unknown, UNDAMPED_SHARE, 0.0)

    def _notes(self) -> tuple[str, ...]:
        steady = self._steady
        notes = []
        if self._undamped:
            notes.append(
                f"no damper curve for {' '.join(self._undamped)}: the mean force of a damper that is stiffer in "
                f"rebound is missing; {UNDAMPED_SHARE:.0%} of the axle's coefficient were added to its error"
            )
        if not steady.transfer_known:
            notes.append("centre_of_gravity_height_mm is not given: the longitudinal transfer was fitted as well")
        if steady.density_how == ASSUMED:
            notes.append("air: the standard atmosphere's 1.225 kg/m3 was assumed")
        for channel, meaning in (
            ("lateral", "lateral acceleration was unknown: cornering was not refused"),
            ("longitudinal", "longitudinal acceleration was unknown: taken from the speed's change"),
            ("place", f"the place on the lap was unknown: errors are taken as related within {10:g} s"),
        ):
            if count := steady.without[channel]:
                notes.append(f"in {count} of {steady.accepted} windows {meaning}")
        if steady.dropped:
            notes.append(f"only the newest {MOST_WINDOWS} windows are held; {steady.dropped} older ones were dropped")
        return tuple(notes)

    def _intercept_notes(self, found: dict[str, Estimate]) -> tuple[str, ...]:
        notes = []
        for axle, static_n in zip(_AXLES, self._static_n, strict=True):
            intercept = found[f"{axle}_intercept_n"]
            beyond_chance = intercept.low > 0.0 or intercept.high < 0.0
            if beyond_chance and abs(intercept.value) > _INTERCEPT_SHARE * static_n:
                notes.append(
                    f"{axle} axle {intercept.value:+.0f} N at no speed (95 %: {intercept.low:+.0f} to "
                    f"{intercept.high:+.0f}): check the sensors' zeros, and what was in the car when they were taken"
                )
        return tuple(notes)

    def _bands(self, windows: Floats, fit: RobustFit) -> tuple[SpeedBand, ...]:
        loads = windows[:, [FRONT, REAR]].copy()
        if not self._steady.transfer_known:
            loads -= windows[:, [FORWARD]] * fit.coefficients[:, 2]
        numbers = np.floor(windows[:, SPEED] * 3.6 / BAND_KM_H).astype(np.int64)
        bands = []
        for number in np.unique(numbers).tolist():
            inside = numbers == number
            clusters = windows[inside, CLUSTER]
            front, rear = (_mean(loads[inside, axle], clusters) for axle in range(2))
            bands.append(
                SpeedBand(
                    from_km_h=number * BAND_KM_H,
                    to_km_h=(number + 1) * BAND_KM_H,
                    windows=int(inside.sum()),
                    dynamic_pressure_pa=float(windows[inside, PRESSURE].mean()),
                    front_n=front[0],
                    front_standard_error_n=front[1],
                    rear_n=rear[0],
                    rear_standard_error_n=rear[1],
                )
            )
        return tuple(bands)


def _mean(values: Floats, clusters: Floats) -> tuple[float, float]:
    """Mean and its standard error; NaN for the error when there is only one cluster."""
    if len(np.unique(clusters)) < 2:
        return float(values.mean()), math.nan
    fit = robust_fit(np.ones((len(values), 1)), values[:, np.newaxis], clusters.astype(np.int64), tuning=math.inf)
    return float(fit.coefficients[0, 0]), math.sqrt(fit.covariance[0, 0, 0, 0])


def _coefficients(fit: RobustFit, unknown_share: Floats) -> dict[str, Estimate]:
    """Coefficients, intercepts, total and share, with intervals from Student's t for the number of clusters.

    `unknown_share`, shape (2,), is a further standard error of each axle's coefficient as a share of it.
    """
    from scipy.special import stdtrit  # see `dsp.libraries`

    quantile = float(stdtrit(fit.degrees_of_freedom, 0.5 + _CONFIDENCE / 2.0))

    def estimate(value: float, variance: float) -> Estimate:
        error = math.sqrt(max(variance, 0.0))
        return Estimate(value, error, value - quantile * error, value + quantile * error)

    area = fit.coefficients[:, 1]
    joint = fit.covariance[:, 1, :, 1] + np.diag((unknown_share * area) ** 2)
    front, rear, total = float(area[0]), float(area[1]), float(area[0] + area[1])
    own = (float(joint[0, 0]), float(joint[1, 1]))
    shared = float(joint[0, 1])
    found = {
        "front_m2": estimate(front, own[0]),
        "rear_m2": estimate(rear, own[1]),
        "total_m2": estimate(total, own[0] + own[1] + 2.0 * shared),
        "front_share": Estimate(),
    }
    if not found["total_m2"].low <= 0.0 <= found["total_m2"].high:  # a share of nothing is no number
        # Delta method: the share's slopes are rear/total^2 and -front/total^2.
        variance = (rear**2 * own[0] + front**2 * own[1] - 2.0 * front * rear * shared) / total**4
        found["front_share"] = estimate(front / total, variance)
    for axle, name in enumerate(_AXLES):
        variance = float(fit.covariance[axle, 0, axle, 0])
        found[f"{name}_intercept_n"] = estimate(float(fit.coefficients[axle, 0]), variance)
    return found


def _too_vague(found: dict[str, Estimate]) -> str:
    """Why the coefficients can't be given, or nothing.

    An axle may well have little downforce of its own, so it is held against half the total when that is more.
    """
    total = found["total_m2"]
    for name in ("total", *_AXLES):
        one = found[f"{name}_m2"]
        compared = max(abs(one.value), abs(total.value) / 2.0)
        if not one.high - one.low <= max(WIDEST_SHARE * compared, NARROW_M2):
            return (
                f"the {name} coefficient can only be put between {one.low:.2f} and {one.high:.2f} m2 (95 %): "
                "more steady running at more speeds is needed"
            )
    return ""
