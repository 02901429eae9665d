"""The car sheet: one TOML file that describes car, sensors, log and limits.

`load_sheet(path)` returns a validated `Sheet` or raises `SheetError` that lists every mistake at once: the
key's path, what was expected, and a hint (the nearest known key, the allowed units).
"""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, PrivateAttr, ValidationError, model_validator

from ingest.chunk import CORNERS
from ingest.errors import SheetError
from ingest.sheet_limits import Alerts, LapSettings, PlatformPoint, StatisticsSettings, VelocitySettings
from ingest.sheet_link import LinkLayout
from ingest.sheet_log import LogLayout
from ingest.sheet_parts import (
    BumpStop,
    Damper,
    MotionRatio,
    NotNegative,
    Part,
    Positive,
    Sensor,
    Spring,
    StrokeMm,
    Suspension,
    within,
)
from ingest.sheet_problems import describe_problems
from ingest.text import clean

_OTHER_LENGTHS = {"metres": 1000.0, "cm": 10.0, "inches": 25.4}
_LARGEST_SHEET_BYTES = 1_000_000  # a sheet is a few kB; anything larger is some other file


def _printable(name: str) -> str:
    if clean(name) != name:
        raise ValueError("must be printable text on one line")
    return name


class Car(Part):
    """The car as a whole. `front_share` is the front axle's share of the static weight."""

    name: Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_printable)]
    mass_kg: Annotated[Positive, within(50.0, 20_000.0, "kg", {"tonnes": 1000.0, "grams": 0.001})]
    front_share: Annotated[float, Field(gt=0, lt=1)]
    wheelbase_mm: Annotated[Positive, within(1000.0, 6000.0, "mm", _OTHER_LENGTHS)]
    track_front_mm: Annotated[Positive, within(500.0, 3000.0, "mm", _OTHER_LENGTHS)]
    track_rear_mm: Annotated[Positive, within(500.0, 3000.0, "mm", _OTHER_LENGTHS)]
    centre_of_gravity_height_mm: NotNegative = 0.0


class Axle(Suspension):
    """One axle's suspension, shared by its two corners; its bar acts between them."""

    # Force per mm of one wheel's travel when the two wheels move equally and oppositely.
    anti_roll_bar_n_mm: NotNegative = 0.0


class Axles(Part):
    """Both axles."""

    front: Axle
    rear: Axle


class CornerEntry(Part):
    """One corner: its sensor, and any key of its axle's suspension that differs here."""

    sensor: Sensor
    motion_ratio_damper_per_wheel: MotionRatio | None = None
    travel_to_full_bump_mm: StrokeMm | None = None
    travel_to_full_droop_mm: StrokeMm | None = None
    spring: Spring | None = None
    bump_stop: BumpStop | None = None
    damper: Damper | None = None
    tyre_rate_n_mm: Positive | None = None
    unsprung_mass_kg: NotNegative | None = None


class CornerEntries(Part):
    """The four corners."""

    FL: CornerEntry
    FR: CornerEntry
    RL: CornerEntry
    RR: CornerEntry


class Sheet(Part):
    """A validated car sheet.

    `suspension(corner)` and `sensor(corner)` answer per corner, axle values and corner overrides merged.
    """

    car: Car
    axle: Axles
    corner: CornerEntries
    log: LogLayout
    link: LinkLayout | None = None
    platform: Annotated[dict[str, PlatformPoint], Field(max_length=24, default_factory=dict)]
    velocity: VelocitySettings = VelocitySettings()
    statistics: StatisticsSettings = StatisticsSettings()
    laps: LapSettings = LapSettings()
    alerts: Alerts = Alerts()

    _suspensions: dict[str, Suspension] = PrivateAttr(default_factory=dict)
    _digest: str = PrivateAttr(default="")

    @model_validator(mode="after")
    def _merge_corners(self) -> Self:
        problems = [
            f"platform.{clean(name, 40)}: a point's name must be printable and of 1 to 40 characters"
            for name in self.platform
            if clean(name, 40) != name or not name
        ]
        for corner in CORNERS:
            axle = self.axle.front if corner[0] == "F" else self.axle.rear
            entry: CornerEntry = getattr(self.corner, corner)
            merged = axle.model_dump(exclude={"anti_roll_bar_n_mm"}, exclude_none=True)
            merged |= entry.model_dump(exclude={"sensor"}, exclude_none=True)
            try:
                self._suspensions[corner] = Suspension.model_validate(merged)
            except ValidationError as error:
                problems += describe_problems(error, Suspension, ("corner", corner))
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def suspension(self, corner: str) -> Suspension:
        """Spring, stop, damper, ratio and stroke of one corner (FL, FR, RL or RR)."""
        return self._suspensions[corner]

    def sensor(self, corner: str) -> Sensor:
        """The sensor of one corner (FL, FR, RL or RR)."""
        entry: CornerEntry = getattr(self.corner, corner)
        return entry.sensor

    def static_load_n(self, corner: str, gravity_m_s2: float = 9.80665) -> float:
        """Static wheel load of one corner: its axle's share of the weight, halved between left and right."""
        share = self.car.front_share if corner[0] == "F" else 1.0 - self.car.front_share
        return self.car.mass_kg * gravity_m_s2 * share / 2.0

    @property
    def digest(self) -> str:
        """SHA-256 of the file the sheet was read from, in hexadecimal; empty for a sheet made in memory."""
        return self._digest


def load_sheet(path: str | Path) -> Sheet:
    """Read and validate a car sheet.

    Raises
    ------
    SheetError
        The file can't be read, is not TOML, or holds mistakes; all of them are listed.
    """
    shown = clean(path, 200)
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise SheetError(shown, [f"can't be read: {error.strerror or error}"]) from None
    if len(content) > _LARGEST_SHEET_BYTES:
        raise SheetError(shown, [f"is {len(content)} bytes; a car sheet is a small TOML text. Is it the log?"])
    try:
        raw = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SheetError(shown, [f"is not UTF-8 text (byte {error.start}). Is it the log?"]) from None
    except tomllib.TOMLDecodeError as error:
        raise SheetError(shown, [f"is not valid TOML: {clean(error)}"]) from None
    except RecursionError:
        raise SheetError(shown, ["is nested too deeply"]) from None
    sheet = parse_sheet(raw, shown)
    sheet._digest = hashlib.sha256(content).hexdigest()
    return sheet


def parse_sheet(raw: dict[str, Any], shown: str = "car sheet") -> Sheet:
    """Validate a car sheet that is already a dictionary; raises `SheetError` as `load_sheet` does."""
    _expand_column_names(raw)
    try:
        return Sheet.model_validate(raw)
    except ValidationError as error:
        raise SheetError(shown, describe_problems(error, Sheet)) from None


def _expand_column_names(raw: dict[str, Any]) -> None:
    """Allow `speed = "v"` as short for `speed = { column = "v" }` wherever a column is named."""
    layout = raw.get("log")
    if not isinstance(layout, dict):
        return
    columns = layout.get("columns")
    for holder, names in ((layout, ("time", "counter")), (columns, None)):
        if isinstance(holder, dict):
            for key in names or list(holder):
                if isinstance(holder.get(key), str):
                    holder[key] = {"column": holder[key]}
