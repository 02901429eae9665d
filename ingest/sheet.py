"""The car sheet: one TOML file that describes car, sensors, log and limits.

`load_sheet(path)` returns a validated `Sheet` or raises `SheetError` that lists every mistake at once: the
key's path, what was expected, and a hint (the nearest known key, the allowed units).
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, PrivateAttr, ValidationError, model_validator

from ingest.chunk import CORNERS
from ingest.errors import SheetError
from ingest.sheet_air import Air, DownforceSettings, Regimes
from ingest.sheet_limits import Alerts, LapSettings, PlatformPoint, StatisticsSettings, VelocitySettings
from ingest.sheet_link import LinkLayout
from ingest.sheet_log import LogLayout
from ingest.sheet_parts import (
    BumpStop,
    Damper,
    DroopStop,
    Finite,
    MonotoneTable,
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
from ingest.sheet_wall import PitWall
from ingest.text import clean
from ingest.toml_text import parsed

_OTHER_LENGTHS = {"metres": 1000.0, "cm": 10.0, "inches": 25.4}
_LINKAGE = ("motion_ratio_damper_per_wheel", "damper_against_wheel_mm")
_WEIGHTS_AGREE = 0.02  # scales and sheet: fuel and driver within a fiftieth of the mass
_LARGEST_SHEET_BYTES = 1_000_000  # a sheet is a few kB; anything larger is some other file


def _printable(name: str) -> str:
    if clean(name) != name:
        raise ValueError("must be printable text on one line")
    return name


RideHeightMm = Annotated[Positive, within(1.0, 1000.0, "mm", {"metres": 1000.0})]


class Car(Part):
    """The car as a whole. `front_share` is the front axle's share of the static weight."""

    name: Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_printable)]
    mass_kg: Annotated[Positive, within(50.0, 20_000.0, "kg", {"tonnes": 1000.0, "grams": 0.001})]
    front_share: Annotated[float, Field(gt=0, lt=1)]
    wheelbase_mm: Annotated[Positive, within(1000.0, 6000.0, "mm", _OTHER_LENGTHS)]
    track_front_mm: Annotated[Positive, within(500.0, 3000.0, "mm", _OTHER_LENGTHS)]
    track_rear_mm: Annotated[Positive, within(500.0, 3000.0, "mm", _OTHER_LENGTHS)]
    # 0 is not given.
    centre_of_gravity_height_mm: Annotated[Positive, within(50.0, 3000.0, "mm", {"metres": 1000.0})] = 0.0
    # Height of the underside above the road at each axle line, static; for rake.
    ride_height_front_mm: RideHeightMm | None = None
    ride_height_rear_mm: RideHeightMm | None = None

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.ride_height_front_mm is None) != (self.ride_height_rear_mm is None):
            raise ValueError("give ride_height_front_mm and ride_height_rear_mm both, or neither")
        return self


Percent = Annotated[float, Field(ge=-100, le=200)]


class Axle(Suspension):
    """One axle's suspension, shared by its two corners; its bar acts between them.

    What the links carry past the springs can't be seen by a position sensor: `roll_centre_height_mm`,
    `anti_dive_percent` (front, braking), `anti_lift_percent` (rear, braking) and `anti_squat_percent` (rear, driving)
    say how much. Heights are above the road.
    """

    # Force per mm of one wheel's travel when the two wheels move equally and oppositely.
    anti_roll_bar_n_mm: NotNegative = 0.0
    roll_centre_height_mm: Finite = 0.0
    unsprung_centre_height_mm: NotNegative = 0.0
    anti_dive_percent: Percent = 0.0
    anti_lift_percent: Percent = 0.0
    anti_squat_percent: Percent = 0.0


AXLE_ONLY = frozenset(Axle.model_fields) - frozenset(Suspension.model_fields)


class Axles(Part):
    """Both axles."""

    front: Axle
    rear: Axle


class CornerEntry(Part):
    """One corner: its sensor, its weight on the scales, and any key of its axle's suspension that differs here."""

    sensor: Sensor
    corner_weight_kg: Positive | None = None
    motion_ratio_damper_per_wheel: MotionRatio | None = None
    damper_against_wheel_mm: MonotoneTable | None = None
    travel_to_full_bump_mm: StrokeMm | None = None
    travel_to_full_droop_mm: StrokeMm | None = None
    spring: Spring | None = None
    bump_stop: BumpStop | None = None
    droop_stop: DroopStop | None = None
    damper: Damper | None = None
    tyre_rate_n_mm: Positive | None = None
    tyre_growth_mm_at_100_m_s: Annotated[float, Field(ge=0, le=50)] | None = None
    unsprung_mass_kg: NotNegative | None = None


