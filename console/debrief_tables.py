"""The tables of the debrief: headers and cells, every number with its unit, a dash with a reason where there is none.

In: a `Stint`. Out: `Table`s of strings, bounded; the page escapes them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from console.debrief_alarms import announcements
from console.debrief_laps import Lap
from console.debrief_stint import Corner, Stint
from console.debrief_story import interval, used_percent
from console.debrief_values import DASH, count, number, part, parts, shown, stamp, text
from ingest.chunk import CORNERS
from ingest.link_block import LinkCounts

# More rows would make a page that nobody reads; the results hold all of them.
MOST_ROWS = 200
_NO_SUMMARY = "no summary"
_SHARES = (
    "Time in high-speed rebound, %",
    "Time in low-speed rebound, %",
    "Time in low-speed compression, %",
    "Time in high-speed compression, %",
)


@dataclass(frozen=True)
class Table:
    """A caption, column headers (the first is of the row headers), rows, and a note below."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    wide: bool = False  # sentences in cells: takes the page's width


def corner_table(stint: Stint) -> Table:
    """Each corner over the stint."""
    why = _NO_SUMMARY if stint.of_laps else "not known"

    def row(label: str, form: str, name: str, none: str = why, scale: float = 1.0) -> tuple[str, ...]:
        values = (getattr(stint.corners[corner], name) for corner in CORNERS)
        return label, *(shown(scale * value, form, why=none) for value in values)

    shares = (
        (label, *(shown(100.0 * stint.corners[corner].shares[place], ".1f", why=why) for corner in CORNERS))
        for place, label in enumerate(_SHARES)
    )
    return Table(
        "Each corner over the stint",
        ("", *CORNERS),
        (
            row("Velocity RMS, mm/s", ".1f", "rms_mm_s"),
            row("Velocity RMS in compression, mm/s", ".1f", "rms_compression_mm_s"),
            row("Velocity RMS in rebound, mm/s", ".1f", "rms_rebound_mm_s"),
            *shares,
            row("Stroke used, %", ".1f", "stroke_used", scale=100.0),
            row("Lowest travel, mm", ".1f", "travel_lowest_mm"),
            row("Highest travel, mm", ".1f", "travel_highest_mm"),
            row("Bump-stop contacts", ".0f", "contacts"),
            row("Time on bump stop, s", ".2f", "contact_s"),
            row("Longest contact, s", ".3f", "longest_s"),
            row("Peak force of bump stop, N", ".0f", "peak_force_n", "no contact"),
            row("Top-outs", ".0f", "top_outs"),
        ),
        "Travel is positive in compression and 0 at static ride height.",
    )


def asymmetry_table(stint: Stint) -> Table:
    """Left against right, and what a control chart found of one damper."""
    why = _NO_SUMMARY if stint.of_laps else "not known"
    rows = [(f"Left faster, {place}, %", shown(value, "+.1f", why=why)) for place, value in stint.asymmetry.items()]
    if not rows:
        rows = [("Left faster, %", f"{DASH} ({why})")]
    statement = text(stint.drift, "statement", most=300)
    rows.append(("Damper drift: what could be seen", statement or f"{DASH} ({why})"))
    for one in parts(stint.drift, "found")[:20]:
        suspects = one.get("may_be")
        words = ", ".join(text({"": each}, "", most=60) for each in suspects[:5]) if isinstance(suspects, list) else ""
        rows.append(
            (
                f"Damper drift, {text(one, 'where', most=40)}",
                f"{shown(number(one, 'speed_percent'), '+.1f', '%')} of its speed since "
                f"{stamp(number(one, 'since_s'))} min" + (f"; may be: {words}" if words else ""),
            )
        )
    return Table(
        "Left against right, and drift",
        ("", "Value"),
        tuple(rows),
        "Positive: the left damper is faster; per cent of the logarithm of the ratio of mean speeds, over timed laps.",
    )


def lap_table(stint: Stint) -> Table:
    """Each finished lap."""
    return Table(
        "Laps",
        (
            "Lap",
            "Kind",
            "Time, s",
            *(f"{corner} RMS, mm/s" for corner in CORNERS),
            "Bump stops, s",
            "Nearest limit, mm",
        ),
        tuple(_lap_row(lap) for lap in stint.laps[:MOST_ROWS]),
        "Nearest limit: lowest height less its limit, of the point that came nearest; negative is below the limit."
        + _cut(len(stint.laps), "laps", "laps.jsonl"),
    )


def _lap_row(lap: Lap) -> tuple[str, ...]:
    kind = f"{lap.kind} ({lap.reason})" if lap.reason else lap.kind
    return (
        lap.name,
        kind,
        shown(lap.duration_s, ".2f"),
        *(shown(corner.rms_mm_s, ".1f", why="no data") for corner in lap.corners),
        shown(lap.contact_s, ".2f", why="not known"),
        shown(lap.margin[1], ".1f", why="no height"),
    )


def _cut(rows: int, what: str, file: str) -> str:
    return f" The first {MOST_ROWS} of {rows} {what} are shown; {file} has all of them." if rows > MOST_ROWS else ""


