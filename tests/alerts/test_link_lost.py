"""Link lost: found from a gap, said during a silence, and silencing the rest."""

from __future__ import annotations

import numpy as np
import pytest

from alerts.alert import Transition
from alerts.link_lost import LINK_KEY
from alerts.monitor import Monitor
from ingest.chunk import Chunk
from tests.monitored import RATE, changes, chunk, cut, easy_sheet, flat, stretches, watch

SILENT, CLEAN = round(1.0 * RATE), round(3.0 * RATE)
SILENCE = Chunk(0, RATE, np.empty((0, 4)), silent=True)
SHEET = easy_sheet({"alerts.link.enabled": True})


def link(transitions: list[Transition]) -> list[tuple[int, str]]:
    return changes(transitions, *LINK_KEY)


def test_a_gap_of_the_silent_time_is_a_lost_link_and_one_sample_less_is_not() -> None:
    later = flat(CLEAN + 100)
    assert link(watch(SHEET, *stretches(flat(800), later, gap=SILENT - 1))) == []
    found = watch(SHEET, *stretches(flat(800), later, gap=SILENT))
    assert link(found) == [(800 + SILENT - 1, "occurs"), (800 + SILENT + CLEAN, "returns")]
    (told,) = [t for t in found if t.announced]
    assert told.definition.priority == "high"
    assert told.since_s == pytest.approx(800 / RATE)


def test_a_short_gap_makes_the_clean_time_begin_anew() -> None:
    found = watch(SHEET, *stretches(flat(800), flat(1000), flat(CLEAN + 100), gap=SILENT))
    again = 800 + SILENT + 1000 + SILENT
    assert link(found) == [(800 + SILENT - 1, "occurs"), (again + CLEAN, "returns")]
    parts = stretches(flat(800), flat(1000), gap=SILENT)
    short = chunk(flat(CLEAN + 100), first_sample=800 + SILENT + 1000 + 5, gap_before=5)
    found = watch(SHEET, *parts, short)
    assert link(found)[-1] == (800 + SILENT + 1000 + 5 + CLEAN, "returns")


def test_the_watchdog_says_it_once_at_the_same_sample_and_a_gap_behind_it_is_no_second_loss() -> None:
    monitor = Monitor(SHEET, RATE, ())
    before, after = stretches(flat(800), flat(CLEAN + 100), gap=5 * SILENT)
    found = list(monitor.process(before).transitions)
    found += monitor.process(SILENCE).transitions
    found += monitor.process(SILENCE).transitions
    assert link(found) == [(800 + SILENT - 1, "occurs")]
    found += monitor.process(after).transitions + monitor.finish().transitions
    assert link(found)[1:] == [(800 + 5 * SILENT + CLEAN, "returns")]
    assert monitor.announced == 1


def test_a_silence_after_which_nothing_is_missing_returns_too() -> None:
    monitor = Monitor(SHEET, RATE, ())
    whole = chunk(flat(800 + CLEAN + 600))
    parts = list(cut(whole, [800, CLEAN + 600]))
    found = list(monitor.process(parts[0]).transitions) + monitor.process(SILENCE).transitions
    found += monitor.process(parts[1]).transitions
    assert [change for _, change in link(found)] == ["occurs", "returns"]


def test_nothing_is_said_before_the_first_sample() -> None:
    assert Monitor(SHEET, RATE, ()).process(SILENCE).transitions == []


def test_a_lost_link_silences_what_stands() -> None:
    low = np.full((800, 4), 25.0, order="F")
    found = watch(SHEET, *stretches(low, np.full((CLEAN + 100, 4), 25.0, order="F"), gap=SILENT))
    assert [t.change for t in found if t.definition.kind == "platform_low"] == ["occurs", "suppressed", "released"]
    assert sum(t.announced for t in found) == 2 + sum(t.announced for t in found if t.definition.kind == "bump_stop")
