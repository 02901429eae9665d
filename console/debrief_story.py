"""The stint in ten plain sentences, computed from its results.

In: a `Stint`. Out: ten strings, each with its units; what is not known says so, and why. Nothing raises.
"""

from __future__ import annotations

import math

from console.debrief_alarms import BUDGET_IN_TEN_MINUTES, announcements, waits_s
from console.debrief_stint import Estimate, Stint
from console.debrief_values import DASH, count, known, number, part, parts, plural, shown, stamp, text, total
from ingest.chunk import AXLES, CORNERS

_NO_SUMMARY = "the run wrote no summary"
_DIRECTIONS = ("compression", "rebound")
_NO_DIFFERENCE_PERCENT = 0.05


def story(stint: Stint) -> list[str]:
    """Ten lines: running, alerts, answers, sensors, left/right, bump stops, platform, downforce, samples, budget."""
    return [
        _running(stint),
        _told(stint),
        _acknowledged(stint),
        _sensors(stint),
        _asymmetry(stint),
        _bump_stops(stint),
        _platform(stint),
        _downforce(stint),
        _samples(stint),
        _budget(stint),
    ]


def _running(stint: Stint) -> str:
    car = stint.car or "The car (its name is not known)"
    source = f" from {stint.source}" if stint.source else ""
    laps = f"{plural(stint.laps_in_all, 'lap')}, {count(stint.laps_timed)} of them timed"
    best = shown(stint.best_lap_s, ".2f", "s", "no timed lap")
    ended = "" if stint.complete else "; the run was interrupted" if not stint.of_laps else "; the run has no summary"
    rate = "" if not math.isfinite(stint.rate_hz) else f" at {stint.rate_hz:g} Hz"
    return f"{car} was watched for {_length(stint.duration_s)}{rate}{source}: {laps}, the best in {best}{ended}."


def _length(seconds: float) -> str:
    return f"{stamp(seconds)} min" if math.isfinite(seconds) else f"{DASH} (time not known)"


def _told(stint: Stint) -> str:
    every = announcements(stint.alarms)
    if not every:
        quiet = " (silenced alarms apart)" if any(alarm.quiet for alarm in stint.alarms) else ""
        return f"Nothing was announced{quiet}."
    alarms = sum(bool(alarm.told) for alarm in stint.alarms)
    first, alarm = every[0]
    lap = f", lap {first.lap}" if first.lap else ""
    others = "" if len(every) == 1 else f" {plural(alarms, 'alarm')} in all;"
    return (
        f"{plural(len(every), 'announcement')}:{others} the first at {stamp(first.time_s)} min{lap}: {alarm.name} "
        f"({alarm.priority}), {first.sentence or 'without evidence'}."
    )


def _acknowledged(stint: Stint) -> str:
    median_s, longest_s, seen, told = waits_s(stint.alarms)
    stand = (
        f"{plural(len(stint.standing), 'alarm')} still stood at the end" if stint.standing else "none stood at the end"
    )
    if not told:
        return f"There was nothing to acknowledge; {stand}."
    if not seen:
        return f"Nobody acknowledged {'it' if told == 1 else f'any of the {told}'}; {stand}."
    whom = sorted({one.who for alarm in stint.alarms for one in alarm.told if one.who})
    by = f" (by {', '.join(whom[:4])}{' and others' if len(whom) > 4 else ''})" if whom else ""
    if seen == 1:
        return f"1 of {told} was acknowledged{by}, after {shown(longest_s, '.1f', 's')}; {stand}."
    return (
        f"{seen} of {told} were acknowledged{by}, after {shown(median_s, '.1f', 's')} in the median and "
        f"{shown(longest_s, '.1f', 's')} at most; {stand}."
    )


def used_percent(stint: Stint, corner: str) -> float:
    """Share of the running samples in which a corner's velocity was known, %."""
    running = stint.running
    return 100.0 * stint.corners[corner].used / running if running > 0.0 else math.nan


