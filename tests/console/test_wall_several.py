"""Several cars' monitors and one wall, over brokers: each is found, acted on alone, and missed when it dies."""

from __future__ import annotations

import asyncio
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from alerts.lifecycle import State
from alerts.monitor import Monitor
from alerts.publisher import Publisher
from console.cli import cli
from console.command import Wish
from console.controls import Duties, Move
from console.desk import Desk
from console.hands import Hands
from console.wall_keys import CarControls, CarWish
from console.wall_line import Heard, WallLine
from console.wall_several import SeveralCars
from console.wall_topics import read_topics
from ingest.backoff import Backoff
from ingest.mqtt_client import ConnectionFault, SubscriptionFault
from ingest.sheet_broker import BrokerAccess
from ingest.sheet_wall import PitWall
from tests.brokers import HOST, MOSQUITTO, AnyBroker, EmbeddedBroker, RealBroker, Relay
from tests.console.test_wall import alarm, beat
from tests.console.test_wall_cars import gone, told
from tests.monitored import RATE, chunk, easy_sheet, flat

ALARM = ("platform_low", "nose")
DEADLINE_S = 30.0  # only ever reached by a failing test
needs_mosquitto = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")


class Car:
    """A monitor with one alarm standing, published below `pit/NAME`, that carries out what is asked."""

    def __init__(self, port: int, topic: str, name: str) -> None:
        self.monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
        step = self.monitor.process(chunk(flat(1000, 35.0)))
        place = PitWall(host=HOST, port=port, topic=topic)
        self._desk = Desk(Publisher(place, name, backoff=Backoff(0.01, 0.05), beat_s=0.05).start(), name)
        self._desk.take(step, self.monitor)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._over.wait(0.01):
            for step in self._desk.look(self.monitor, 2.0):
                self._desk.take(step, self.monitor)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._desk.close(self.monitor, "over")

    @property
    def state(self) -> State:
        return next(one.state for one in self.monitor.standings if one.definition.key == ALARM)


class AtKeys(Hands):
    """Somebody whose wishes a test says."""

    def __init__(self) -> None:
        self.controls = CarControls("Kim", Duties(has_list=False, several=True))
        self.wishes: list[Wish] = []
        self.answers: list[str] = []
        self.on_car: Callable[[Move], None] | None = None

    def look(self) -> list[Wish]:
        wishes, self.wishes = self.wishes, []
        return wishes

    def answer(self, words: str) -> None:
        self.answers.append(words)


@pytest.fixture(params=["amqtt", pytest.param("mosquitto", marks=needs_mosquitto)])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyBroker]:
    made: AnyBroker = EmbeddedBroker() if request.param == "amqtt" else RealBroker(tmp_path)
    made.start()
    yield made
    made.stop()


def until(run: SeveralCars, seen: Callable[[], object]) -> None:
    end = time.monotonic() + DEADLINE_S
    while not seen():
        assert time.monotonic() < end
        run.look(0.05)


