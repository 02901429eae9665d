"""Acting at the pit wall: over a broker to a monitor that publishes, and its answer back on the wall's screen."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

import pytest

if sys.platform == "win32":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)

from alerts.lifecycle import State
from tests.brokers import HOST, EmbeddedBroker
from tests.console.terminals import COMMAND, Terminal
from tests.console.test_act import ALARM, Served


@pytest.fixture
def served() -> Iterator[Served]:
    broker = EmbeddedBroker()
    broker.start()
    made = Served(broker.port)
    try:
        yield made
    finally:
        made.close()
        broker.stop()


Start = Callable[..., Terminal]


@pytest.fixture
def start(served: Served) -> Iterator[Start]:
    made: list[Terminal] = []

    def begin(*more: str, width: int = 80, height: int = 24) -> Terminal:
        place = ["--mqtt", f"{HOST}:{served.place.port}", "--topic", "pit", "--name", "Kim"]
        made.append(Terminal(COMMAND, "wall", *place, *more, width=width, height=height))
        return made[-1]

    yield begin
    for one in made:
        one.close()


def who(served: Served) -> str:
    return next(s.who for s in served.monitor.standings if s.definition.key == ALARM)


def test_an_acknowledgement_at_one_wall_is_seen_at_the_monitor_and_at_another_wall(
    served: Served, start: Start
) -> None:
    wall, other = start(), start(width=120, height=40)
    wall.shows("platform low nose: NOT ACKNOWLEDGED")
    other.shows("platform low nose: NOT ACKNOWLEDGED")
    wall.press("\t")
    wall.shows("> MEDIUM")
    wall.press("a")
    wall.shows("done: acknowledge platform low nose")
    assert served.state is State.ACKNOWLEDGED
    assert who(served) == "Kim"
    wall.shows("acknowledged by Kim")
    other.shows("acknowledged by Kim")
    wall.press("r")
    wall.shows("done: reset platform low nose: nothing to reset")
    wall.press("q")
    wall.shows("End this screen; the monitor goes on?")
    wall.press("y")
    assert wall.end() == 0
    assert wall.is_restored
    other.press("\x03")
    assert other.end() == 130
    assert other.is_restored


def test_shelving_at_the_wall_and_back(served: Served, start: Start) -> None:
    wall = start("--bell")
    wall.shows("NOT ACKNOWLEDGED")
    wall.press("\t")
    wall.shows("> MEDIUM")
    wall.press("s")
    wall.shows("Shelve platform low nose")
    wall.press("3")
    wall.shows("done: shelve platform low nose for 60 min of running")
    wall.shows("> platform low nose (shelved until 60:01 by Kim)")
    wall.shows("no alerts")
    wall.press("u")
    wall.shows("done: unshelve platform low nose")
    wall.shows("acknowledged by Kim")
    assert served.state is State.ACKNOWLEDGED
    wall.press("q")
    wall.shows("y: yes")
    wall.press("y")
    assert wall.end() == 0
    assert wall.output.count(b"\x07") == 1


def test_a_monitor_that_does_not_answer_is_told(served: Served, start: Start) -> None:
    wall = start()
    wall.shows("NOT ACKNOWLEDGED")
    wall.press("\t")
    wall.shows("> MEDIUM")
    served.hang()
    wall.press("a")
    wall.shows("asked the monitor")
    wall.shows("NO ANSWER: acknowledge platform low nose")


def test_a_user_name_that_is_no_level_of_a_topic_is_refused_in_words(served: Served) -> None:
    terminal = Terminal(COMMAND, "wall", "--mqtt", f"{HOST}:{served.place.port}", "--topic", "pit", "--name", "a/b")
    try:
        assert terminal.end() == 1
        assert "--name (or --user) must not be empty" in " ".join(terminal.text().split())
    finally:
        terminal.close()