def _sensors(stint: Stint) -> str:
    used = ", ".join(f"{corner} {shown(used_percent(stint, corner), '.1f', '%')}" for corner in CORNERS)
    rejected = [f"{corner} {count(one.rejected)}" for corner, one in stint.corners.items() if one.rejected > 0.0]
    lost = [
        f"{corner} from {stamp(one.position_lost_at_s)} min"
        for corner, one in stint.corners.items()
        if math.isfinite(one.position_lost_at_s)
    ]
    refused = f"samples not believed: {', '.join(rejected)}" if rejected else "no sample was refused"
    if all(math.isnan(one.rejected) for one in stint.corners.values()):
        refused = f"samples refused: {DASH} ({_NO_SUMMARY})"
    position = f"; position not to be trusted: {', '.join(lost)}" if lost else ""
    return f"Sensors, share of running samples used: {used}; {refused}{position}."


def _asymmetry(stint: Stint) -> str:
    if stint.of_laps or not known(stint.asymmetry.values()):
        why = _NO_SUMMARY if stint.of_laps else "too little data on both sides"
        return f"Left against right: {DASH} ({why})."
    axles = []
    for axle, (left, right) in zip(AXLES, (CORNERS[:2], CORNERS[2:]), strict=True):
        each = []
        for way in _DIRECTIONS:
            percent = stint.asymmetry.get(f"{axle} {way}", math.nan)
            if not math.isfinite(percent):
                each.append(f"{way} {DASH} (not known)")
            elif abs(percent) < _NO_DIFFERENCE_PERCENT:
                each.append(f"{way} equal")
            else:
                each.append(f"{left if percent > 0 else right} faster by {abs(percent):.1f} % in {way}")
        axles.append(f"{axle} axle {' and '.join(each)}")
    over = "timed laps" if stint.laps_timed > 0 else "all running, no lap being timed"
    return f"Left against right over {over}: {'; '.join(axles)}{_drift(stint)}."


def _drift(stint: Stint) -> str:
    """What a control chart found of one damper; nothing when it found nothing."""
    found = [
        f"{text(one, 'where', most=40)} {shown(number(one, 'speed_percent'), '+.1f', '%')} since "
        f"{stamp(number(one, 'since_s'))} min"
        for one in parts(stint.drift, "found")[:4]
    ]
    return f"; damper speed drifted: {', '.join(found)}" if found else ""


def _bump_stops(stint: Stint) -> str:
    contacts = total(one.contacts for one in stint.corners.values())
    if not math.isfinite(contacts):
        return f"Bump stops: {DASH} (no corner's contacts are known)."
    if contacts == 0:
        return "No bump stop was touched."
    each = ", ".join(
        f"{corner} {plural(one.contacts, 'contact')} in {shown(one.contact_s, '.2f', 's')}"
        for corner, one in stint.corners.items()
        if one.contacts > 0.0
    )
    hardest = max(
        stint.corners.items(), key=lambda pair: pair[1].peak_force_n if math.isfinite(pair[1].peak_force_n) else -1.0
    )
    peak = shown(hardest[1].peak_force_n, ".0f", "N", "no force in the sheet")
    return f"Bump stops: {each}; the hardest {peak} at {hardest[0]}."


def _platform(stint: Stint) -> str:
    margins = {name: one.lowest_mm - one.limit_mm for name, one in stint.points.items()}
    found = {name: margin for name, margin in margins.items() if math.isfinite(margin)}
    if not found:
        why = "no point's height was known" if stint.points else "the car sheet names no point"
        return f"Platform: {DASH} ({_NO_SUMMARY if stint.of_laps and not stint.laps else why})."
    name = min(found, key=lambda one: found[one])
    point = stint.points[name]
    doing = f", {point.regime}" if point.regime not in {"", "unknown"} else ""
    where = f" at {point.place_m:.0f} m" if math.isfinite(point.place_m) else ""
    side = "below" if found[name] < 0.0 else "above"
    low = [one.below_s for one in stint.points.values() if one.below_s > 0.0]
    spent = (
        f"; {plural(len(low), 'point')} of {len(stint.points)} went below the limit, {name} for "
        f"{shown(point.below_s, '.2f', 's')}"
        if low
        else "; no point went below its limit"
    )
    return (
        f"Platform: {name} came lowest against its limit, {point.lowest_mm:.1f} mm{doing}{where}, "
        f"{abs(found[name]):.1f} mm {side} the limit of {point.limit_mm:g} mm{spent}."
    )


