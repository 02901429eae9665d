"""The plan of a rehearsal: which faults are put into a log, where and when. One small TOML file.

`load_plan(path)` returns a validated `Plan` or raises `PlanError` that lists every mistake at once: the fault's number
and key, what was expected, and a hint. Under which sheet a rehearsal runs, `ingest.rehearsal_mark` says.
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from ingest.chunk import CORNERS
from ingest.errors import PlanError
from ingest.sheet_parts import Finite, Part, Positive, within
from ingest.sheet_problems import describe_problems
from ingest.text import clean
from ingest.toml_text import parsed

_LARGEST_PLAN_BYTES = 100_000  # a plan is a few hundred bytes; anything larger is some other file
MOST_FAULTS = 40  # more than a crew could tell apart in a day

Corner = Literal["FL", "FR", "RL", "RR"]
LapShare = Annotated[float, Field(ge=0, lt=1)]
# No run is longer than some days, or has as many laps; beyond, sample numbers would end.
Seconds = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
SomeSeconds = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
Laps = Annotated[float, Field(ge=0, le=1e4, allow_inf_nan=False)]
SomeLaps = Annotated[float, Field(gt=0, le=1e4, allow_inf_nan=False)]


class Fault(Part):
    """What every fault has: where in the log it begins, by `lap` and share of that lap's time, or by `time_s`."""

    kind: str
    lap: Annotated[int, Field(ge=-1000, le=100_000)] | None = None
    share: LapShare = 0.0
    time_s: Seconds | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        mistakes = list(self._mistakes())
        if mistakes:
            raise ValueError("; ".join(mistakes))
        return self

    def _mistakes(self) -> Iterator[str]:
        """What does not go together."""
        if (self.lap is None) == (self.time_s is None):
            yield "give either lap (with share, if you like) or time_s (one of them)"
        if self.time_s is not None and self.share:
            yield "share belongs to lap; time_s says all"

    @property
    def corners(self) -> tuple[str, ...]:
        """The corners it concerns, in the usual order; none for a lost link."""
        return (self.corner,) if isinstance(self, _AtCorner) else ()

    @property
    def words(self) -> str:
        """What it is, in words, without when."""
        raise NotImplementedError


class _AtCorner(Fault):
    """A fault of one corner."""

    corner: Corner


class _Growing(Fault):
    """A fault that stays to the end and may grow: over some seconds or laps."""

    over_s: Seconds | None = None
    over_laps: Laps | None = None

    def _mistakes(self) -> Iterator[str]:
        yield from super()._mistakes()
        if self.over_s is not None and self.over_laps is not None:
            yield "give over_s or over_laps, not both"

    @property
    def at_once(self) -> bool:
        """Whether it is there whole from its first sample."""
        return not (self.over_s or self.over_laps)

    @property
    def _slowly(self) -> str:
        if self.at_once:
            return ""
        return f" over {self.over_s:g} s" if self.over_s else f" over {self.over_laps:g} laps"


class _Passing(Fault):
    """A fault that passes after some seconds or laps; without either it stays."""

    for_s: SomeSeconds | None = None
    for_laps: SomeLaps | None = None

    def _mistakes(self) -> Iterator[str]:
        yield from super()._mistakes()
        if self.for_s is not None and self.for_laps is not None:
            yield "give for_s or for_laps, not both"

    @property
    def _for(self) -> str:
        if self.for_s is None and self.for_laps is None:
            return ", to the end"
        return f" for {self.for_s:g} s" if self.for_s is not None else f" for {self.for_laps:g} laps"


class DamperFault(_Growing, _AtCorner):
    """A damper that keeps only a share of its force (above 1: it has too much)."""

    kind: Literal["damper"]
    force_left: Annotated[float, Field(ge=0, le=3)]
    direction: Literal["both", "compression", "rebound"] = "both"

    @property
    def words(self) -> str:
        """What it is."""
        way = "" if self.direction == "both" else f" in {self.direction}"
        return f"damper {self.corner} keeps {100.0 * self.force_left:g} % of its force{way}{self._slowly}"