class CornerEntries(Part):
    """The four corners."""

    FL: CornerEntry
    FR: CornerEntry
    RL: CornerEntry
    RR: CornerEntry


class StintNames(Part):
    """Where the car runs and on which set-up, in the team's own words; references are held against their like only."""

    circuit: Annotated[str, Field(max_length=80), AfterValidator(_printable)] = ""
    set_up: Annotated[str, Field(max_length=80), AfterValidator(_printable)] = ""


class Sheet(Part):
    """A validated car sheet.

    `suspension(corner)` and `sensor(corner)` answer per corner, axle values and corner overrides merged.
    """

    car: Car
    stint: StintNames = StintNames()
    axle: Axles
    corner: CornerEntries
    log: LogLayout
    link: LinkLayout | None = None
    pit_wall: PitWall | None = None
    platform: Annotated[dict[str, PlatformPoint], Field(max_length=24, default_factory=dict)]
    air: Air = Air()
    regimes: Regimes = Regimes()
    downforce: DownforceSettings = DownforceSettings()
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
            merged = axle.model_dump(exclude=set(AXLE_ONLY), exclude_none=True)
            own = entry.model_dump(exclude={"sensor", "corner_weight_kg"}, exclude_none=True)
            # A corner's own linkage replaces its axle's, whichever way each is given.
            for given, other in (_LINKAGE, _LINKAGE[::-1]):
                if given in own:
                    merged.pop(other, None)
            merged |= own
            try:
                self._suspensions[corner] = Suspension.model_validate(merged)
            except ValidationError as error:
                problems += describe_problems(error, Suspension, ("corner", corner))
        problems += self._weight_problems()
        for corner, part in self._suspensions.items():
            weight_kg = self.static_load_n(corner, gravity_m_s2=1.0)
            if part.unsprung_mass_kg >= weight_kg:
                problems.append(
                    f"corner.{corner}: unsprung_mass_kg ({part.unsprung_mass_kg:g}) must be below the "
                    f"{weight_kg:g} kg that this corner weighs; it is that of one wheel"
                )
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def _weight_problems(self) -> list[str]:
        weights = self._corner_weights_kg
        known = [weight for weight in weights if weight is not None]
        if not known:
            return []
        if len(known) < len(weights):
            missing = ", ".join(c for c, weight in zip(CORNERS, weights, strict=True) if weight is None)
            return [f"corner: corner_weight_kg must be given for all four corners or for none; missing: {missing}"]
        if abs(sum(known) - self.car.mass_kg) > _WEIGHTS_AGREE * self.car.mass_kg:
            total, mass = sum(known), self.car.mass_kg
            return [f"corner: the four corner_weight_kg add up to {total:g}, but car.mass_kg is {mass:g}"]
        return []

    @property
    def _corner_weights_kg(self) -> list[float | None]:
        entries: list[CornerEntry] = [getattr(self.corner, corner) for corner in CORNERS]
        return [entry.corner_weight_kg for entry in entries]

    def axle_of(self, corner: str) -> Axle:
        """The axle of one corner (FL, FR, RL or RR)."""
        return self.axle.front if corner[0] == "F" else self.axle.rear

    def suspension(self, corner: str) -> Suspension:
        """Spring, stop, damper, ratio and stroke of one corner (FL, FR, RL or RR)."""
        return self._suspensions[corner]

    def sensor(self, corner: str) -> Sensor:
        """The sensor of one corner (FL, FR, RL or RR)."""
        entry: CornerEntry = getattr(self.corner, corner)
        return entry.sensor

    def static_load_n(self, corner: str, gravity_m_s2: float = 9.80665) -> float:
        """Static wheel load of one corner: its weight on the scales, or half its axle's share of the car's weight."""
        weighed = self._corner_weights_kg[CORNERS.index(corner)]
        if weighed is not None:
            return weighed * gravity_m_s2
        share = self.car.front_share if corner[0] == "F" else 1.0 - self.car.front_share
        return self.car.mass_kg * gravity_m_s2 * share / 2.0

    @property
    def digest(self) -> str:
        """SHA-256 of the file the sheet was read from, in hexadecimal; empty for a sheet made in memory."""
        return self._digest

    @property
    def set_up_digest(self) -> str:
        """SHA-256, in hexadecimal, of what says how the dampers move: car, axles, corners and velocity.

        Sensors' zeros are left out, since every new zero would make another set-up of it; so are limits and links.
        """
        content = self.model_dump(mode="json", include={"car", "axle", "corner", "velocity"})
        for entry in content["corner"].values():
            entry["sensor"].pop("zero_mm", None)
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


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
    sheet = parse_sheet(parsed(content, shown), shown)
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
