"""A small valid car sheet to start a test from; `make_sheet` validates it with a few keys changed."""

from __future__ import annotations

from typing import Any

from ingest.sheet import Sheet, parse_sheet


def minimal_sheet() -> dict[str, Any]:
    """Return the smallest sheet that is accepted, fresh for every caller: linear sensors in mm, a time column in s."""

    def axle() -> dict[str, Any]:
        return {
            "motion_ratio_damper_per_wheel": 0.8,
            "travel_to_full_bump_mm": 45.0,
            "travel_to_full_droop_mm": 40.0,
            "spring": {"rate_n_mm": 120.0},
        }

    return {
        "car": {
            "name": "Test mule",
            "mass_kg": 900.0,
            "front_share": 0.45,
            "wheelbase_mm": 2600.0,
            "track_front_mm": 1600.0,
            "track_rear_mm": 1580.0,
        },
        "axle": {"front": axle(), "rear": axle()},
        "corner": {corner: {"sensor": {"unit": "mm"}} for corner in ("FL", "FR", "RL", "RR")},
        "log": {
            "time": {"column": "time", "unit": "s"},
            "columns": {f"damper_{corner}": {"column": corner} for corner in ("FL", "FR", "RL", "RR")},
        },
    }


def make_sheet(changes: dict[str, Any] | None = None, *, remove: tuple[str, ...] = ()) -> Sheet:
    """Return the minimal sheet with `changes` made (dotted paths, {"log.rate_hz": 500.0}) and `remove` left out."""
    raw = minimal_sheet()
    for path in remove:
        *parents, last = path.split(".")
        _inside(raw, parents).pop(last, None)
    for path, value in (changes or {}).items():
        *parents, last = path.split(".")
        _inside(raw, parents)[last] = value
    return parse_sheet(raw)


def _inside(raw: dict[str, Any], keys: list[str]) -> dict[str, Any]:
    for key in keys:
        raw = raw.setdefault(key, {})
    return raw
