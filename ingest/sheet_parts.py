"""The parts of a car sheet that describe hardware: tables, sensors, springs, stops, dampers, an axle's suspension.

Each is a frozen pydantic model that refuses unknown keys. Lengths are in mm, forces in N, velocities in mm/s;
travel is positive in compression and 0 at static ride height. A wrong value raises pydantic's ValidationError,
which `ingest.sheet` turns into lines for a person.
"""

from __future__ import annotations

import itertools
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


def within(lowest: float, highest: float, unit: str, mistaken: dict[str, float]) -> AfterValidator:
    """Check a range that no car leaves; `mistaken` names other units, with how many of `unit` each one is."""

    def check(value: float) -> float:
        if lowest <= value <= highest:
            return value
        meant = next((name for name, factor in mistaken.items() if lowest <= value * factor <= highest), None)
        hint = f"; {value:g} looks like {meant}" if meant is not None else f", not {value:g}"
        raise ValueError(f"must be {lowest:g} to {highest:g}, in {unit}{hint}")

    return AfterValidator(check)


# Dampers of kart-sized cars to those of trucks, with much to spare: what lies outside is in another unit.
StrokeMm = Annotated[Positive, within(2.0, 500.0, "mm", {"metres": 1000.0})]
RateNmm = Annotated[Positive, within(1.0, 5000.0, "N/mm", {"N/m": 0.001})]
# TOML has no tuples: its lists are taken for them, though nothing else is converted.
Pair = Annotated[tuple[Finite, Finite], Field(strict=False)]


class Part(BaseModel):
    """Base of every part: immutable, unknown keys refused, no silent conversion of text to numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, str_max_length=200)


def _rising_first(table: list[Pair]) -> list[Pair]:
    if len(table) < 2:
        raise ValueError("a table needs at least two [x, y] pairs")
    for number, (before, after) in enumerate(itertools.pairwise(table), start=2):
        if after[0] <= before[0]:
            raise ValueError(f"row {number} ({after[0]:g}) must be larger than the row before it ({before[0]:g})")
    return table


def _monotone(table: list[Pair]) -> list[Pair]:
    _rising_first(table)
    steps = [after[1] - before[1] for before, after in itertools.pairwise(table)]
    if not (all(step > 0 for step in steps) or all(step < 0 for step in steps)):
        wrong = next(i for i, step in enumerate(steps, start=2) if step * steps[0] <= 0)
        raise ValueError(
            f"the second column must only rise or only fall; row {wrong} ({table[wrong - 1][1]:g}) turns back"
        )
    return table


def _rising_force(table: list[Pair]) -> list[Pair]:
    _rising_first(table)
    for number, (before, after) in enumerate(itertools.pairwise(table), start=2):
        if after[1] < before[1]:
            raise ValueError(f"force must not fall with compression; row {number} ({after[1]:g} N) does")
    return table


Table = Annotated[list[Pair], AfterValidator(_rising_first)]
MonotoneTable = Annotated[list[Pair], AfterValidator(_monotone)]
ForceTable = Annotated[list[Pair], AfterValidator(_rising_force)]


class Lever(Part):
    """A rotary sensor's lever: radius, and angle to the line of motion's normal at the sensor's zero degrees."""

    radius_mm: Positive
    angle_at_zero_deg: Annotated[float, Field(gt=-90, lt=90)] = 0.0


