"""What people at the keys do goes the way of every step: journal, pit wall, results, recording, screen."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import pytest
from prompt_toolkit.input import create_pipe_input

from alerts.alert import Transition
from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from alerts.payload import Command
from alerts.publisher import Asked, Publisher
from console.controls import Controls, Duties, Item, Move
from console.desk import Desk
from console.ends import Ends
from console.hands import Hands
from console.keys import Keyboard
from console.outlet import Place
from console.pace import Clock, Pacer
from console.results import ALERTS, ResultsWriter
from console.stopping import Stopping
from ingest.log_counts import LogCounts
from ingest.sheet_wall import PitWall
from tests.monitored import RATE, chunk, easy_sheet, flat

ALARM = ("platform_low", "nose")
ITEM = Item(*ALARM, "platform low nose")
PLACE = Place("by hand", 2.0, None, None, RATE)


class Shown:
    """An outlet that keeps what it was shown, and a screen that counts its rests."""

    def __init__(self) -> None:
        self.transitions: list[Transition] = []
        self.calls: list[str] = []

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Nothing to do."""

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:  # noqa: ARG002
        self.transitions += step.transitions

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """Nothing to do."""

    def close(self) -> None:
        self.calls.append("close")

    def rest(self) -> None:
        self.calls.append("rest")

    def wake(self) -> None:
        self.calls.append("wake")


class Typed(Keyboard):
    """A keyboard without a terminal."""

    def __init__(self) -> None:
        self.waiting: list[str] = []
        self.calls: list[str] = []

    def __enter__(self) -> Typed:
        self.calls.append("enter")
        return self

    def leave(self) -> None:
        self.calls.append("leave")

    def read(self) -> list[str]:
        keys, self.waiting = self.waiting, []
        return keys

    def suspend(self) -> None:
        self.calls.append("suspend")


class Kept(Publisher):
    """A publisher that is never started and keeps what it was given."""

    def __init__(self) -> None:
        super().__init__(PitWall(host="192.0.2.1", topic="pit"), "Car", "run-1")
        self.payloads: list[dict[str, Any]] = []
        self.told: list[str] = []
        self.asked: list[Asked] = []

    def offer(self, transitions: list[tuple[int, bytes]], state: bytes | None = None) -> None:  # noqa: ARG002
        self.payloads += [json.loads(payload) for _, payload in transitions]

    def take_commands(self) -> list[Asked]:
        taken, self.asked = self.asked, []
        return taken

    def answer(self, asked: Asked, *, accepted: bool, words: str) -> None:  # noqa: ARG002
        self.told.append(words)


def standing() -> Monitor:
    monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
    monitor.process(chunk(flat(1000, 35.0)))
    return monitor


def handed(duties: Duties | None = None) -> tuple[Hands, Typed, Shown]:
    keyboard, shown = Typed(), Shown()
    controls = Controls("Kim", duties or Duties(replay=True))
    controls.shows([ITEM])
    return Hands(keyboard, controls, shown), keyboard, shown


def test_an_action_goes_to_everything_a_run_has(tmp_path: Path) -> None:
    hands, keyboard, shown = handed()
    publisher = Kept()
    noted: list[Transition] = []
    writer = ResultsWriter(tmp_path / "out")
    journal = Journal.open(tmp_path / "kept", "Car")
    desk = Desk(publisher, "Car")
    ends = Ends(shown, writer, journal, desk, hands, lambda step: noted.extend(step.transitions))
    monitor = standing()
    hands.begin(Stopping())
    keyboard.waiting = ["tab", "a"]
    ends.look(monitor, PLACE)
    ends.close(monitor, "over")
    (line,) = (tmp_path / "out" / ALERTS).read_text().splitlines()
    for change, who in (
        (json.loads(line)["change"], json.loads(line)["who"]),
        (publisher.payloads[-1]["change"], publisher.payloads[-1]["who"]),
        (noted[-1].change, noted[-1].who),
        (shown.transitions[-1].change, shown.transitions[-1].who),
    ):
        assert (change, who) == ("acknowledge", "Kim")
    again = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
    kept = Journal.open(tmp_path / "kept", "Car")
    kept.restore_into(again)
    kept.close()
    assert [s.who for s in again.standings if s.definition.key == ALARM] == ["Kim"]
    assert hands.controls.said == "platform low nose: acknowledged, by Kim"