def told_table(stint: Stint) -> Table:
    """What people were told, and when somebody answered."""
    every = announcements(stint.alarms)
    rows = []
    for told, alarm in every[:MOST_ROWS]:
        limit = f" Limit {told.limit}." if told.limit else ""
        again = "" if told.change == "occurs" else f" [{told.change}]"
        check = f" Check first: {told.check_first}." if told.check_first else ""
        lap = f", lap {told.lap}" if told.lap else ""
        seen = f"{DASH} (by nobody)"
        if math.isfinite(told.took_s):
            seen = f"after {told.took_s:.1f} s" + (f" by {told.who}" if told.who else "")
        rows.append(
            (
                f"{stamp(told.time_s)} min{lap}: {alarm.name} ({alarm.priority}){again}",
                f"{told.sentence or 'no evidence'}.{limit}{check}",
                seen,
            )
        )
    return Table(
        "Announcements",
        ("When, and which alarm", "What was measured, and what to check first", "Acknowledged"),
        tuple(rows),
        _cut(len(every), "announcements", "alerts.jsonl").strip(),
        wide=True,
    )


def standing_table(stint: Stint) -> Table:
    """Alarms that stood at the end."""
    return Table(
        "Standing at the end",
        ("Alarm", "What was measured", "State"),
        tuple((name, sentence or f"{DASH} (not told)", state) for name, state, sentence in stint.standing[:MOST_ROWS]),
        _cut(len(stint.standing), "alarms", "summary.json").strip(),
        wide=True,
    )


def people_table(stint: Stint) -> Table:
    """What people did to alarms."""
    acts = sorted((when, alarm.name, what, who) for alarm in stint.alarms for when, what, who in alarm.acts)
    return Table(
        "What people did",
        ("Time, min", "Alarm", "Action", "Who"),
        tuple((stamp(when), name, what, who) for when, name, what, who in acts[:MOST_ROWS]),
        _cut(len(acts), "actions", "alerts.jsonl").strip(),
        wide=True,
    )


def platform_table(stint: Stint) -> Table:
    """Each point of the platform over the stint."""
    rows = []
    for name, point in stint.points.items():
        doing = point.regime if point.regime not in {"", "unknown"} else ""
        place = f"{point.place_m:.0f} m" if math.isfinite(point.place_m) else ""
        rows.append(
            (
                name,
                shown(point.limit_mm, ".1f"),
                shown(point.lowest_mm, ".1f", why="no height"),
                shown(stint.p1_mm.get(name, math.nan), ".1f", why=_NO_SUMMARY if stint.of_laps else "no height"),
                shown(point.below_s, ".2f", why="no height"),
                ", ".join(word for word in (doing, place) if word) or f"{DASH} (not known)",
            )
        )
    return Table(
        "Platform points",
        ("Point", "Limit, mm", "Lowest, mm", "1st percentile, mm", "Below limit, s", "Lowest where"),
        tuple(rows),
        "Heights above the road; without tyre rates in the sheet tyres are taken as rigid.",
    )


def downforce_table(stint: Stint) -> Table:
    """Downforce with its intervals."""
    air = stint.air
    why = air.reason or "not known"
    rows = (
        ("Front C_z A, m²", interval(air.front_m2, ".3f", "m²", why=why)),
        ("Rear C_z A, m²", interval(air.rear_m2, ".3f", "m²", why=why)),
        ("Total C_z A, m²", interval(air.total_m2, ".3f", "m²", why=why)),
        ("Share of the front axle, %", interval(air.front_share, ".1f", "%", 100.0, why=why)),
        ("Front load at no speed, N", interval(air.standstill_n[0], ".0f", "N", why=why)),
        ("Rear load at no speed, N", interval(air.standstill_n[1], ".0f", "N", why=why)),
        ("Steady stretches used", f"{count(air.windows_used)} of {count(air.windows_judged)} of half a second"),
        ("Air density, kg/m³", shown(air.air_density_kg_m3, ".3f", "kg/m³")),
    )
    note = "No interval can know that a spring rate, motion ratio or air density in the sheet is wrong."
    return Table(
        "Downforce",
        ("", "Value and 95 % interval"),
        rows,
        " ".join([note, *(f"{one[:1].upper()}{one[1:]}." for one in air.notes)]),
    )


def sensor_table(stint: Stint) -> Table:
    """What each sensor was worth."""
    why = _NO_SUMMARY if stint.of_laps else "not known"

    def row(label: str, name: str) -> tuple[str, ...]:
        return label, *(count(getattr(stint.corners[corner], name), why) for corner in CORNERS)

    lost = (
        stamp(one.position_lost_at_s) if math.isfinite(one.position_lost_at_s) else f"{DASH} ({_kept(stint, one)})"
        for one in (stint.corners[corner] for corner in CORNERS)
    )
    return Table(
        "Sensors",
        ("", *CORNERS),
        (
            ("Running samples used, %", *(shown(used_percent(stint, corner), ".2f", why=why) for corner in CORNERS)),
            row("Samples used", "used"),
            row("Samples without velocity", "unknown"),
            row("Samples not believed", "rejected"),
            row("Samples empty in the log", "without_reading"),
            ("Position lost at, min", *lost),
        ),
    )


