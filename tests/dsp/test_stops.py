"""Contacts with both ends of the stroke against a scan of one sample after another, in any cutting."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.stops import Contact, StopWatch
from dsp.summary import CONTACTS_KEPT, HardestContacts, Share, StopTally
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from tests.dsp.helpers import columns, cut, places_of, same_on_all, stream
from tests.sheets import make_sheet

FORCE = [[0.0, 0.0], [5.0, 500.0], [10.0, 2000.0]]
RELEASE_MM = 1.0
RATE_HZ = 500.0


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


def droop_sheet(release: float = RELEASE_MM, **more: Any) -> Sheet:
    """Return a car whose left front has a droop stop 20 mm down; the others' full droop is at 20, 18 and 12 mm."""
    return make_sheet(
        {
            "corner.FL.droop_stop": {"gap_mm": 20.0, "force": FORCE},
            "corner.FR.travel_to_full_droop_mm": 21.0,
            "corner.RL.travel_to_full_droop_mm": 19.0,
            "corner.RR.travel_to_full_droop_mm": 13.0,
            "alerts.top_out.within_mm": 1.0,
            "alerts.top_out.release_mm": release,
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


def watched(
    sheet: Sheet, chunks: list[Chunk], velocities: list[Floats] | None = None, *, droop: bool = False
) -> list[Contact]:
    watch = StopWatch(sheet, RATE_HZ, droop=droop)
    found = []
    for number, chunk in enumerate(chunks):
        velocity = None if velocities is None else velocities[number]
        ended = watch.process(chunk.first_sample, chunk.sensors, velocity, starts_stretch=chunk.breaks)
        assert [c.end_sample for c in ended] == sorted(c.end_sample for c in ended)
        found += ended
    return found + watch.cut_off()


def without_force(contacts: list[Contact]) -> list[tuple[Any, ...]]:
    return sorted(
        (c.corner, c.start_sample, c.end_sample, c.peak_sample, c.peak_travel_mm, c.cut_off) for c in contacts
    )


def drawn(rows: int, seed: int, data: Any) -> list[Chunk]:
    """Return travel often exactly on a limit, with unknown samples, gaps and set-back clocks."""
    generator = np.random.default_rng(seed)
    travel = np.asfortranarray(
        np.round(generator.normal(size=(rows, 4)) * 8.0 + 14.0) + generator.integers(0, 2, (rows, 4)) / 2
    )
    travel[generator.random(travel.shape) < 0.05] = np.nan
    gaps = {
        row: data.draw(st.sampled_from([-1, 1, 50]))
        for row in data.draw(st.sets(st.integers(1, rows), max_size=3))
        if row < rows
    }
    return stream(travel, gaps=gaps, first_sample=40)


@given(rows=st.integers(1, 120), seed=st.integers(0, 5000), data=st.data())
@settings(max_examples=200, deadline=None)
def test_contacts_are_those_of_a_scan_by_hand_in_any_cutting(rows: int, seed: int, data: Any) -> None:
    whole = drawn(rows, seed, data)
    expected = by_hand(whole, [20.0, 20.0, math.inf, 12.0], RELEASE_MM)
    assert without_force(watched(sheet_with(), whole)) == without_force(expected)
    pieces = watched(sheet_with(), cut(whole, data.draw(places_of(rows))))
    assert sorted(map(repr, pieces)) == sorted(map(repr, watched(sheet_with(), whole)))


@given(rows=st.integers(1, 120), seed=st.integers(0, 5000), data=st.data())
@settings(max_examples=100, deadline=None)
def test_top_outs_are_contacts_of_the_mirrored_signal(rows: int, seed: int, data: Any) -> None:
    whole = drawn(rows, seed, data)
    down = [replace(chunk, sensors=-chunk.sensors) for chunk in whole]
    found = watched(droop_sheet(), down, droop=True)
    expected = [
        replace(contact, peak_travel_mm=-contact.peak_travel_mm)
        for contact in by_hand(whole, [20.0, 20.0, 18.0, 12.0], RELEASE_MM)
    ]
    assert without_force(found) == without_force(expected)
    pieces = watched(droop_sheet(), cut(down, data.draw(places_of(rows))), droop=True)
    assert sorted(map(repr, pieces)) == sorted(map(repr, found))


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
    for peak, force in ((20.0, 0.0), (22.5, 250.0), (25.0, 500.0), (27.5, 1250.0), (30.0, 2000.0)):
        (contact,) = one([0.0, peak, 0.0])
        assert contact.peak_force_n == pytest.approx(force)
    watch = StopWatch(sheet_with())
    assert watch.force_n(0, 19.0) == 0.0
    assert watch.force_n(3, 12.5) == pytest.approx(3.5)
    assert watch.force_n(2, 1000.0) == 0.0


def test_beyond_its_table_a_stop_goes_on_with_its_last_slope() -> None:
    (contact,) = one([0.0, 33.0, 0.0])
    assert contact.peak_force_n == pytest.approx(2000.0 + 3.0 * 300.0)  # 300 N/mm from 5 mm on
    assert StopWatch(sheet_with()).force_n(0, 33.0) == pytest.approx(2900.0)


def test_the_impulse_is_the_force_of_each_sample_for_one_sample_interval() -> None:
    # 2, 5, 5 and 2 mm into the stop, then off it but not yet released: 200, 500, 500, 200 and 0 N.
    (contact,) = one([0.0, 22.0, 25.0, 25.0, 22.0, 19.5, 0.0])
    assert contact.samples == 5
    assert contact.impulse_n_s == pytest.approx(1400.0 / RATE_HZ)
    # Against the integral of a half sine, 0.1 s long and 5 mm deep (on the first line: 100 N/mm).
    time_s = np.arange(51) / RATE_HZ
    (contact,) = one([0.0, *(20.0 + 5.0 * np.sin(np.pi * time_s / 0.1)), 0.0])
    assert contact.impulse_n_s == pytest.approx(500.0 * 0.1 * 2.0 / np.pi, rel=1e-3)
    # Nobody said how long a sample lasts.
    watch = StopWatch(sheet_with())
    watch.process(0, same_on_all(np.array([0.0, 22.0])), starts_stretch=True)
    assert math.isnan(watch.open_contacts[0].impulse_n_s)


@pytest.mark.parametrize(
    ("velocity", "share"), [(500.0, 1.0), (10.0, 1.0), (0.0, 0.8), (5.0, 0.9), (-10.0, 0.6), (-500.0, 0.6)]
)
def test_a_stop_with_hysteresis_pushes_less_while_it_opens(velocity: float, share: float) -> None:
    soft: dict[str, Any] = {"axle.front.bump_stop": {"gap_mm": 20.0, "force": FORCE, "hysteresis": 0.4}}
    sheet = sheet_with(**soft)
    chunks = stream(same_on_all(np.array([0.0, 22.0, 22.0, 0.0])))
    (contact,) = [c for c in watched(sheet, chunks, [np.full((4, 4), velocity)]) if c.corner == 0]
    assert contact.peak_force_n == pytest.approx(200.0 * share)
    assert contact.impulse_n_s == pytest.approx(400.0 * share / RATE_HZ)
    assert StopWatch(sheet).force_n(0, 22.0) == pytest.approx(200.0)


def test_a_cycle_of_a_stop_with_hysteresis_loses_its_share_of_the_impulse() -> None:
    """Closing and opening last equally long here, so half the share is lost."""
    time_s = np.arange(1, 100) / 1000.0
    travel = same_on_all(20.0 + 5.0 * np.sin(np.pi * time_s / 0.1))
    velocity = same_on_all(5.0 * np.pi / 0.1 * np.cos(np.pi * time_s / 0.1))
    found = {}
    for hysteresis in (0.0, 0.5):
        stop: dict[str, Any] = {"axle.front.bump_stop": {"gap_mm": 20.0, "force": FORCE, "hysteresis": hysteresis}}
        found[hysteresis] = watched(sheet_with(**stop), stream(travel), [velocity])[0]
    assert found[0.5].impulse_n_s == pytest.approx(0.75 * found[0.0].impulse_n_s, rel=1e-6)
    assert 0.75 * 500.0 <= found[0.5].peak_force_n < 500.0  # switched near the deepest point


def test_each_contact_has_its_own_force_velocity_and_impulse() -> None:
    soft: dict[str, Any] = {"axle.front.bump_stop": {"gap_mm": 20.0, "force": FORCE, "hysteresis": 0.4}}
    travel = np.array([0.0, 22.0, 24.0, 22.0, 0.0, 25.0, 21.0, 0.0])
    speed = np.array([900.0, 200.0, 0.0, -200.0, 900.0, 50.0, -50.0, 900.0])
    found = watched(sheet_with(**soft), stream(same_on_all(travel)), [same_on_all(speed)])
    first, second = [c for c in found if c.corner == 0]
    assert first.impulse_n_s == pytest.approx((200.0 + 0.8 * 400.0 + 0.6 * 200.0) / RATE_HZ)
    assert first.peak_force_n == pytest.approx(320.0)
    assert second.impulse_n_s == pytest.approx((500.0 + 0.6 * 100.0) / RATE_HZ)
    assert second.peak_force_n == pytest.approx(500.0)


@given(rows=st.integers(1, 60), seed=st.integers(0, 500), data=st.data())
@settings(max_examples=60, deadline=None)
def test_forces_and_impulses_are_the_same_in_any_cutting(rows: int, seed: int, data: Any) -> None:
    soft: dict[str, Any] = {"axle.front.bump_stop": {"gap_mm": 12.0, "force": FORCE, "hysteresis": 0.3}}
    generator = np.random.default_rng(seed)
    travel = columns(*(generator.normal(size=(4, rows)) * 6.0 + 14.0))
    speed = columns(*(generator.normal(size=(4, rows)) * 10.0))
    places = data.draw(places_of(rows))
    whole = watched(sheet_with(**soft), stream(travel), [speed])
    pieces = watched(
        sheet_with(**soft), cut(stream(travel), places), [one.sensors for one in cut(stream(speed), places)]
    )
    assert sorted(map(repr, pieces)) == sorted(map(repr, whole))


# ---------------------------------------------------------------- top-outs


def test_a_top_out_begins_at_the_droop_stop_and_its_peak_is_the_lowest_travel() -> None:
    values = np.array([0.0, -19.9, -20.0, -22.5, -22.0, -19.0, -18.9, 0.0])
    (contact,) = [c for c in watched(droop_sheet(), stream(same_on_all(values)), droop=True) if c.corner == 0]
    assert (contact.start_sample, contact.end_sample, contact.peak_sample) == (2, 6, 3)
    assert contact.peak_travel_mm == -22.5
    assert contact.peak_force_n == pytest.approx(250.0)
    assert contact.impulse_n_s == pytest.approx(450.0 / RATE_HZ)


def test_without_a_droop_stop_a_top_out_begins_within_a_distance_of_full_droop_and_its_force_is_unknown() -> None:
    for lowest, count in ((-17.99, 0), (-18.0, 1), (-19.5, 1)):
        values = np.array([0.0, lowest, 0.0])
        found = [c for c in watched(droop_sheet(), stream(same_on_all(values)), droop=True) if c.corner == 2]
        assert len(found) == count
        for contact in found:
            assert math.isnan(contact.peak_force_n)
            assert math.isnan(contact.impulse_n_s)
    watch = StopWatch(make_sheet(), droop=True)
    assert watch.gap_mm.tolist() == [39.5] * 4
    assert math.isnan(watch.force_n(0, -39.0))


def test_each_end_keeps_to_itself() -> None:
    values = stream(same_on_all(np.array([0.0, 25.0, 0.0, -25.0, 0.0])))
    droop: dict[str, Any] = {"axle.front.droop_stop": {"gap_mm": 20.0, "force": FORCE}}
    both = sheet_with(**droop)
    assert [c.start_sample for c in watched(both, values)] == [1, 1, 1]
    assert [c.start_sample for c in watched(both, values, droop=True)] == [3, 3]


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
    contacts = [Contact(0, 0, n, 0, 20.0 + n % 7, 10.0 * (n % 7), impulse_n_s=0.5 * n) for n in lengths]
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
        assert (whole.impulse_n_s, whole.largest_impulse_n_s) == (0.5 * sum(lengths), 0.5 * max(lengths))
    else:
        assert math.isnan(whole.peak_travel_mm)
        assert math.isnan(whole.largest_impulse_n_s)


@pytest.mark.parametrize(("droop", "farthest"), [(False, 3.0), (True, -4.0)])
def test_a_tally_knows_which_way_is_far(droop: bool, farthest: float) -> None:
    """A stop touched at static has travels of both signs."""
    tally, other = StopTally(droop=droop), StopTally(droop=droop)
    for number, travel in enumerate((-4.0, 3.0, -1.0)):
        (other if number else tally).add(Contact(0, 0, 9, 0, travel, math.nan))
    tally.merge(other)
    assert (tally.count, tally.peak_travel_mm) == (3, farthest)
    assert math.isnan(tally.peak_force_n)
    assert tally.impulse_n_s == 0.0


def test_an_unknown_impulse_adds_nothing_and_hides_none() -> None:
    tally = StopTally()
    for impulse in (3.0, math.nan, 2.0):
        tally.add(Contact(0, 0, 9, 0, 20.0, 1.0, impulse_n_s=impulse))
    assert (tally.count, tally.impulse_n_s, tally.largest_impulse_n_s) == (3, 5.0, 3.0)


@given(seed=st.integers(0, 1000), count=st.integers(0, 400))
@settings(max_examples=40, deadline=None)
def test_the_hardest_contacts_are_kept_whatever_their_order(seed: int, count: int) -> None:
    generator = np.random.default_rng(seed)
    forces = generator.integers(0, 60, count) * 10.0  # many alike
    contacts = [Contact(n % 4, 10 * n, 10 * n + n % 9, 10 * n, 20.0, float(f)) for n, f in enumerate(forces)]
    kept, shuffled = HardestContacts(), HardestContacts()
    for contact in contacts:
        kept.add(contact)
    for number in generator.permutation(count).tolist():
        shuffled.add(contacts[number])
    found = kept.in_order()
    assert shuffled.in_order() == found
    assert [c.start_sample for c in found] == sorted(c.start_sample for c in found)
    assert len(found) == min(count, CONTACTS_KEPT)
    hardest = sorted(forces.tolist(), reverse=True)[:CONTACTS_KEPT]
    assert sorted((c.peak_force_n for c in found), reverse=True) == hardest


def test_a_lap_keeps_its_contacts_and_a_stint_of_laps_keeps_their_tallies_alone() -> None:
    lap, stint = Share.empty(0), Share.empty(0)
    lap.take([Contact(1, 0, 9, 0, 20.0, 5.0)], [Contact(2, 0, 4, 0, -39.8, math.nan)] * 2)
    assert [len(lap.contacts.in_order()), len(lap.top_out_contacts.in_order())] == [1, 2]
    for _ in range(3):
        stint.merge(lap)
    assert [tally.count for tally in stint.stops] == [0, 3, 0, 0]
    assert [tally.count for tally in stint.top_outs] == [0, 0, 6, 0]
    assert [tally.peak_travel_mm for tally in stint.top_outs[2:3]] == [-39.8]
    assert stint.contacts.in_order() == stint.top_out_contacts.in_order() == []


def test_of_contacts_without_a_force_the_longest_are_kept() -> None:
    kept = HardestContacts()
    for number in range(1000):
        kept.add(Contact(0, 1000 * number, 1000 * number + number, 0, -39.8, math.nan))
    assert [c.samples for c in kept.in_order()] == list(range(1000 - CONTACTS_KEPT, 1000))


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