class LoweredFault(_Growing):
    """The body sits lower above the wheels of an axle or a corner, as by a spring platform that was wound down."""

    kind: Literal["lowered"]
    axle: Literal["front", "rear"] | None = None
    corner: Corner | None = None
    by_mm: Annotated[float, within(-200.0, 200.0, "mm", {"metres": 1000.0})]

    def _mistakes(self) -> Iterator[str]:
        yield from super()._mistakes()
        if (self.axle is None) == (self.corner is None):
            yield "give either axle or corner (one of them)"

    @property
    def corners(self) -> tuple[str, ...]:
        """One corner, or both of the axle."""
        if self.corner is not None:
            return (self.corner,)
        return tuple(corner for corner in CORNERS if corner[0] == ("F" if self.axle == "front" else "R"))

    @property
    def words(self) -> str:
        """What it is."""
        where = f"{self.axle} axle" if self.axle is not None else self.corner
        how = f"{self.by_mm:g} mm lower" if self.by_mm >= 0.0 else f"{-self.by_mm:g} mm higher"
        return f"body {how} at {where}{self._slowly}"


class ZeroFault(_Growing, _AtCorner):
    """A sensor whose zero slips, at once or slowly."""

    kind: Literal["zero_slips"]
    by_mm: Annotated[float, within(-200.0, 200.0, "mm", {"metres": 1000.0})]

    @property
    def words(self) -> str:
        """What it is."""
        return f"sensor {self.corner}: its zero slips by {self.by_mm:g} mm{self._slowly}"


class GainFault(_Growing, _AtCorner):
    """A sensor that shows a multiple of the travel, about the travel's zero."""

    kind: Literal["gain"]
    factor: Annotated[float, Field(gt=0, le=10)]

    @property
    def words(self) -> str:
        """What it is."""
        return f"sensor {self.corner} shows {self.factor:g} times the travel{self._slowly}"


class BrokenWireFault(_Passing, _AtCorner):
    """A sensor without its wire (`unplugged`), or shorted to ground: the reading goes to its rail, or is missing."""

    kind: Literal["unplugged", "short_circuit"]
    # The rail is a reading beyond the sheet's reading_range; "nothing" is an empty cell.
    reads: Literal["rail", "nothing"] = "rail"
    # The very reading of the rail, in the sensor's unit, where it is known.
    reading: Finite | None = None

    def _mistakes(self) -> Iterator[str]:
        yield from super()._mistakes()
        if self.reads == "nothing" and self.reading is not None:
            yield 'reading is that of a rail; leave it out, or reads = "nothing"'

    @property
    def words(self) -> str:
        """What it is."""
        what = "has a short circuit" if self.kind == "short_circuit" else "is unplugged"
        return f"sensor {self.corner} {what}{self._for}"


class StuckFault(_Passing, _AtCorner):
    """A sensor that stays at its last reading."""

    kind: Literal["stuck"]

    @property
    def words(self) -> str:
        """What it is."""
        return f"sensor {self.corner} is stuck{self._for}"


class SpikesFault(_Passing, _AtCorner):
    """Single wrong readings, spread evenly, up and down in turn."""

    kind: Literal["spikes"]
    count: Annotated[int, Field(ge=1, le=10_000)]
    by_mm: Annotated[Positive, within(0.1, 500.0, "mm", {"metres": 1000.0})] = 20.0

    def _mistakes(self) -> Iterator[str]:
        yield from super()._mistakes()
        if self.for_s is None and self.for_laps is None:
            yield "spikes need for_s or for_laps, over which they are spread"

    @property
    def words(self) -> str:
        """What it is."""
        return f"sensor {self.corner}: {self.count} spikes of {self.by_mm:g} mm{self._for}"


