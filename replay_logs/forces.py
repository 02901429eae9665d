"""The truth about forces: wheel loads, energy turned to heat in the dampers, contacts with stops in bump and droop.

In: a `Stint` and its car sheet. Out: dictionaries of the truth file (keys in this folder's README). Forces are the
model's own, not from a recomputation. Pure functions; no I/O.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from ingest.sheet import Sheet
from replay_logs.runs import Bools, contact_runs
from replay_logs.stint import Stint
from replay_logs.vehicle import CORNERS

UNLOADED_SHARE: Final = 0.02  # of the static load: below it a wheel is as good as off the road
TOP_OUT_WITHIN_MM: Final = 0.5  # of full droop: nearer than sensors and their zero can tell
RELEASE_MM: Final = 0.2  # a top-out ends when the damper has come back so far


def loads_of_lap(sheet: Sheet, stint: Stint, bounds: tuple[int, int], counted: Bools) -> dict[str, Any]:
    """Wheel loads of one lap per corner, over its counted samples (`counted` has one entry a sample of the lap)."""
    found = {}
    for corner, name in enumerate(CORNERS):
        load = stint.wheel_load_n[slice(*bounds), corner][counted]
        first, ninety_ninth = np.percentile(load, [1.0, 99.0])
        found[name] = {
            "mean_n": round(float(load.mean()), 2),
            "min_n": round(float(load.min()), 1),
            "first_percentile_n": round(float(first), 1),
            "ninety_ninth_percentile_n": round(float(ninety_ninth), 1),
            "unloaded_share": round(float(np.mean(load < UNLOADED_SHARE * sheet.static_load_n(name))), 6),
        }
    return found


def damper_energy_j(stint: Stint, bounds: tuple[int, int], counted: Bools) -> dict[str, float]:
    """Energy each damper turned to heat over the counted samples of one lap: force times velocity, summed, J."""
    power_w = stint.damper_force_n[slice(*bounds)] * stint.damper_velocity_mm_s[slice(*bounds)] / 1e3
    energy = power_w[counted].sum(axis=0) / stint.rate_hz
    return {name: round(float(energy[corner]), 2) for corner, name in enumerate(CORNERS)}


def contacts_of(sheet: Sheet, stint: Stint) -> list[dict[str, Any]]:
    """Every bump-stop contact; force and impulse are at the damper."""
    found = []
    for corner, name in enumerate(CORNERS):
        stop = sheet.suspension(name).bump_stop
        assert stop is not None
        travel = stint.damper_travel_mm[:, corner]
        for a, b in contact_runs(travel, stop.gap_mm, sheet.alerts.bump_stop.release_mm):
            force = stint.bump_stop_force_n[a:b, corner]
            found.append(
                _when(stint, name, a, b)
                | {
                    "peak_travel_mm": round(float(travel[a:b].max()), 3),
                    "peak_force_n": round(float(force.max()), 1),
                    "impulse_n_s": round(float(force.sum()) / stint.rate_hz, 3),
                }
            )
    return found


def top_outs_of(sheet: Sheet, stint: Stint) -> list[dict[str, Any]]:
    """Every time a damper came to its full droop."""
    found = []
    for corner, name in enumerate(CORNERS):
        reach = sheet.suspension(name).travel_to_full_droop_mm - TOP_OUT_WITHIN_MM
        extension = -stint.damper_travel_mm[:, corner]
        for a, b in contact_runs(extension, reach, RELEASE_MM):
            found.append(_when(stint, name, a, b) | {"lowest_travel_mm": round(-float(extension[a:b].max()), 3)})
    return found


def stops_of_lap(number: int, contacts: list[dict[str, Any]]) -> dict[str, Any]:
    """Per corner, the contacts that began in one lap, together."""
    stops = {}
    for name in CORNERS:
        mine = [c for c in contacts if c["corner"] == name and c["lap"] == number]
        stops[name] = {
            "contacts": len(mine),
            "total_s": round(sum(c["duration_s"] for c in mine), 6),
            "longest_s": max((c["duration_s"] for c in mine), default=0.0),
            "peak_travel_mm": max((c["peak_travel_mm"] for c in mine), default=None),
            "peak_force_n": max((c["peak_force_n"] for c in mine), default=0.0),
            "impulse_n_s": round(sum(c["impulse_n_s"] for c in mine), 3),
        }
    return stops


def _when(stint: Stint, corner: str, a: int, b: int) -> dict[str, Any]:
    every = round(stint.rate_hz / stint.settings.log_rate_hz)
    return {
        "corner": corner,
        "lap": int(stint.timeline.lap[a]),
        "start_s": a / stint.rate_hz,
        "start_sample": -(-a // every),
        "duration_s": round((b - a) / stint.rate_hz, 6),
    }