class Sensor(Part):
    """One position sensor, from its reading to damper travel.

    Linear: `points` are two [reading, sensor mm] pairs; without them the reading is already a length.
    Rotary: `points` are two [reading, degrees] pairs (without them the reading is already an angle), then
    `lever` geometry or a `table` of [degrees, sensor mm].
    """

    kind: Literal["linear", "rotary"] = "linear"
    unit: Literal["mm", "cm", "m", "inch", "V", "mV", "counts", "deg", "rad"]
    points: Annotated[tuple[Pair, Pair], Field(strict=False)] | None = None
    lever: Lever | None = None
    table: MonotoneTable | None = None
    compression: Literal["increases", "decreases"] = "increases"
    zero_mm: Finite = 0.0
    damper_per_sensor: Positive | MonotoneTable = 1.0
    reading_range: Pair | None = None
    open_circuit_reads: Literal["high", "low"] = "high"

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        electrical = self.unit in {"V", "mV", "counts"}
        angular = self.unit in {"deg", "rad"}
        if self.points is not None and self.points[0][0] == self.points[1][0]:
            raise ValueError("points: the two readings must differ")
        if self.points is not None and self.points[0][1] == self.points[1][1]:
            raise ValueError("points: the two positions must differ")
        if electrical and self.points is None:
            raise ValueError(f"a sensor read in {self.unit} needs points = [[reading, position], [reading, position]]")
        if self.kind == "linear":
            if angular:
                raise ValueError('a linear sensor can\'t read degrees or radians; use kind = "rotary"')
            if self.lever is not None or self.table is not None:
                raise ValueError('lever and table belong to kind = "rotary"')
        else:
            if not (electrical or angular):
                raise ValueError("a rotary sensor reads V, mV, counts, deg or rad")
            if (self.lever is None) == (self.table is None):
                raise ValueError("a rotary sensor needs either lever or table (one of them)")
        if self.reading_range is not None and not self.reading_range[0] < self.reading_range[1]:
            raise ValueError("reading_range must be [lowest, highest]")
        return self


class Spring(Part):
    """A coil spring at the damper: a rate, or a table of [damper travel mm, force N].

    `preload_n` is the spring's force at full droop. The weight on the wheel sets the spring's force at static; the
    preload is held against it by `damperwatch sheet`.
    """

    rate_n_mm: RateNmm | None = None
    table: ForceTable | None = None
    preload_n: NotNegative | None = None

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if (self.rate_n_mm is None) == (self.table is None):
            raise ValueError("give either rate_n_mm or table (one of them)")
        return self

    def rate_at(self, travel_mm: float) -> float:
        """Slope of force against damper travel, N/mm; at a knot, the slope above it."""
        if self.rate_n_mm is not None:
            return self.rate_n_mm
        assert self.table is not None
        return slope_at(self.table, travel_mm)


class BumpStop(Part):
    """A bump stop: damper travel from static to contact, and [compression mm, force N] from contact on.

    `hysteresis` is the share of the force that is missing while the stop opens again.
    """

    gap_mm: Finite
    force: ForceTable
    hysteresis: Annotated[float, Field(ge=0, le=0.9)] = 0.0

    @model_validator(mode="after")
    def _starts_at_zero(self) -> Self:
        if self.force[0] != (0.0, 0.0):
            raise ValueError("force must start with [0, 0], the moment of contact")
        return self


class DroopStop(Part):
    """A stop in rebound: damper travel from static down to contact, and [compression mm, force N] from there on."""

    gap_mm: Positive
    force: ForceTable

    @model_validator(mode="after")
    def _starts_at_zero(self) -> Self:
        if self.force[0] != (0.0, 0.0):
            raise ValueError("force must start with [0, 0], the moment of contact")
        return self


class Damper(Part):
    """A damper's curve: [velocity mm/s, force N], compression positive on both axes, through [0, 0]."""

    curve: ForceTable

    @model_validator(mode="after")
    def _passes_zero(self) -> Self:
        if (0.0, 0.0) not in self.curve:
            raise ValueError("curve must contain [0, 0]")
        if not self.curve[0][0] < 0 < self.curve[-1][0]:
            raise ValueError("curve must cover rebound (negative velocity) and compression (positive velocity)")
        return self

    def coefficients_at_zero(self) -> tuple[float, float]:
        """Slopes in N per mm/s just below (rebound) and just above (compression) zero velocity."""
        middle = self.curve.index((0.0, 0.0))
        below, zero, above = self.curve[middle - 1], self.curve[middle], self.curve[middle + 1]
        return (zero[1] - below[1]) / (zero[0] - below[0]), (above[1] - zero[1]) / (above[0] - zero[0])