class LinkFault(_Passing):
    """No samples at all for a while."""

    kind: Literal["link_lost"]

    def _mistakes(self) -> Iterator[str]:
        yield from super()._mistakes()
        if self.for_s is None and self.for_laps is None:
            yield "a lost link needs for_s or for_laps: after its end there would be no run"

    @property
    def words(self) -> str:
        """What it is."""
        return f"no samples{self._for}"


KINDS: dict[str, type[Fault]] = {
    "damper": DamperFault,
    "lowered": LoweredFault,
    "zero_slips": ZeroFault,
    "gain": GainFault,
    "unplugged": BrokenWireFault,
    "short_circuit": BrokenWireFault,
    "stuck": StuckFault,
    "spikes": SpikesFault,
    "link_lost": LinkFault,
}


@dataclass(frozen=True)
class Plan:
    """A validated plan: its faults in the file's order, what it was read from, and that file's SHA-256."""

    faults: tuple[Fault, ...]
    shown: str = "plan"
    digest: str = ""


class _Whole(Part):
    """The file's keys; the faults are looked at one by one."""

    fault: Annotated[list[dict[str, Any]], Field(min_length=1, max_length=MOST_FAULTS)]


def load_plan(path: str | Path) -> Plan:
    """Read and validate a plan.

    Raises
    ------
    PlanError
        The file can't be read, is not TOML, or holds mistakes; all of them are listed.
    """
    shown = clean(path, 200)
    try:
        with Path(path).open("rb") as file:
            content = file.read(_LARGEST_PLAN_BYTES + 1)
    except ValueError:
        raise PlanError(shown, ["no file can have such a name"]) from None
    except OSError as error:
        raise PlanError(shown, [f"can't be read: {clean(error.strerror or error)}"]) from None
    if len(content) > _LARGEST_PLAN_BYTES:
        raise PlanError(shown, [f"is longer than {_LARGEST_PLAN_BYTES} bytes; a plan is a small TOML text"])
    return parse_plan(parsed(content, shown, PlanError), shown, hashlib.sha256(content).hexdigest())


def parse_plan(raw: dict[str, Any], shown: str = "plan", digest: str = "") -> Plan:
    """Validate a plan that is already a dictionary; raises `PlanError` as `load_plan` does."""
    if raw.get("fault") == [] or not raw:
        raise PlanError(shown, ["holds no [[fault]]: there is nothing to rehearse"])
    try:
        entries = _Whole.model_validate(raw).fault
        problems = []
    except ValidationError as error:
        problems = list(dict.fromkeys(_of_the_whole(line) for line in describe_problems(error, _Whole)))
        given = raw.get("fault")
        entries = [one for one in given if isinstance(one, dict)][:MOST_FAULTS] if isinstance(given, list) else []
    faults = []
    for number, entry in enumerate(entries, start=1):
        found = _fault(entry, number)
        if isinstance(found, Fault):
            faults.append(found)
        else:
            problems += found
    if problems:
        raise PlanError(shown, problems)
    return Plan(tuple(faults), shown, digest)


def _fault(entry: dict[str, Any], number: int) -> Fault | list[str]:
    """One fault, or what is wrong with it."""
    where = f"fault {number}"
    kind = entry.get("kind")
    model = KINDS.get(kind) if isinstance(kind, str) else None
    if model is None:
        known = ", ".join(KINDS)
        if kind is None:
            return [f"{where}.kind: is missing; there are {known}"]
        near = difflib.get_close_matches(str(kind), list(KINDS), n=1, cutoff=0.5)
        hint = f"; did you mean {near[0]}?" if near else ""
        return [f"{where}.kind: must be one of {known}, not {clean(repr(kind), 40)}{hint}"]
    try:
        return model.model_validate(entry)
    except ValidationError as error:
        return describe_problems(error, model, (where,))


def _of_the_whole(line: str) -> str:
    where, _, what = line.partition(": ")
    if where.startswith("fault"):
        wrong = "has too many faults" if what.startswith("has too many") else "must be written [[fault]], once for each"
        return f"fault: {wrong}"
    return line