def test_cars_are_found_acted_on_one_by_one_and_missed(broker: AnyBroker) -> None:
    relay = Relay(broker.port).mend()
    cars = [Car(broker.port, "pit/1", "Lapwing"), Car(relay.port, "pit/2", "REHEARSAL Heron")]
    topics = read_topics(["pit/9", "pit/+"])
    line = WallLine(BrokerAccess(host=HOST, port=broker.port), topics, "Kim").open()
    hands = AtKeys()
    run = SeveralCars(line, topics, hands)

    def trouble(prefix: str) -> str:
        return run.cars.trouble(prefix, time.monotonic())

    try:
        until(run, lambda: len(run.cars.alarms()) == 2 and not trouble("pit/1") and not trouble("pit/2"))
        assert trouble("pit/9") == "NEVER HEARD"
        assert sorted(run.cars.labels().values()) == ["Lapwing", "REHEARSAL Heron", "pit/9"]
        hands.wishes = [CarWish("acknowledge", *ALARM, "Kim", prefix="pit/2")]
        until(run, lambda: "REHEARSAL Heron: done: acknowledge platform low nose" in hands.answers)
        assert (cars[0].state, cars[1].state) == (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
        until(run, lambda: [one.alarm.acknowledged for one in run.cars.alarms()].count(True) == 1)
        relay.cut()
        until(run, lambda: trouble("pit/2").startswith("MONITOR S"))
        assert not trouble("pit/1")
        hands.wishes = [CarWish("acknowledge", *ALARM, "Kim", prefix="pit/2")]
        until(run, lambda: "REHEARSAL Heron: NOT SENT: no monitor is there to hear it" in hands.answers)
        relay.mend()
        until(run, lambda: not trouble("pit/2"))
        broker.stop()
        until(run, lambda: trouble("pit/1") == trouble("pit/9") == "NO BROKER")
        broker.start()
        until(run, lambda: not trouble("pit/1") and not trouble("pit/2"))
        assert trouble("pit/9") == "NEVER HEARD"
        assert len(run.cars.alarms()) == 2
    finally:
        line.close()
        for car in cars:
            car.close()
        relay.cut()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_the_command_shows_several_cars_and_acknowledges_the_second(broker: AnyBroker) -> None:
    from tests.console.terminals import COMMAND, Terminal

    cars = [Car(broker.port, "pit/1", "Lapwing"), Car(broker.port, "pit/2", "REHEARSAL Heron")]
    place = ["--mqtt", f"{HOST}:{broker.port}", "--name", "Kim"]
    named = ["--topic", "pit/1", "--topic", "pit/2", "--topic", "pit/9"]
    terminals = [
        Terminal(COMMAND, "wall", *place, *named),
        Terminal(COMMAND, "wall", *place, "--topic", "pit/+", "--plain", width=160),
    ]
    wall, plain = terminals
    try:
        plain.shows("Lapwing (pit/1): medium platform low nose NOT acknowledged")
        plain.shows("REHEARSAL Heron (pit/2): medium platform low nose NOT acknowledged")
        wall.shows("3 cars 2 alerts 2 not acknowledged 1 in doubt 1 REHEARSAL")
        wall.shows("pit/9 NEVER HEARD")
        wall.shows("MEDIUM REHEARSAL Heron: platform low nose: NOT ACKNOWLEDGED")
        wall.press("cc")
        wall.shows("> MEDIUM REHEARSAL Heron: platform low nose")
        wall.shows(">Heron REHEARSAL 1 medium!")
        wall.press("a")
        wall.shows("REHEARSAL Heron: platform low nose: acknowledged by Kim")
        plain.shows("REHEARSAL Heron (pit/2): medium platform low nose acknowledged")
        assert (cars[0].state, cars[1].state) == (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
        wall.press("C")
        wall.shows("> MEDIUM Lapwing: platform low nose: NOT ACKNOWLEDGED")
        wall.press("C")
        wall.shows("pit/9: no alarm here to select; NEVER HEARD")
        wall.press("q")
        wall.shows("End this screen; the monitors go on?")
        wall.press("y")
        assert wall.end() == 0
        assert wall.is_restored
        plain.press("\x03")
        assert plain.end() == 130
    finally:
        for terminal in terminals:
            terminal.close()
        for car in cars:
            car.close()


# ---------------------------------------------------------------- without a broker


class StillLine(WallLine):
    """A line on which comes what a test says."""

    def __init__(self, *given: str) -> None:
        super().__init__(BrokerAccess(host="192.0.2.1"), read_topics(given), None)
        self.coming: list[Heard] = []
        self.known: set[str] = self._known

    def take(self, wait_s: float) -> Heard:  # noqa: ARG002
        return self.coming.pop(0) if self.coming else Heard()


def started(*given: str) -> tuple[SeveralCars, StillLine, list[float]]:
    line, now = StillLine(*given), [0.0]
    line.coming.append(Heard(there=True))
    run = SeveralCars(line, read_topics(given), None, clock=lambda: now[0])
    run.look(0.0)
    return run, line, now


def test_plain_lines_name_the_car_and_come_with_news_only() -> None:
    run, line, now = started("pit/1", "pit/+")
    assert run.lines(0.0) == ["1 car: the broker is there", "pit/1: NEVER HEARD | it is not known what stands"]
    line.coming.append(Heard((("pit/2", "state", told("Heron", alarm())), ("pit/2", "heartbeat", beat()))))
    run.look(0.0)
    assert line.known == {"pit/1", "pit/2"}
    assert run.lines(1.0) == ["Heron (pit/2): high sensor RR NOT acknowledged"]
    assert run.lines(1.5) == []
    line.coming.append(Heard((("pit/2", "online", gone("Heron", "broke")),)))
    run.look(0.0)
    assert run.lines(3.0) == ["Heron (pit/2): MONITOR STOPPED: broke | high sensor RR NOT acknowledged"]
    line.coming.append(Heard(there=False))
    now[0] = 4.0
    run.look(0.0)
    assert run.lines(4.0) == ["2 cars: NO BROKER 0 s"]
    assert run.lines(9.0) == []


def test_a_car_that_flickers_leaves_the_others_readable() -> None:
    run, line, now = started("pit/1", "pit/2")
    said: list[str] = []
    for look in range(100):
        now[0] = look * 0.1
        alarms = [alarm("x")] if look % 2 else []
        line.coming.append(Heard((("pit/1", "state", told("A", *alarms)), ("pit/1", "heartbeat", beat()))))
        run.look(0.0)
        said += [words for words in run.lines(now[0]) if words.startswith("A ")]
    assert 5 <= len(said) <= 11


def test_the_car_that_needs_somebody_first_is_chosen() -> None:
    run, line, _ = started("pit/1", "pit/2")
    events = [("pit/1", "state", told("A", alarm(acknowledged=True))), ("pit/2", "state", told("B", alarm("FL")))]
    line.coming.append(Heard((*events, ("pit/1", "heartbeat", beat()), ("pit/2", "heartbeat", beat()))))
    hands = AtKeys()
    run = SeveralCars(line, read_topics(["pit/1", "pit/2"]), hands)
    run.look(0.0)
    from console.wall_cars_board import cars_items

    hands.controls.shows(cars_items(run.cars))
    assert hands.on_car is not None
    hands.on_car(Move.URGENT_CAR)
    assert isinstance(hands.controls, CarControls)
    assert hands.controls.prefix == "pit/2"
    hands.on_car(Move.NEXT_CAR)
    assert hands.controls.prefix == "pit/1"


class Refusing:
    """A connection whose broker lets this user read some topics."""

    def __init__(self, *refused: str) -> None:
        self.refused = refused
        self.asked: list[str] = []

    async def subscribe(self, topic: str) -> None:
        self.asked.append(topic)
        if topic.startswith(self.refused):
            raise SubscriptionFault(f"no {topic}")


def test_a_car_that_may_not_be_read_costs_the_others_nothing() -> None:
    line = WallLine(BrokerAccess(host="192.0.2.1"), read_topics(["pit/1", "pit/2", "pit/+"]), "kim")
    connection = Refusing("pit/1/state", "pit/2")
    asyncio.run(line._subscribe(connection))  # type: ignore[arg-type]
    assert len(connection.asked) == 12
    assert line.refused == {"pit/1": "no pit/1/state", "pit/2": "no pit/2/heartbeat"}
    one = WallLine(BrokerAccess(host="192.0.2.1"), read_topics(["pit/1"]), "kim")
    with pytest.raises(ConnectionFault):
        asyncio.run(one._subscribe(Refusing("pit/1")))  # type: ignore[arg-type]


@pytest.mark.parametrize(("topic", "words"), [("pit/#", "# stands for any number"), ("pit//x", "two in a row")])
def test_the_command_refuses_what_can_be_no_car(topic: str, words: str) -> None:
    result = CliRunner().invoke(cli, ["wall", "--mqtt", f"{HOST}:1", "--topic", "pit/1", "--topic", topic])
    assert result.exit_code == 2
    assert words in str(result.output)
