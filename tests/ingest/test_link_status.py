from __future__ import annotations

import itertools
import threading

from ingest.link_status import LinkStatus


def make_status() -> LinkStatus:
    ticks = itertools.count(100, 100)
    return LinkStatus("opening", clock_ns=lambda: next(ticks))


def test_until_it_was_open_once_a_link_connects_and_then_it_is_lost() -> None:
    status = make_status()
    status.failed("not there")
    assert (status.state.word, status.state.detail) == ("connecting", "not there")
    status.opened("here")
    assert status.state.word == "open"
    status.failed("gone")
    assert (status.state.word, status.state.detail) == ("lost", "gone")


def test_since_is_when_the_word_changed_and_not_the_detail() -> None:
    status = make_status()
    status.opened("here")
    opened_ns = status.state.since_ns
    status.failed("gone")
    lost_ns = status.state.since_ns
    assert lost_ns > opened_ns
    status.failed("no such port")
    assert status.state.since_ns == lost_ns
    assert status.state.detail == "no such port"


def test_only_openings_after_a_loss_are_reconnections() -> None:
    status = make_status()
    assert status.reconnects == 0
    status.opened("here")
    status.opened("here still")
    assert status.reconnects == 0
    status.failed("gone")
    status.opened("back")
    assert status.reconnects == 1


def test_a_closed_link_stays_closed() -> None:
    status = make_status()
    status.closed("stopped")
    status.opened("late")
    assert (status.state.word, status.state.detail) == ("closed", "stopped")


def test_details_are_safe_to_show_and_bounded() -> None:
    status = make_status()
    status.failed("a\x1b[2Jb\n" + "x" * 1000)
    assert "\x1b" not in status.state.detail
    assert "\n" not in status.state.detail
    assert len(status.state.detail) == 300


def test_waiting_ends_with_the_state_or_with_the_time() -> None:
    status = make_status()
    threading.Thread(target=status.opened, args=("here",)).start()
    assert status.wait_for(lambda state: state.word == "open", 10.0)
    assert not status.wait_for(lambda state: state.word == "lost", 0.0)
