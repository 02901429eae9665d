"""Two stints side by side: a table of differences, with units, and what makes them hard to compare.

In: two `Stint`s. Out: a `Table` and notes. A difference with an unknown side is a dash; that of two estimates has an
interval, taking their errors as independent.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from console.debrief_stint import Estimate, Stint
from console.debrief_story import interval, used_percent
from console.debrief_tables import Table
from console.debrief_values import DASH, shown
from ingest.chunk import CORNERS

_HIGH_SPEED = ((0, "rebound"), (3, "compression"))


def differences(this: Stint, other: Stint) -> Table:
    """What the one and the other say, and the first less the second."""
    return Table(
        "Differences",
        ("", "This stint", "The other", "This less the other"),
        tuple(_rows(this, other)),
        "Times on bump stops and below limits are per minute of running, so that stints of different lengths compare; "
        "intervals of 95 % take the two stints' errors as independent.",
    )


def doubts(this: Stint, other: Stint) -> list[str]:
    """Why the two may not compare."""
    found = []
    if this.car != other.car:
        found.append(f"The cars differ: {this.car or 'not known'} and {other.car or 'not known'}.")
    elif this.sheet_sha256 != other.sheet_sha256:
        found.append("The car sheets differ: what changed there shows as a difference, whether or not the car did.")
    if this.laps_timed != other.laps_timed:
        found.append("The numbers of timed laps differ: out laps and in laps weigh differently in the stints' totals.")
    if this.program_version != other.program_version:
        found.append("The results were written by different versions of the program.")
    return found


def _rows(this: Stint, other: Stint) -> Iterator[tuple[str, ...]]:
    yield _row("Duration, s", (this.duration_s, other.duration_s), ".1f")
    yield _row("Timed laps", (this.laps_timed, other.laps_timed), ".0f")
    yield _row("Best lap, s", (this.best_lap_s, other.best_lap_s), ".2f")
    yield _row("Announcements in ten minutes", (this.noise.in_ten_minutes, other.noise.in_ten_minutes), ".1f")
    for corner in CORNERS:
        here, there = this.corners[corner], other.corners[corner]
        yield _row(f"{corner} velocity RMS, mm/s", (here.rms_mm_s, there.rms_mm_s), ".1f")
        for number, way in _HIGH_SPEED:
            label = f"{corner} time in high-speed {way}, %"
            yield _row(label, (100.0 * here.shares[number], 100.0 * there.shares[number]), ".1f")
        pair = [60.0 * _per_s(one.contact_s, stint) for one, stint in ((here, this), (there, other))]
        yield _row(f"{corner} time on bump stop, s per minute", (pair[0], pair[1]), ".2f")
        yield _row(f"{corner} peak force of bump stop, N", (here.peak_force_n, there.peak_force_n), ".0f", "no contact")
        yield _row(
            f"{corner} running samples used, %", (used_percent(this, corner), used_percent(other, corner)), ".2f"
        )
    for place in dict.fromkeys((*this.asymmetry, *other.asymmetry)):
        both = [stint.asymmetry.get(place, math.nan) for stint in (this, other)]
        yield _row(f"Left faster, {place}, %", (both[0], both[1]), "+.1f")
    for name in dict.fromkeys((*this.points, *other.points)):
        lowest = [stint.points[name].lowest_mm if name in stint.points else math.nan for stint in (this, other)]
        yield _row(f"{name} lowest, mm", (lowest[0], lowest[1]), ".1f")
        first = [stint.p1_mm.get(name, math.nan) for stint in (this, other)]
        yield _row(f"{name} 1st percentile, mm", (first[0], first[1]), ".1f")
        below = [
            60.0 * _per_s(stint.points[name].below_s, stint) if name in stint.points else math.nan
            for stint in (this, other)
        ]
        yield _row(f"{name} below limit, s per minute", (below[0], below[1]), ".2f")
    yield _estimates("Front C_z A, m²", this.air.front_m2, other.air.front_m2, ".3f", "m²")
    yield _estimates("Rear C_z A, m²", this.air.rear_m2, other.air.rear_m2, ".3f", "m²")
    share = (this.air.front_share, other.air.front_share)
    yield _estimates("Front share of downforce, %", *share, ".1f", "%", 100.0)


def _per_s(seconds: float, stint: Stint) -> float:
    """Share of the running time; NaN where that is not known."""
    running_s = stint.running / stint.rate_hz if stint.rate_hz > 0.0 else math.nan
    return seconds / running_s if running_s > 0.0 else math.nan


def _row(label: str, both: tuple[float, float], form: str, none: str = "not known") -> tuple[str, ...]:
    here, there = both
    why = "one is not known"
    difference = shown(here - there, f"+{form.removeprefix('+')}", why=why)
    return label, shown(here, form, why=none), shown(there, form, why=none), difference


def _estimates(
    label: str, here: Estimate, there: Estimate, form: str, unit: str, scale: float = 1.0
) -> tuple[str, ...]:
    difference = here.value - there.value
    reach = math.hypot((here.high - here.low) / 2.0, (there.high - there.low) / 2.0)
    between = Estimate(difference, difference - reach, difference + reach)
    told = interval(between, f"+{form}", unit, scale, "one is not known")
    if math.isfinite(difference) and not math.isfinite(reach):
        told += f" {DASH} interval not known"
    return label, interval(here, form, unit, scale), interval(there, form, unit, scale), told
