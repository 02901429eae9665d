"""Bump-stop contacts of a Gaussian process against Rice's formula.

S. O. Rice, "Mathematical analysis of random noise", Bell System Technical Journal 23 (1944) and 24 (1945):
up-crossings per second of a level u are (1 / 2 pi) (sigma_v / sigma_x) exp(-u^2 / 2 sigma_x^2), which for a spectrum
flat from 0 to B is B / sqrt 3 exp(-u^2 / 2 sigma_x^2). Each contact lasts Q(u / sigma_x) over that rate on average,
with Q the Gaussian tail. What a release distance does to the rates was simulated independently over 20 000 s.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from scipy.stats import norm

from dsp.stops import Contact, StopWatch
from dsp.velocity import VelocityFilter
from ingest.chunk import Floats
from tests.dsp.helpers import smooth_noise
from tests.sheets import make_sheet

RATE_HZ = 1000.0
SECONDS = 1200
BAND_HZ = 10.0
SIGMA_MM = 10.0
# Level in sigma: up-crossings per second with a release distance of 0.25, 0.5 and 1 sigma (simulated).
WITH_RELEASE = {1: (3.445, 3.380, 3.182), 2: (0.782, 0.781, 0.779), 3: (0.064, 0.064, 0.064)}


@functools.cache
def process() -> Floats:
    """Four independent signals of 20 minutes each."""
    return SIGMA_MM * smooth_noise(int(SECONDS * RATE_HZ), RATE_HZ, BAND_HZ, seed=1944)


def contacts(level: float, release: float) -> list[Contact]:
    stop = {"gap_mm": level * SIGMA_MM, "force": [[0.0, 0.0], [10.0, 1000.0]]}
    watch = StopWatch(
        make_sheet(
            {
                "axle.front.bump_stop": stop,
                "axle.rear.bump_stop": stop,
                "alerts.bump_stop.release_mm": release * SIGMA_MM,
            }
        )
    )
    travel = process()
    found = []
    for start in range(0, len(travel), 8192):
        found += watch.process(start, travel[start : start + 8192], starts_stretch=start == 0)
    return found + watch.cut_off()


def test_the_simulated_signal_has_the_variances_of_its_spectrum() -> None:
    travel = process()
    velocity = VelocityFilter.of_width(2, RATE_HZ).apply(travel)
    assert travel.std() == pytest.approx(SIGMA_MM, rel=0.01)
    assert velocity.std() == pytest.approx(2.0 * math.pi * BAND_HZ * SIGMA_MM / math.sqrt(3.0), rel=0.01)


@pytest.mark.parametrize("level", [0.0, 1.0, 2.0, 3.0])
def test_contacts_per_second(level: float) -> None:
    expected = 4 * SECONDS * BAND_HZ / math.sqrt(3.0) * math.exp(-(level**2) / 2.0)
    found = contacts(level, release=0.0)
    # Crossings hardly cluster, so their number scatters by no more than about its root.
    assert abs(len(found) - expected) < 4.0 * math.sqrt(expected)
    assert {c.corner for c in found} == {0, 1, 2, 3}


@pytest.mark.parametrize("level", [1.0, 2.0])
def test_mean_time_of_a_contact(level: float) -> None:
    rate = BAND_HZ / math.sqrt(3.0) * math.exp(-(level**2) / 2.0)
    expected_s = float(norm.sf(level)) / rate
    found = contacts(level, release=0.0)
    mean_s = sum(c.samples for c in found) / RATE_HZ / len(found)
    assert mean_s == pytest.approx(expected_s, rel=0.03)
    # Every sample beyond the level is in one contact, and in one only.
    assert sum(c.samples for c in found) == np.count_nonzero(process() >= level * SIGMA_MM)


@pytest.mark.parametrize("level", WITH_RELEASE)
def test_what_a_release_distance_does(level: int) -> None:
    for release, rate in zip((0.25, 0.5, 1.0), WITH_RELEASE[level], strict=True):
        expected = 4 * SECONDS * rate
        assert abs(len(contacts(float(level), release)) - expected) < 4.0 * math.sqrt(expected) + 0.01 * expected


def test_the_highest_point_of_each_contact_is_its_peak() -> None:
    travel = process()
    for contact in contacts(2.5, release=0.25)[:200]:
        inside = travel[contact.start_sample : contact.end_sample, contact.corner]
        assert contact.peak_travel_mm == inside.max()
        assert contact.peak_sample == contact.start_sample + int(inside.argmax())
