"""The clock on the wall may jump by hours: alarms, journal and payloads run on sample time and don't look at it."""

from __future__ import annotations

import ast
import itertools
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from alerts.payload import StateWriter, transition_payload
from alerts.publisher import Publisher, Pulse
from ingest.sheet_wall import PitWall
from tests.alerts.gates import DEADLINE_S, Subscriber
from tests.alerts.test_journal import ALARM, CAR, OTHER, left_by, low, monitor
from tests.alerts.test_publisher import standing, state_bytes, transition
from tests.brokers import HOST, EmbeddedBroker
from tests.monitored import RATE, chunk

ROOT = Path(__file__).parents[2]
HOUR_S = 3600.0
WALL_CLOCKS = {"time", "time_ns", "localtime", "gmtime", "ctime", "strftime", "clock_gettime", "clock_gettime_ns"}


@contextmanager
def jumping_clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[float]]:
    """The wall clock goes an hour on, two back and so on, each time that anybody looks; yields what was shown."""
    shown: list[float] = []
    steps = itertools.accumulate(itertools.cycle((HOUR_S, -2 * HOUR_S, HOUR_S, HOUR_S, -HOUR_S)))
    real = time.time

    def jumping() -> float:
        shown.append(real() + next(steps))
        return shown[-1]

    with monkeypatch.context() as patched:
        patched.setattr(time, "time", jumping)
        patched.setattr(time, "time_ns", lambda: round(jumping() * 1e9))
        yield shown


def run(path: Path) -> list[bytes]:
    """A monitor with journal and payloads through trips, actions, a shelf that ends and a restart; all that it says."""
    said: list[bytes] = []
    writer = StateWriter("run-1", CAR)

    def take(watched: Monitor, journal: Journal, step: Step) -> None:
        journal.note(step, watched)
        writer.take(step.transitions)
        said.extend(transition_payload(t, "run-1", CAR) for t in step.transitions)
        engine = watched.engine
        said.append(writer.payload(engine.standings, engine.time_s, watched.lap_at, time_s=1.0, sample_age_s=None))

    travel = low(8000, (500, 900), (2000, 2400), (4000, 5990))
    for begin, end in ((0, 4200), (4200, 8000)):
        watched, journal = monitor(), Journal.open(path, CAR)
        journal.restore_into(watched)
        for start in range(begin, end, 200):
            take(watched, journal, watched.process(chunk(travel[start : start + 200], start)))
            if start == 1000:
                take(watched, journal, watched.act(ALARM, "acknowledge", "Kim"))
                take(watched, journal, watched.act(OTHER, "shelve", "Ada", shelve_s=5400 / RATE))
        journal.close()
        said.append(path.read_bytes())
    return said


def test_steps_of_an_hour_change_no_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steady = run(tmp_path / "steady.journal")
    with jumping_clock(monkeypatch):
        jumped = run(tmp_path / "jumped.journal")
    assert jumped == steady
    assert sum(b'"change":"shelf_ends"' in said for said in steady) == 1
    assert left_by(tmp_path / "jumped.journal") == left_by(tmp_path / "steady.journal")


def test_a_publisher_stays_connected_and_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    broker = EmbeddedBroker().start()
    wall = PitWall(host=HOST, port=broker.port, topic="pit", keep_alive_s=2)
    publisher = Publisher(wall, CAR, "run-1", beat_s=0.02).start()
    subscriber = Subscriber(broker.port)
    try:
        assert publisher.status.wait_for(lambda state: state.word == "open", DEADLINE_S)
        with jumping_clock(monkeypatch):
            for number in range(1, 101):
                time.time()
                writer = StateWriter("run-1", CAR)
                writer.take([transition(number)])
                told = (number, transition_payload(transition(number), "run-1", CAR))
                publisher.offer([told], state_bytes(writer, standing()))
            publisher.alive(Pulse(1.0, 0.25, "", 100))
            subscriber.wait_for(lambda: len(subscriber.transitions) == 100 and len(subscriber.beats) > 2)
            subscriber.wait_for(lambda: subscriber.states[-1]["sequence"] == 100)
        assert subscriber.transitions == list(range(1, 101))
        assert (publisher.status.reconnects, subscriber.repeats) == (0, 0)
        # A sample's age grows by what has passed, not by what the clock says.
        assert all(0.25 <= beat["sample_age_s"] < DEADLINE_S for beat in subscriber.beats)
    finally:
        subscriber.close()
        publisher.stop()
        broker.stop()


def looks_at_the_wall_clock(source: str) -> list[str]:
    """Every use of a wall clock in a source."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [alias.name for alias in node.names]
            module = node.module if isinstance(node, ast.ImportFrom) else ""
            if "datetime" in {module, *names} or (module == "time" and WALL_CLOCKS & set(names)):
                found.append(ast.unparse(node))
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "time" and node.attr in WALL_CLOCKS:
            found.append(ast.unparse(node))
        if isinstance(node, ast.Attribute) and node.attr in {"st_mtime", "st_mtime_ns", "st_ctime", "uuid1"}:
            found.append(ast.unparse(node))
    return found


def test_nothing_of_the_alarms_can_see_the_wall_clock() -> None:
    console = ("desk", "wall", "wall_book", "act", "board_alerts", "live", "watch", "replay")
    files = [*sorted((ROOT / "alerts").glob("*.py")), *(ROOT / "console" / f"{name}.py" for name in console)]
    assert len(files) > 20
    wrong = {path.name: looks_at_the_wall_clock(path.read_text(encoding="utf-8")) for path in files}
    assert {name: uses for name, uses in wrong.items() if uses} == {}


@pytest.mark.parametrize(
    "source",
    ["import time\nx = time.time()", "from time import time_ns", "from datetime import datetime", "a.st_mtime"],
)
def test_a_look_at_it_would_be_found(source: str) -> None:
    assert looks_at_the_wall_clock(source)
