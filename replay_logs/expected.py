"""Which alerts the truth of a stint supports under its car sheet's limits.

In: the car sheet, a stint, and its truth so far (laps, contacts, heights). Out: a list of dictionaries
for the truth file, each with the measure that supports it. No reference stint is supposed: left is held against right,
and a damper that changes during the run against that run's own first laps.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ingest.sheet import Sheet
from replay_logs.sensors import UNSEEN
from replay_logs.stint import Stint
from replay_logs.underside import Heights, seen_lower_mm, tripping_samples
from replay_logs.vehicle import AXLES, CORNERS, DIRECTIONS

# A damper that keeps more of its force may take several laps to be found: not promised on a short log.
DRIFT_SEEN_BELOW = 0.8


def expected_alerts(
    sheet: Sheet,
    stint: Stint,
    laps: list[dict[str, Any]],
    contacts: list[dict[str, Any]],
    heights: Heights,
) -> list[dict[str, Any]]:
    """The alerts that the truth supports under the sheet's limits, each with the measure that supports it."""
    alerts: list[dict[str, Any]] = []
    stop = sheet.alerts.bump_stop
    for name in CORNERS:
        per_lap = {lap["lap"]: lap["bump_stop"][name] for lap in laps}
        hit = [
            number
            for number, s in per_lap.items()
            if s["longest_s"] > stop.longest_contact_s
            or s["total_s"] > stop.trip_time_per_lap_s
            or s["contacts"] > stop.trip_contacts_per_lap
        ]
        if hit:
            first = next(
                (c for c in contacts if c["corner"] == name and c["duration_s"] > stop.longest_contact_s), None
            )
            alerts.append(
                {
                    "kind": "bump_stop",
                    "where": name,
                    "laps": hit,
                    "longest_s": max(per_lap[n]["longest_s"] for n in hit),
                    "from_s": first["start_s"] + stop.longest_contact_s if first else None,
                }
            )
    lower = seen_lower_mm(sheet, stint)
    for name, point in sheet.platform.items():
        trips = tripping_samples(sheet, stint, heights[name][0], point.lowest_mm)
        if trips:
            seen = tripping_samples(sheet, stint, heights[name][0] - lower[name], point.lowest_mm)
            alerts.append(
                {
                    "kind": "platform_low",
                    "where": name,
                    "laps": sorted({int(stint.timeline.lap[a]) for a, _ in trips}),
                    "longest_s": max(lap["platform"][name]["longest_below_s"] for lap in laps),
                    "from_s": trips[0][0] / stint.rate_hz,
                    "seen_from_s": seen[0][0] / stint.rate_hz,
                }
            )
    alerts.extend(_expected_asymmetry(sheet, laps))
    alerts.extend(_expected_drift(sheet, stint, laps))
    alerts.extend(
        {
            "kind": "sensor",
            "where": fault.corner,
            "fault": fault.kind,
            "laps": [fault.lap],
            "from_s": fault.start_sample / stint.readings.rate_hz,
            "to_s": fault.end_sample / stint.readings.rate_hz,
        }
        for fault in stint.readings.faults
        if fault.kind not in {"missing_rows", "null_cells"} | UNSEEN
    )
    silent = sheet.alerts.link.silent_after_s
    alerts.extend(
        {
            "kind": "link",
            "where": "stream",
            "laps": [fault.lap],
            "from_s": fault.start_sample / stint.readings.rate_hz + silent,
            "to_s": fault.end_sample / stint.readings.rate_hz,
        }
        for fault in stint.readings.faults
        if fault.kind == "missing_rows" and fault.end_sample - fault.start_sample >= silent * stint.readings.rate_hz
    )
    if stint.settings.log_rate_hz < sheet.alerts.sample_rate.lowest_hz:
        alerts.append({"kind": "sample_rate", "where": "log", "laps": [], "from_s": 0.0})
    return alerts


def _expected_asymmetry(sheet: Sheet, laps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    rule = sheet.alerts.asymmetry
    limit = 100.0 * float(np.log1p(rule.trip_percent / 100.0))
    found = []
    for axle in AXLES:
        for direction in DIRECTIONS:
            timed = [lap for lap in laps if lap["kind"] == "timed"]
            values = [lap["left_against_right_percent"][axle][direction] for lap in timed]
            beyond = [abs(value) > limit for value in values]
            trips = [
                i
                for i in range(len(timed))
                if beyond[i] and sum(beyond[max(0, i - rule.laps_watched + 1) : i + 1]) >= rule.laps_beyond
            ]
            if trips:
                found.append(
                    {
                        "kind": "asymmetry",
                        "where": axle,
                        "direction": direction,
                        "laps": [timed[i]["lap"] for i in range(len(timed)) if beyond[i]],
                        "left_against_right_percent": values,
                        "from_s": timed[trips[0]]["start_s"] + timed[trips[0]]["duration_s"],
                    }
                )
    return found


def _expected_drift(sheet: Sheet, stint: Stint, laps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Dampers that lose enough of their force after there was a lap to hold them against; `to_s` is when they have."""
    timed = [lap["lap"] for lap in laps if lap["kind"] == "timed"]
    first_known = sheet.alerts.drift.warm_up_laps + 1
    starts = [lap["start_s"] for lap in laps] + [laps[-1]["start_s"] + laps[-1]["duration_s"]]
    found = []
    for fault in stint.settings.damper_faults:
        whole = fault.from_lap + fault.over_laps
        compared = [lap for lap in timed[first_known:] if lap >= fault.from_lap]
        if fault.from_lap < timed[0] + first_known or whole >= len(laps) or fault.scale > DRIFT_SEEN_BELOW:
            continue
        found.append(
            {
                "kind": "drift",
                "where": fault.corner,
                "force_scale": fault.scale,
                "laps": compared,
                "from_s": float(np.interp(fault.from_lap, range(len(starts)), starts)),
                "to_s": float(np.interp(whole, range(len(starts)), starts)),
            }
        )
    return found
