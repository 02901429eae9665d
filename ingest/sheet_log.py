"""The part of a car sheet that says how a log is laid out: columns, units, time axis, delimiter.

Any CSV or Parquet log fits: each role (a damper, speed, lap number ...) names its column, unit and scale.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from ingest.sheet_parts import Finite, Part, Positive
from ingest.units import ACCELERATION_TO_M_S2, DISTANCE_TO_M, SPEED_TO_M_S, TIME_TO_S

ColumnName = Annotated[str, Field(min_length=1, max_length=200)]


class TimeColumn(Part):
    """The column that holds time; samples missing from it are found from its steps."""

    column: ColumnName
    unit: Literal["s", "ms", "us", "ns"] = "s"

    @property
    def to_s(self) -> float:
        """Factor from the column's unit to seconds."""
        return TIME_TO_S[self.unit]


class CounterColumn(Part):
    """The column that holds the device's own sample counter, and the value at which it starts again at 0."""

    column: ColumnName
    wraps_at: Annotated[int, Field(gt=1)] | None = None


class Column(Part):
    """One role's column: (value in house units) = ((value in file) x scale + offset) x (its unit's factor).

    A damper's unit, and that of a lap number or marker, is not given here.
    """

    column: ColumnName
    scale: Finite = 1.0
    offset: Finite = 0.0

    @model_validator(mode="after")
    def _useful(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        return self

    @property
    def unit_factor(self) -> float:
        """Factor from the column's unit to the house's; 1 for a column without a unit."""
        return 1.0


class SpeedColumn(Column):
    """A speed column."""

    unit: Literal["m/s", "km/h", "mph"]

    @property
    def unit_factor(self) -> float:
        """Factor to m/s."""
        return SPEED_TO_M_S[self.unit]


class AccelerationColumn(Column):
    """An acceleration column."""

    unit: Literal["m/s2", "g"]

    @property
    def unit_factor(self) -> float:
        """Factor to m/s2."""
        return ACCELERATION_TO_M_S2[self.unit]


class DistanceColumn(Column):
    """A lap-distance column."""

    unit: Literal["m", "km", "mm", "ft"]

    @property
    def unit_factor(self) -> float:
        """Factor to m."""
        return DISTANCE_TO_M[self.unit]


class Columns(Part):
    """Which column holds which role. The four dampers are required; a damper's unit is given by its sensor."""

    damper_FL: Column
    damper_FR: Column
    damper_RL: Column
    damper_RR: Column
    speed: SpeedColumn | None = None
    acceleration_longitudinal: AccelerationColumn | None = None
    acceleration_lateral: AccelerationColumn | None = None
    lap_number: Column | None = None
    lap_marker: Column | None = None
    lap_distance: DistanceColumn | None = None
    # Upward positive, 0 at rest; a sensor that reads 1 g at rest needs an offset of -1 g.
    acceleration_vertical: AccelerationColumn | None = None

    def side(self, role: str) -> Column | None:
        """The column of a side role, or None when the log has none."""
        entry: Column | None = getattr(self, role)
        return entry

    def damper(self, corner: str) -> Column:
        """The column of one corner's damper sensor."""
        entry: Column = getattr(self, f"damper_{corner}")
        return entry


class LogLayout(Part):
    """How a log file is laid out.

    Without `time` and `counter` every row is one sample at `rate_hz`. With a counter, `rate_hz` is required;
    with a time column it is measured from the log unless given.
    """

    columns: Columns
    time: TimeColumn | None = None
    counter: CounterColumn | None = None
    rate_hz: Annotated[Positive, Field(ge=20, le=20_000)] | None = None
    delimiter: Literal[",", ";", "\t", "|", " "] = ","
    decimal: Literal[".", ","] = "."
    skip_lines: Annotated[int, Field(ge=0, le=1000)] = 0
    lines_after_names: Annotated[int, Field(ge=0, le=100)] = 0

    @model_validator(mode="after")
    def _time_axis(self) -> Self:
        if self.time is not None and self.counter is not None:
            raise ValueError("give either time or counter, not both")
        if self.time is None and self.rate_hz is None:
            raise ValueError("rate_hz is needed when there is no time column")
        if self.decimal == self.delimiter:
            raise ValueError("decimal and delimiter must differ")
        return self