def interval(estimate: Estimate, form: str, unit: str, scale: float = 1.0, why: str = "not known") -> str:
    """A value with its 95 % interval."""
    if not math.isfinite(estimate.value):
        return shown(math.nan, why=why)
    ends = f"{shown(scale * estimate.low, form)} to {shown(scale * estimate.high, form)}"
    return f"{shown(scale * estimate.value, form, unit)} (95 %: {ends})"


def _downforce(stint: Stint) -> str:
    air = stint.air
    if air.reason or not known((air.front_m2.value, air.rear_m2.value)):
        return f"Downforce: {DASH} ({air.reason or 'not known'})."
    return (
        f"Downforce, C_z A: front {interval(air.front_m2, '.2f', 'm²')}, rear {interval(air.rear_m2, '.2f', 'm²')}; "
        f"{interval(air.front_share, '.1f', '%', 100.0)} of it on the front axle."
    )


def _samples(stint: Stint) -> str:
    where = "Finished laps" if stint.of_laps else "Link" if stint.link else "Log"
    if not math.isfinite(stint.received):
        return f"{where}: {DASH} (no count of samples)."
    gaps = f" in {plural(stint.gap_count, 'gap')}" if math.isfinite(stint.gap_count) else ""
    restarts = f"; the clock was set back {plural(stint.clock_restarts, 'time')}" if stint.clock_restarts > 0 else ""
    refused = total(number(stint.link, key) for key in ("long_frames", "bad_frames", "bad_checksums", "bad_headers"))
    frames = f"; {plural(refused, 'frame')} refused" if refused > 0.0 else ""
    return (
        f"{where}: {count(stint.received)} samples received, {count(stint.lost)} lost{gaps}, {count(stint.idle)} while "
        f"the car was too slow to count{frames}{restarts}{_doubts(stint)}."
    )


def _doubts(stint: Stint) -> str:
    """What the witnesses say against sensors, rate or speed."""
    found = []
    for side in ("left", "right"):
        verdict = text(stint.witnesses, "axle_delay", side, "verdict", most=40)
        if verdict.startswith("differs") or verdict in {"reversed", "crossed"}:
            found.append(f"the rear wheels do not repeat the front ones on the {side} ({verdict})")
    zeros = part(stint.witnesses, "zeros")
    if text(zeros, "verdict") == "disagree":
        found.append(
            f"zeros disagree by about {shown(number(zeros, 'slip_of_one_wheel_mm'), '.0f', 'mm')} at one wheel"
        )
    return f"; {'; '.join(found)}" if found else ""


def _budget(stint: Stint) -> str:
    rate = stint.noise.in_ten_minutes
    if not math.isfinite(rate):
        return f"Budget of announcements: {DASH} (the stint's length is not known)."
    verdict = "within" if rate <= BUDGET_IN_TEN_MINUTES else "over"
    floods = number(stint.counted, "floods")
    flood = (
        f"{plural(floods, 'flood')}" if floods > 0 else "no flood" if floods == 0 else f"floods: {DASH} ({_NO_SUMMARY})"
    )
    chatter = stint.counted.get("chattering")
    noisy = f"{plural(len(chatter), 'alarm')} chattered" if isinstance(chatter, list) and chatter else "none chattered"
    if not isinstance(chatter, list):
        noisy = f"chatter: {DASH} ({_NO_SUMMARY})"
    return (
        f"People were told {rate:.1f} times in ten minutes on average, {verdict} the budget of "
        f"{BUDGET_IN_TEN_MINUTES:g}; {flood}, {noisy}."
    )
