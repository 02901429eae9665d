"""One lap of a results directory, reduced to what the debrief shows.

In: a record of laps.jsonl, of any shape. Out: a `Lap`, or None for what is none. Numbers that are missing are NaN.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from console.debrief_values import number, part, parts, text
from dsp.statistics import SHARE_NAMES
from ingest.chunk import CORNERS

# Points of the platform and stretches of the lap that are shown: more can't be told apart in a figure.
MOST_POINTS, MOST_STRETCHES = 12, 20
NAME_LENGTH = 32


@dataclass(frozen=True)
class LapPoint:
    """One point of the platform: heights, mm above the road; `place_m` is where on the lap it was lowest."""

    limit_mm: float
    lowest_mm: float
    place_m: float
    regime: str
    below_s: float
    stretches: tuple[tuple[float, float, float], ...]  # from m, to m, lowest mm: where it was below its limit


@dataclass(frozen=True)
class StopContact:
    """One contact with a bump stop."""

    corner: int
    place_m: float
    duration_s: float
    peak_force_n: float


@dataclass(frozen=True)
class LapCorner:
    """One corner: velocity RMS, share of the time in each of `SHARE_NAMES`, bump-stop contacts and samples."""

    rms_mm_s: float
    shares: tuple[float, ...]
    contacts: float
    contact_s: float
    longest_s: float
    peak_force_n: float
    top_outs: float
    samples_used: float


@dataclass(frozen=True)
class Lap:
    """One lap that is over; `corners` in the order FL FR RL RR, `points` by name."""

    name: str
    kind: str
    reason: str
    start_s: float
    duration_s: float
    distance_m: float
    received: float
    idle: float
    lost: float
    corners: tuple[LapCorner, ...]
    points: dict[str, LapPoint]
    contacts: tuple[StopContact, ...]
    asymmetry: dict[str, float]

    @property
    def margin(self) -> tuple[str, float]:
        """The point that came nearest to its limit, and by how much it stayed above, mm; NaN when none is known."""
        margins = {name: point.lowest_mm - point.limit_mm for name, point in self.points.items()}
        found = {name: margin for name, margin in margins.items() if math.isfinite(margin)}
        nearest = min(found, key=lambda name: found[name], default="")
        return nearest, found.get(nearest, math.nan)

    @property
    def contact_s(self) -> float:
        """Time on bump stops, s, all corners; NaN when none is known."""
        times = [corner.contact_s for corner in self.corners if math.isfinite(corner.contact_s)]
        return sum(times) if times else math.nan


def lap_of(record: Any) -> Lap | None:
    """A lap from its record; None when the record is none of a lap."""
    if not isinstance(record, dict) or "lap" not in record or not math.isfinite(number(record, "start_s")):
        return None
    corners = tuple(_corner(part(record, "corners", corner)) for corner in CORNERS)
    contacts = tuple(
        StopContact(
            CORNERS.index(text(one, "corner")),
            number(one, "place_m"),
            number(one, "duration_s"),
            number(one, "peak_force_n"),
        )
        for one in parts(record, "hardest_contacts", "bump_stop_contacts")[:100]
        if text(one, "corner") in CORNERS
    )
    return Lap(
        text(record, "lap", most=12),
        text(record, "kind", most=12),
        text(record, "reason", most=100),
        number(record, "start_s"),
        number(record, "duration_s"),
        number(record, "distance_m"),
        number(record, "samples_received"),
        number(record, "samples_idle"),
        number(record, "samples_lost"),
        corners,
        points_of(record),
        contacts,
        asymmetry_of(record),
    )


def points_of(record: dict[str, Any]) -> dict[str, LapPoint]:
    """The platform's points of a lap or a stint, by name."""
    found: dict[str, LapPoint] = {}
    for name, raw in list(part(record, "platform").items())[:MOST_POINTS]:
        stretches = tuple(
            (number(one, "from_m"), number(one, "to_m"), number(one, "lowest_mm"))
            for one in parts(raw, "below_limit_at")[:MOST_STRETCHES]
        )
        known_s = number(raw, "time_known_s")
        found[text({"": name}, "", most=NAME_LENGTH)] = LapPoint(
            number(raw, "limit_mm"),
            number(raw, "lowest_mm"),
            number(raw, "lowest_place_m"),
            text(raw, "lowest_regime", most=20),
            # A height that was never known was not above its limit either.
            math.nan if known_s == 0.0 else number(raw, "time_below_limit_s"),
            tuple(one for one in stretches if all(map(math.isfinite, one)) and one[1] > one[0]),
        )
    return found


def asymmetry_of(record: dict[str, Any]) -> dict[str, float]:
    """By how many per cent the left damper is faster, at each axle and direction."""
    return {
        text({"": place}, "", most=NAME_LENGTH): number(entry, "left_faster_percent")
        for place, entry in list(part(record, "asymmetry").items())[:8]
    }


def _corner(raw: dict[str, Any]) -> LapCorner:
    return LapCorner(
        number(raw, "velocity_rms_mm_s"),
        tuple(number(raw, "time_share", name) for name in SHARE_NAMES),
        number(raw, "bump_stop", "contacts"),
        number(raw, "bump_stop", "total_time_s"),
        number(raw, "bump_stop", "longest_s"),
        number(raw, "bump_stop", "peak_force_n"),
        number(raw, "top_out", "contacts"),
        number(raw, "samples_used"),
    )
