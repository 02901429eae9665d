"""Acting on an alarm from a shell, against a broker and a monitor that publishes."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from click.testing import CliRunner

from alerts.lifecycle import State
from alerts.monitor import ACTIONS, Monitor
from alerts.publisher import Publisher
from console.act import act
from console.cli import cli
from console.cli_wall import ACTIONS as WALL_ACTIONS
from console.command import ActError, Wish
from console.desk import Desk
from ingest.sheet_wall import PitWall
from tests.brokers import HOST, EmbeddedBroker, free_port
from tests.monitored import RATE, chunk, easy_sheet, flat

ALARM = ("platform_low", "nose")


class Served:
    """A monitor with one alarm standing, published, in a thread that carries out what is asked."""

    def __init__(self, port: int) -> None:
        self.place = PitWall(host=HOST, port=port, topic="pit")
        self.monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
        step = self.monitor.process(chunk(flat(1000, 35.0)))
        self._desk = Desk(Publisher(self.place, "Car").start(), "Car")
        self._desk.take(step, self.monitor)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._over.wait(0.01):
            for step in self._desk.look(self.monitor, 2.0):
                self._desk.take(step, self.monitor)

    def hang(self) -> None:
        """Carry nothing out any more."""
        self._over.set()
        self._thread.join()

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._desk.close(self.monitor, "over")

    @property
    def state(self) -> State:
        return next(alarm.state for alarm in self.monitor.standings if alarm.definition.key == ALARM)


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


def test_an_acknowledgement_reaches_the_monitor_and_its_answer_comes_back(served: Served) -> None:
    assert act(served.place, Wish("acknowledge", *ALARM, "Kim"), wait_s=20.0) == "acknowledge"
    assert served.state is State.ACKNOWLEDGED
    assert next(a.who for a in served.monitor.standings if a.definition.key == ALARM) == "Kim"


def test_what_the_monitor_refuses_is_said_in_its_words(served: Served) -> None:
    with pytest.raises(ActError, match="refused: there is no alarm"):
        act(served.place, Wish("acknowledge", "sensor", "XX", "Kim"), wait_s=20.0)
    with pytest.raises(ActError, match="a shelf needs an end"):
        act(served.place, Wish("shelve", *ALARM, "Kim"), wait_s=20.0)
    with pytest.raises(ActError, match="a shelf needs an end"):
        act(served.place, Wish("reset", *ALARM, "Kim", 5.0), wait_s=20.0)
    assert served.state is State.UNACKNOWLEDGED


def test_a_prefix_without_a_monitor_and_a_bad_name_are_told(served: Served) -> None:
    with pytest.raises(ActError, match="no monitor has published"):
        act(served.place.model_copy(update={"topic": "other"}), Wish("reset", *ALARM, "Kim"), wait_s=0.5)
    with pytest.raises(ActError, match="--name"):
        act(served.place, Wish("reset", *ALARM, "a/b"))


def test_without_a_broker_the_command_says_so_in_one_line() -> None:
    arguments = ["act", "reset", *ALARM, "--mqtt", f"{HOST}:{free_port()}", "--topic", "pit", "--name", "Kim"]
    result = CliRunner().invoke(cli, arguments)
    assert isinstance(result.exception, ActError)
    assert "does the broker run" in str(result.exception)
    assert "\n" not in str(result.exception)


def test_the_command_knows_every_action() -> None:
    assert tuple(ACTIONS) == WALL_ACTIONS