@pytest.mark.parametrize("with_desk", [False, True])
def test_an_action_works_with_neither_pit_wall_nor_journal_nor_results(with_desk: bool) -> None:
    hands, keyboard, shown = handed()
    ends = Ends(shown, desk=Desk(Kept(), "Car") if with_desk else None, hands=hands)
    monitor = standing()
    hands.begin(Stopping())
    for keys, said in (
        (["tab", "a"], "acknowledged, by Kim"),
        (["a"], "it is acknowledged already"),
        (["r"], "nothing to reset, it ends with its cause"),
        (["u"], "it is not shelved"),
        (["s", "2"], "shelved for 30 min of running, by Kim"),
        (["u"], "off the shelf, by Kim"),
        (["o", "y"], "out of service until somebody returns it, by Kim"),
    ):
        keyboard.waiting = keys
        ends.look(monitor, PLACE)
        assert hands.controls.said.endswith(said)
    assert [t.change for t in shown.transitions] == ["acknowledge", "shelve", "unshelve", "out_of_service"]


def test_what_the_monitor_refuses_is_said_and_changes_nothing() -> None:
    hands, keyboard, shown = handed()
    hands.controls.shows([Item("sensor", "\x1b[2J", "sensor XX")])
    ends = Ends(shown, hands=hands)
    hands.begin(Stopping())
    keyboard.waiting = ["tab", "a"]
    ends.look(standing(), PLACE)
    assert "there is no alarm" in hands.controls.said
    assert hands.controls.said.isprintable()
    assert shown.transitions == []


def test_a_command_that_changes_nothing_is_answered_with_the_reason() -> None:
    publisher = Kept()
    asked = Command(id="command-1", run="run-1", kind=ALARM[0], where=ALARM[1], action="unshelve", who="Kim")
    publisher.asked = [Asked(asked, "Kim")]
    Ends(Shown(), desk=Desk(publisher, "Car")).look(standing(), PLACE)
    assert publisher.told == ["it is not shelved"]


def test_keys_reach_the_replay_and_the_end() -> None:
    hands, keyboard, _ = handed()
    pacer = Pacer(1.0, Clock(now=lambda: 0.0))
    stopping = Stopping()
    hands.begin(stopping, pacer)
    assert not hands.used
    for keys, pace, paused in ((["+"], 2.0, False), (["-", "-"], 0.5, False), ([" "], 0.5, True), (["n"], 0.5, True)):
        keyboard.waiting = keys
        assert hands.look() == []
        assert (pacer.pace, pacer.paused) == (pace, paused)
    assert hands.used
    keyboard.waiting = ["q"]
    hands.look()
    assert stopping.wanted
    assert stopping.exit_code == 0


def test_interrupt_as_a_key_is_the_signal() -> None:
    hands, keyboard, _ = handed()
    with Stopping() as stopping:
        hands.begin(stopping)
        keyboard.waiting = ["interrupt"]
        hands.look()
        assert (stopping.signal, stopping.exit_code) == (signal.SIGINT, 130)


def test_a_replay_is_suspended_in_order_and_a_watch_is_not() -> None:
    hands, keyboard, shown = handed()
    hands.begin(Stopping(), Pacer(1.0, Clock(now=lambda: 0.0)))
    keyboard.waiting = [Move.SUSPEND]
    hands.look()
    assert keyboard.calls == ["enter", "leave", "suspend", "enter"]
    assert shown.calls == ["rest", "wake"]
    live, keyboard, shown = handed(Duties(live=True, ends="the watch"))
    live.begin(Stopping())
    keyboard.waiting = [Move.SUSPEND]
    live.look()
    assert keyboard.calls == ["enter"]
    assert shown.calls == []
    assert "Not suspended" in live.controls.said


def test_the_terminal_is_given_back_before_anything_else_can_fail(tmp_path: Path) -> None:
    hands, keyboard, shown = handed()
    ends = Ends(shown, ResultsWriter(tmp_path / "out"), hands=hands)
    ends.close(None, "over")
    assert keyboard.calls == ["leave"]
    assert shown.calls == ["close"]


def test_a_keyboard_of_the_library_works_as_hands() -> None:
    with create_pipe_input() as pipe:
        shown = Shown()
        controls = Controls("Kim", Duties())
        controls.shows([ITEM])
        hands = Hands(Keyboard(pipe), controls, shown)
        hands.begin(Stopping())
        pipe.send_text("\x1b[Ba")
        (wish,) = hands.look()
        assert (wish.action, wish.kind, wish.where, wish.who) == ("acknowledge", *ALARM, "Kim")
        hands.close()


def test_every_end_is_closed_whatever_another_raises() -> None:
    class End:
        def __init__(self, error: type[Exception] | None = None) -> None:
            self.closed, self.error = False, error

        def close(self, *_: object) -> None:
            self.closed = True
            if self.error is not None:
                raise self.error

    outlet: Any = End(BrokenPipeError)
    writer: Any = End(OSError)
    journal: Any = End()
    desk: Any = End()
    with pytest.raises(OSError, match=r"^$"):
        Ends(outlet, writer, journal, desk).close(None, "the end")
    assert all(end.closed for end in (outlet, writer, journal, desk))