# Damper travel per wheel travel; rockers give 0.5 to 2. A damper that hardly moves between two rows is a mistake.
_LARGEST_RATIO = 5.0
_SMALLEST_TABLED_RATIO = 0.01
MotionRatio = Annotated[float, Field(gt=0, lt=_LARGEST_RATIO)] | Table


class Suspension(Part):
    """What both corners of an axle share; a corner may override any key."""

    # Either the ratio (a number, or a table against wheel travel), or the travels themselves:
    # [wheel travel mm, damper travel mm], as a kinematics program prints them.
    motion_ratio_damper_per_wheel: MotionRatio | None = None
    damper_against_wheel_mm: MonotoneTable | None = None
    travel_to_full_bump_mm: StrokeMm
    travel_to_full_droop_mm: StrokeMm
    spring: Spring
    bump_stop: BumpStop | None = None
    droop_stop: DroopStop | None = None
    damper: Damper | None = None
    tyre_rate_n_mm: Positive | None = None
    # How much the tyre's radius grows by spinning, with the square of the speed.
    tyre_growth_mm_at_100_m_s: Annotated[float, Field(ge=0, le=50)] = 0.0
    unsprung_mass_kg: NotNegative = 0.0

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        ratio, travels = self.motion_ratio_damper_per_wheel, self.damper_against_wheel_mm
        if (ratio is None) == (travels is None):
            raise ValueError("give either motion_ratio_damper_per_wheel or damper_against_wheel_mm (one of them)")
        if travels is not None:
            if travels[-1][1] < travels[0][1]:
                raise ValueError("damper_against_wheel_mm: damper travel must rise with wheel travel")
            if not travels[0][0] <= 0.0 <= travels[-1][0]:
                raise ValueError("damper_against_wheel_mm: the table must reach over wheel travel 0 (static)")
            for number, (before, after) in enumerate(itertools.pairwise(travels), start=2):
                made = (after[1] - before[1]) / (after[0] - before[0])
                if not _SMALLEST_TABLED_RATIO < made < _LARGEST_RATIO:
                    raise ValueError(
                        f"damper_against_wheel_mm: row {number} makes a ratio of {made:.3g} damper per wheel; "
                        f"it must be above {_SMALLEST_TABLED_RATIO:g} and below {_LARGEST_RATIO:g}"
                    )
        if isinstance(ratio, list) and not all(0 < row[1] < _LARGEST_RATIO for row in ratio):
            raise ValueError("motion_ratio_damper_per_wheel: every ratio in the table must be above 0 and below 5")
        if self.bump_stop is not None and self.bump_stop.gap_mm >= self.travel_to_full_bump_mm:
            raise ValueError(
                f"bump_stop.gap_mm ({self.bump_stop.gap_mm:g}) must be smaller than "
                f"travel_to_full_bump_mm ({self.travel_to_full_bump_mm:g})"
            )
        if self.droop_stop is not None and self.droop_stop.gap_mm >= self.travel_to_full_droop_mm:
            raise ValueError(
                f"droop_stop.gap_mm ({self.droop_stop.gap_mm:g}) must be smaller than "
                f"travel_to_full_droop_mm ({self.travel_to_full_droop_mm:g})"
            )
        return self


def slope_at(table: list[Pair], x: float) -> float:
    """Slope of a piecewise-linear table at `x`: above a knot at a knot, of the end pieces outside."""
    for (x0, y0), (x1, y1) in itertools.pairwise(table):
        if x < x1:
            return (y1 - y0) / (x1 - x0)
    (x0, y0), (x1, y1) = table[-2], table[-1]
    return (y1 - y0) / (x1 - x0)


def value_at(table: list[Pair], x: float) -> float:
    """Value of a piecewise-linear table at `x`; held at its end values outside."""
    if x <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(table):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return table[-1][1]


def check_below(low_name: str, low: float, high_name: str, high: float) -> None:
    """Raise ValueError, naming both keys, unless `low` is below `high`."""
    if not low < high:
        raise ValueError(f"{low_name} ({low:g}) must be below {high_name} ({high:g})")