def _kept(stint: Stint, corner: Corner) -> str:
    return _NO_SUMMARY if stint.of_laps else "never" if math.isfinite(corner.used) else "not known"


def link_table(stint: Stint) -> Table:
    """The account of samples, and what the log or the link did."""
    why = _NO_SUMMARY if stint.of_laps else "not known"
    rows = [
        ("Samples received", count(stint.received, why)),
        ("Samples lost", count(stint.lost, why)),
        ("Gaps", count(stint.gap_count, why)),
        ("Samples while too slow to count", count(stint.idle, why)),
        ("Times the clock was set back", count(stint.clock_restarts, why)),
        ("Sample rate, Hz", shown(stint.rate_hz, "g", why=why)),
    ]
    if stint.link:
        kinds = LinkCounts().numbers()
        rows += [(f"Link: {kind.replace('_', ' ')}", count(number(stint.link, kind))) for kind in kinds]
    if stint.log:
        for kind in ("repeated_rows", "late_rows", "unplaced_rows", "ragged_rows"):
            rows.append((f"Log: {kind.replace('_', ' ')}", count(number(stint.log, kind))))
        for column, cells in list(part(stint.log, "cells").items())[:12]:
            bad = ", ".join(
                f"{count(number(cells, kind))} {kind.replace('_', ' ')}"
                for kind in ("empty", "not_a_number", "infinite", "unparseable")
                if number(cells, kind) > 0.0
            )
            if bad:
                rows.append((f"Log, cells of {text({'': column}, '', most=40)}", bad))
    for side in ("left", "right"):
        seen = part(stint.witnesses, "axle_delay", side)
        verdict = text(seen, "verdict", most=40)
        if verdict:
            told = shown(number(seen, "wheelbase_m"), ".3f", "m", verdict)
            sheet = shown(number(seen, "sheet_wheelbase_m"), ".3f", "m")
            rows.append((f"Wheelbase seen on the {side}", f"{told}; the sheet says {sheet} ({verdict})"))
    zeros = part(stint.witnesses, "zeros")
    if zeros:
        verdict = text(zeros, "verdict", most=40) or "not known"
        slip = shown(number(zeros, "slip_of_one_wheel_mm"), ".1f", "mm", "not seen")
        rows.append(("Zeros of the sensors", f"{verdict}; as if one wheel were off by {slip}"))
    return Table("Samples, log and link", ("", "Value"), tuple(rows))


def noise_table(stint: Stint) -> Table:
    """The budget of announcements."""
    why = _NO_SUMMARY
    own = stint.counted
    chatter = own.get("chattering")
    noisy = f"{DASH} ({why})"
    if isinstance(chatter, list):
        noisy = (
            ", ".join(
                f"{text(one, 'kind', most=40).replace('_', ' ')} {text(one, 'where', most=40)} "
                f"({count(number(one, 'times'))} times)"
                for one in chatter[:20]
            )
            or "none"
        )
    stale = own.get("stale")
    return Table(
        "Budget of announcements",
        ("", "Value"),
        (
            ("Announcements", count(float(stint.noise.told))),
            ("In ten minutes, on average", f"{shown(stint.noise.in_ten_minutes, '.1f')}; the budget is 1"),
            ("Most in any ten minutes", count(number(own, "most_in_ten_minutes"), why)),
            ("Floods (more than ten in ten minutes)", count(number(own, "floods"), why)),
            ("Time in flood, s", shown(number(own, "time_in_flood_s"), ".0f", "s", why)),
            ("Chattering (three times in a minute)", noisy),
            ("Standing at the end", count(float(len(stint.standing)))),
            ("Standing for a day", count(float(len(stale))) if isinstance(stale, list) else f"{DASH} ({why})"),
        ),
    )


def origin_table(stint: Stint) -> Table:
    """Where all this comes from."""
    why = _NO_SUMMARY if stint.of_laps else "not told"
    ended = "yes" if stint.complete else "no: interrupted" if not stint.of_laps else f"no: {_NO_SUMMARY}"
    reference = stint.reference or f"{DASH} (none given)"
    return Table(
        "What this rests on",
        ("", "Value"),
        (
            ("Results", stint.shown),
            ("Source", stint.source or f"{DASH} ({why})"),
            ("Car", stint.car or f"{DASH} ({why})"),
            ("Circuit", stint.circuit or f"{DASH} ({why})"),
            ("Set-up", stint.set_up or f"{DASH} ({why})"),
            ("Car sheet, SHA-256", stint.sheet_sha256 or f"{DASH} ({why})"),
            ("Written by damperwatch", stint.program_version or f"{DASH} ({why})"),
            ("Run complete", ended),
            ("Laps taken from", stint.lap_source.replace("_", " ") or f"{DASH} ({why})"),
            ("Reference of the run", reference if stint.reference or not stint.of_laps else f"{DASH} ({why})"),
        ),
    )
