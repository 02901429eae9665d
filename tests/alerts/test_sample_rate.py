"""The sample-rate alert: below the limit once, at the first sample; at or above it never."""

from __future__ import annotations

import math

import pytest

from tests.monitored import chunk, easy_sheet, flat, watch


@pytest.mark.parametrize(("rate_hz", "trips"), [(100.0, True), (249.9, True), (250.0, False), (1000.0, False)])
def test_trips_below_250_hz(rate_hz: float, trips: bool) -> None:
    found = watch(easy_sheet(), chunk(flat(2000), 700, rate_hz=rate_hz))
    assert [(t.sample, t.definition.key, t.announced) for t in found] == (
        [(700, ("sample_rate", "stream"), True)] if trips else []
    )


def test_says_how_much_of_a_fast_motion_is_left() -> None:
    (only,) = watch(easy_sheet(), chunk(flat(200), rate_hz=100.0))
    assert only.evidence is not None
    assert (only.evidence.measured, only.evidence.limit, only.evidence.unit) == (100.0, 250.0, "Hz")
    # Five points, cubic: weights (1, -8, 0, 8, -1) / 12 (Savitzky and Golay, Anal. Chem. 36 (1964), tables of first
    # derivatives; from memory), so the gain is (8 sin w - sin 2w) / 6w.
    w = 2.0 * math.pi * 20.0 / 100.0
    kept = 100.0 * (8.0 * math.sin(w) - math.sin(2.0 * w)) / (6.0 * w)
    assert f"of a 20 Hz motion {kept:.0f} % of the velocity is seen" in only.evidence.sentence


def test_the_limit_is_the_sheets() -> None:
    sheet = easy_sheet({"alerts.sample_rate.lowest_hz": 600.0})
    assert len(watch(sheet, chunk(flat(200), rate_hz=500.0))) == 1


def test_disabled_it_is_silent() -> None:
    assert watch(easy_sheet({"alerts.sample_rate.enabled": False}), chunk(flat(200), rate_hz=100.0)) == []
