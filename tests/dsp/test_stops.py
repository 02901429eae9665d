"""Bump-stop contacts against a scan of one sample after another, in any cutting."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.stops import Contact, StopWatch
from dsp.summary import StopTally
from ingest.chunk import Chunk
from ingest.sheet import Sheet
from tests.dsp.helpers import cut, places_of, same_on_all, stream
from tests.sheets import make_sheet

FORCE = [[0.0, 0.0], [5.0, 500.0], [10.0, 2000.0]]
RELEASE_MM = 1.0


def sheet_with(front_gap: float = 20.0, release: float = RELEASE_MM, **more: Any) -> Sheet:
    """Return a car whose front corners have a stop; the rear right has one nearer, the rear left none."""
    stop = {"gap_mm": front_gap, "force": FORCE}
    return make_sheet(
        {
            "axle.front.bump_stop": stop,
            "corner.RR.bump_stop": {"gap_mm": 12.0, "force": [[0.0, 0.0], [1.0, 7.0]]},
            "alerts.bump_stop.release_mm": release,
            **more,
        }
    )


def by_hand(chunks: list[Chunk], gaps_mm: list[float], release_mm: float) -> list[Contact]:
    """Return the contacts, found one sample after another."""
    found = []
    for corner in range(4):
        start: int | None = None
        seen: list[tuple[float, int]] = []
        number = 0

        def end(at: int, cut_off: bool) -> None:
            nonlocal start, seen
            if start is not None:
                peak = max(value for value, _ in seen)
                where = min(sample for value, sample in seen if value == peak)
                found.append(Contact(corner, start, at, where, peak, 0.0, cut_off))  # noqa: B023
            start, seen = None, []

        for chunk in chunks:
            if chunk.breaks:
                end(number, cut_off=True)
            number = chunk.first_sample
            for value in chunk.sensors[:, corner].tolist():
                if start is not None and not value >= gaps_mm[corner] - release_mm:
                    end(number, cut_off=math.isnan(value))
                if start is None and value >= gaps_mm[corner]:
                    start = number
                if start is not None:
                    seen.append((value, number))
                number += 1
        end(number, cut_off=True)
    return found


def watched(sheet: Sheet, chunks: list[Chunk]) -> list[Contact]:
    watch = StopWatch(sheet)
    found = []
    for chunk in chunks:
        ended = watch.process(chunk.first_sample, chunk.sensors, starts_stretch=chunk.breaks)
        assert [c.end_sample for c in ended] == sorted(c.end_sample for c in ended)
        found += ended
    return found + watch.cut_off()


def without_force(contacts: list[Contact]) -> list[tuple[Any, ...]]:
    return sorted(
        (c.corner, c.start_sample, c.end_sample, c.peak_sample, c.peak_travel_mm, c.cut_off) for c in contacts
    )


@given(rows=st.integers(1, 120), seed=st.integers(0, 5000), data=st.data())
@settings(max_examples=200, deadline=None)
def test_contacts_are_those_of_a_scan_by_hand_in_any_cutting(rows: int, seed: int, data: Any) -> None:
    generator = np.random.default_rng(seed)
    # Half millimetres: often exactly on a limit.
    travel = np.asfortranarray(
        np.round(generator.normal(size=(rows, 4)) * 8.0 + 14.0) + generator.integers(0, 2, (rows, 4)) / 2
    )
    travel[generator.random(travel.shape) < 0.05] = np.nan
    gaps = {
        row: data.draw(st.sampled_from([-1, 1, 50]))
        for row in data.draw(st.sets(st.integers(1, rows), max_size=3))
        if row < rows
    }
    whole = stream(travel, gaps=gaps, first_sample=40)
    expected = by_hand(whole, [20.0, 20.0, math.inf, 12.0], RELEASE_MM)
    assert without_force(watched(sheet_with(), whole)) == without_force(expected)
    pieces = watched(sheet_with(), cut(whole, data.draw(places_of(rows))))
    assert sorted(map(repr, pieces)) == sorted(map(repr, watched(sheet_with(), whole)))


def one(values: list[float], **more: Any) -> list[Contact]:
    """Return the contacts of the left front corner alone."""
    travel = np.zeros((len(values), 4), order="F")
    travel[:, 0] = values
    return [c for c in watched(sheet_with(**more), stream(travel)) if c.corner == 0]


def test_a_contact_begins_on_the_stop_and_ends_a_release_distance_off_it() -> None:
    (contact,) = one([19.9, 20.0, 21.5, 21.5, 19.0, 18.9, 19.5])
    assert (contact.start_sample, contact.end_sample, contact.samples, contact.cut_off) == (1, 5, 4, False)
    assert (contact.peak_sample, contact.peak_travel_mm) == (2, 21.5)


def test_noise_within_the_release_distance_is_one_contact() -> None:
    noisy = [0.0] + [20.1, 19.5] * 20 + [0.0]
    assert len(one(noisy)) == 1
    assert len(one(noisy, release=0.0)) == 20


def test_the_force_is_read_from_the_table_at_the_peak() -> None:
    for peak, force in ((20.0, 0.0), (22.5, 250.0), (25.0, 500.0), (27.5, 1250.0), (30.0, 2000.0), (41.0, 2000.0)):
        (contact,) = one([0.0, peak, 0.0])
        assert contact.peak_force_n == pytest.approx(force)
    watch = StopWatch(sheet_with())
    assert watch.force_n(0, 19.0) == 0.0
    assert watch.force_n(3, 12.5) == pytest.approx(3.5)
    assert watch.force_n(2, 1000.0) == 0.0


def test_an_unknown_sample_cuts_a_contact_off_and_a_new_one_needs_the_stop_again() -> None:
    contacts = one([0.0, 21.0, math.nan, 19.5, 19.5, 22.0, 0.0])
    assert [(c.start_sample, c.end_sample, c.cut_off) for c in contacts] == [(1, 2, True), (5, 6, False)]


def test_a_gap_cuts_a_contact_off_at_its_last_known_sample() -> None:
    chunks = stream(same_on_all(np.array([0.0, 21.0, 21.0, 21.0, 0.0])), gaps={3: 10})
    contacts = [c for c in watched(sheet_with(), chunks) if c.corner == 0]
    assert [(c.start_sample, c.end_sample, c.cut_off) for c in contacts] == [(1, 3, True), (13, 14, False)]


def test_a_contact_that_is_going_on_is_shown_as_open_with_what_is_known_of_it() -> None:
    watch = StopWatch(sheet_with())
    assert watch.process(0, same_on_all(np.array([0.0, 22.0, 25.0])), starts_stretch=True) == []
    assert [(c.corner, c.start_sample, c.end_sample, c.peak_travel_mm) for c in watch.open_contacts] == [
        (0, 1, 3, 25.0),
        (1, 1, 3, 25.0),
        (3, 1, 3, 25.0),
    ]
    assert watch.open_contacts[0].peak_force_n == pytest.approx(500.0)
    assert watch.process(3, np.empty((0, 4)), starts_stretch=False) == []
    assert len(watch.open_contacts) == 3
    ended = watch.process(3, same_on_all(np.array([23.0, 0.0])), starts_stretch=False)
    assert [(c.corner, c.end_sample) for c in ended] == [(0, 4), (1, 4), (3, 4)]
    assert watch.open_contacts == []


def test_a_corner_without_a_stop_has_no_contacts() -> None:
    assert all(c.corner != 2 for c in watched(sheet_with(), stream(same_on_all(np.full(9, 44.0)))))
    assert watched(make_sheet(), stream(same_on_all(np.full(9, 44.0)))) == []


def test_a_stop_that_is_touched_at_static_is_one_contact_while_the_car_stands() -> None:
    (contact,) = one([0.0] * 30, front_gap=-2.0)
    assert (contact.samples, contact.cut_off) == (30, True)
    assert contact.peak_force_n == pytest.approx(200.0)


@given(lengths=st.lists(st.integers(1, 90), max_size=12), place=st.integers(0, 12))
@settings(max_examples=60, deadline=None)
def test_a_tally_of_contacts_is_the_sum_of_its_parts(lengths: list[int], place: int) -> None:
    contacts = [Contact(0, 0, n, 0, 20.0 + n % 7, 10.0 * (n % 7)) for n in lengths]
    whole, first, second = StopTally(), StopTally(), StopTally()
    for number, contact in enumerate(contacts):
        whole.add(contact)
        (first if number < place else second).add(contact)
    first.merge(second)
    assert repr(first) == repr(whole)
    assert (whole.count, whole.samples, whole.longest_samples) == (len(lengths), sum(lengths), max(lengths, default=0))
    if contacts:
        deepest = max(c.peak_travel_mm for c in contacts)
        assert (whole.peak_travel_mm, whole.peak_force_n) == (deepest, 10.0 * (deepest - 20.0))
    else:
        assert math.isnan(whole.peak_travel_mm)


def test_the_rest_of_a_contact_that_was_cut_off_is_time_and_not_another_contact() -> None:
    travel = np.full((300, 4), 0.0, order="F")
    travel[100:200, 0] = 35.0
    travel[130:140, 0] = np.nan
    watch = StopWatch(sheet_with())
    ended = watch.process(0, travel, starts_stretch=True)
    assert [(c.start_sample, c.end_sample, c.cut_off, c.continued) for c in ended] == [
        (100, 130, True, False),
        (140, 200, False, True),
    ]
    tally = StopTally()
    for contact in ended:
        tally.add(contact)
    assert (tally.count, tally.samples, tally.peak_travel_mm) == (1, 90, 35.0)
    # At the start of a stretch nothing is known of what was before either.
    (first,) = watch.process(1000, travel[150:250], starts_stretch=True)
    assert (first.start_sample, first.continued) == (1000, True)
