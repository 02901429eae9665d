"""Several cars in one process: each one's answers are those of a watch by itself, whatever the others do."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alerts.monitor import Monitor
from alerts.publisher import Publisher
from console.desk import Desk
from console.fleet import Fleet, FleetOptions, PlainShow, fleet_link, watch_fleet
from console.fleet_cars import FleetCar, folder_name
from console.live_run import MakeLink, WatchOptions
from console.outlet import PlainOutlet
from console.stopping import Stopping
from console.watch import watch
from ingest.errors import JournalError, LinkError
from ingest.inbox import Inbox, Received
from ingest.link_loop import LinkLoop
from ingest.senders import MqttSender
from ingest.sheet import Sheet
from ingest.sheet_link import Broker, LinkLayout
from ingest.sheet_wall import PitWall
from tests.alerts.test_publisher import Listener
from tests.brokers import MOSQUITTO, AnyBroker, EmbeddedBroker, RealBroker, free_port
from tests.console.test_watch import LAYOUT, SHEET, HandLink, frames, low
from tests.monitored import easy_sheet, flat

RUBBISH = [bytes(np.random.default_rng(n).integers(0, 256, 200, dtype=np.uint8)) for n in range(300)]


def named(name: str, sheet: Sheet = SHEET, link: LinkLayout = LAYOUT) -> FleetCar:
    car = sheet.car.model_copy(update={"name": name})
    return FleetCar(Path(f"{name}.toml"), sheet.model_copy(update={"car": car, "link": link}), "", folder_name(name))


def by_hand(*payloads: list[bytes]) -> MakeLink:
    """Links that have received these, one list a car in turn."""
    left = list(payloads)

    def make(layout: LinkLayout, tap: Callable[[Received], None], inbox: Inbox) -> HandLink:  # noqa: ARG001
        return HandLink(left.pop(0), tap, inbox)

    return make


def watched(
    cars: list[FleetCar], tmp_path: Path, *payloads: list[bytes], **options: Any
) -> tuple[int, list[str], list[str]]:
    lines: list[str] = []
    said: list[str] = []
    chosen = FleetOptions(**({"recordings": None, "results": tmp_path / "fleet", "seconds": 0.2} | options))
    code = watch_fleet(cars, PlainShow(lines.append, said.append), chosen, by_hand(*payloads))
    return code, lines, said


def alone(car: FleetCar, tmp_path: Path, payloads: list[bytes]) -> Path:
    """Results of the same car watched by itself."""
    out = tmp_path / "alone"
    options = WatchOptions(None, out, seconds=0.2)
    assert watch(car.sheet, PlainOutlet(lambda _: None), options, lambda _: None, by_hand(payloads)) == 0
    return out


def check_same(mine: Path, theirs: Path) -> None:
    """All that was written is the same: alerts letter by letter, numbers of the summary but for rounding."""
    assert alerts(theirs)
    assert alerts(mine) == alerts(theirs)
    same(json.loads((mine / "summary.json").read_text()), json.loads((theirs / "summary.json").read_text()))


def alerts(results: Path) -> list[dict[str, Any]]:
    """The alerts that samples raised; silence is a matter of the clock."""
    found = [json.loads(line) for line in (results / "alerts.jsonl").read_text().splitlines()]
    return [alert for alert in found if alert["kind"] != "link"]


def same(one: Any, other: Any, at: str = "") -> None:
    assert type(one) is type(other), at
    if isinstance(one, dict):
        assert one.keys() == other.keys(), at
        for key in one.keys() - {"source", "alerts", "noise"}:
            same(one[key], other[key], f"{at}.{key}")
    elif isinstance(one, list):
        assert len(one) == len(other), at
        for place, (left, right) in enumerate(zip(one, other, strict=True)):
            same(left, right, f"{at}[{place}]")
    elif isinstance(one, float):
        assert math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9), at
    else:
        assert one == other, at


# ---------------------------------------------------------------- isolation


def test_a_car_beside_one_that_sends_rubbish_is_watched_as_if_alone(tmp_path: Path) -> None:
    car, sent = named("Good"), frames(low())
    code, lines, _ = watched([named("Bad"), car], tmp_path, [b"\0".join(RUBBISH), *RUBBISH], sent)
    assert code == 0
    check_same(tmp_path / "fleet" / "Good", alone(car, tmp_path, sent))
    assert all(line.startswith("Good: ") for line in lines if line)
    assert not (tmp_path / "fleet" / "Bad" / "summary.json").exists()


def test_a_flood_is_bounded_counted_and_announced_and_costs_the_other_car_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("console.fleet._WAITING_BYTES", 60_000)
    car, sent = named("Good"), frames(low(), 50)
    flood = frames(flat(20_000))
    code, lines, said = watched([named("Flood"), car], tmp_path, flood, sent, recordings=tmp_path / "rec")
    assert code == 0
    check_same(tmp_path / "fleet" / "Good", alone(car, tmp_path, sent))
    link = json.loads((tmp_path / "fleet" / "Flood" / "summary.json").read_text())["link"]
    assert link["dropped_messages"] > 1800
    assert 10 * link["dropped_messages"] + link["samples"] == 20_000
    # The newest are kept, and everything is in the recording.
    assert any("Flood: " in line and "1000 or more messages dropped, the oldest first" in line for line in lines)
    assert any(line.startswith("Flood: recorded ") for line in said)
    (recording,) = (tmp_path / "rec" / "Flood").glob("*.dwrec")
    assert sum(frame in recording.read_bytes() for frame in flood[:3]) == 3


def test_the_newest_of_a_flood_is_what_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("console.fleet._WAITING_BYTES", 20_000)
    travel = flat(20_000)
    travel[-200:] = 25.0
    watched([named("Flood")], tmp_path, frames(travel))
    assert "platform_low" in {alert["kind"] for alert in alerts(tmp_path / "fleet" / "Flood")}


def test_a_fault_in_one_chain_ends_that_cars_watch_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = Monitor.process

    def failing(self: Monitor, chunk: Any) -> Any:
        if self.sheet.car.name == "Ill":
            raise RuntimeError("\x1b[2Jno more")
        return whole(self, chunk)

    car, sent = named("Good"), frames(low())
    expected = alone(car, tmp_path, sent)
    monkeypatch.setattr(Monitor, "process", failing)
    code, _, said = watched([named("Ill"), car], tmp_path, frames(low()), sent, recordings=tmp_path / "rec")
    assert code == 1
    check_same(tmp_path / "fleet" / "Good", expected)
    (told,) = [line for line in said if "NOT WATCHED ANY MORE" in line]
    assert told.startswith("Ill: ")
    assert told.isprintable()
    (recording,) = (tmp_path / "rec" / "Ill").glob("*.dwrec")
    assert sent[-1] in recording.read_bytes()


def test_a_car_that_goes_silent_is_alone_in_its_alarm(tmp_path: Path) -> None:
    quick = easy_sheet({"alerts.link.enabled": True, "alerts.link.silent_after_s": 0.1})
    slow = easy_sheet({"alerts.link.enabled": True, "alerts.link.silent_after_s": 5.0})
    cars = [named("Quick", quick), named("Slow", slow)]
    watched(cars, tmp_path, frames(flat(1000)), frames(flat(1000)), seconds=0.5)
    assert (tmp_path / "fleet" / "Slow" / "alerts.jsonl").read_text() == ""
    (alert,) = map(json.loads, (tmp_path / "fleet" / "Quick" / "alerts.jsonl").read_text().splitlines())
    assert (alert["kind"], alert["change"]) == ("link", "occurs")


def test_a_device_that_restarts_restarts_nobody_else(tmp_path: Path) -> None:
    car, sent = named("Good"), frames(low())
    restarted = [*frames(flat(3000), first=50_000), *frames(flat(3000))]
    watched([named("Back"), car], tmp_path, restarted, sent)
    check_same(tmp_path / "fleet" / "Good", alone(car, tmp_path, sent))
    back = json.loads((tmp_path / "fleet" / "Back" / "summary.json").read_text())
    assert back["link"]["restarts"] == 1


def test_what_waits_for_its_turn_is_no_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("console.fleet._TURN_BYTES", 1)
    sheet = easy_sheet({"alerts.link.enabled": True, "alerts.link.silent_after_s": 0.1})
    # Sixty turns of at least 10 ms each.
    watched([named("Slow", sheet)], tmp_path, frames(flat(3000), 50), seconds=1.5)
    found = [json.loads(line) for line in (tmp_path / "fleet" / "Slow" / "alerts.jsonl").read_text().splitlines()]
    # All had come before the first turn: the only silence is that after the last sample.
    assert all(alert["sample"] >= 2999 for alert in found)


@pytest.mark.parametrize("form", ["whole", "broken"])
def test_pieces_of_any_size_give_the_same(tmp_path: Path, form: str) -> None:
    sent = frames(low())
    cut = [b"".join(sent)] if form == "whole" else [*sent[:40], sent[40][:20], b"", *sent[40:]]
    assert max(map(len, cut)) > 16 * 1024 or b"" in cut
    car = named("Good")
    watched([car], tmp_path, cut)
    check_same(tmp_path / "fleet" / "Good", alone(car, tmp_path, cut))
    summary = json.loads((tmp_path / "fleet" / "Good" / "summary.json").read_text())
    assert (summary["samples_received"], summary["samples_lost"]) == (2000, 0)


# ---------------------------------------------------------------- each its own files


def test_each_car_has_its_own_recording_journal_and_results(tmp_path: Path) -> None:
    cars = [named("Car 7"), named("../Car 7"), named("con")]
    sent = [frames(low())] * 3
    watched(cars, tmp_path, *sent, recordings=tmp_path / "rec", journals=tmp_path / "rec")
    folders = {car.folder for car in cars}
    assert len(folders) == 3
    assert {path.name for path in (tmp_path / "fleet").iterdir()} == folders
    assert {path.name for path in (tmp_path / "rec").iterdir()} == folders
    for folder in folders:
        assert (tmp_path / "rec" / folder / "alarms.journal").is_file()
        assert len(list((tmp_path / "rec" / folder).glob("*.dwrec"))) == 1


def test_what_can_not_be_opened_for_one_car_stops_all_before_anything_is_watched(tmp_path: Path) -> None:
    (tmp_path / "kept" / "Two").mkdir(parents=True)
    (tmp_path / "kept" / "Two" / "alarms.journal").write_text("no journal\n")
    with pytest.raises(JournalError):
        watched([named("One"), named("Two")], tmp_path, [], [], journals=tmp_path / "kept")
    # Whatever was opened for the first one is free again.
    (tmp_path / "kept" / "Two" / "alarms.journal").unlink()
    code, _, _ = watched([named("One"), named("Two")], tmp_path, [], [], journals=tmp_path / "kept", overwrite=True)
    assert code == 0


def test_a_setting_that_can_not_work_names_its_car(tmp_path: Path) -> None:
    broker = Broker(host="127.0.0.1", topic="a", user="u", password_file=str(tmp_path / "none"))
    cars = [named("One"), named("Two", link=LinkLayout(mqtt=broker))]
    with pytest.raises(LinkError, match=r"^Two: "):
        watch_fleet(cars, PlainShow(lambda _: None, lambda _: None), FleetOptions(None, seconds=0.1), None)


# ---------------------------------------------------------------- over a broker


@pytest.fixture(params=["embedded", "mosquitto"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyBroker]:
    if request.param == "mosquitto" and MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    made: AnyBroker = EmbeddedBroker() if request.param == "embedded" else RealBroker(tmp_path)
    made.start()
    yield made
    made.stop()


def until(fleet: Fleet, true: Callable[[], bool]) -> None:
    """Let the fleet work until something holds."""
    deadline_s = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < deadline_s
        fleet.round()


def test_over_one_broker_a_car_beside_a_flood_of_rubbish_gets_its_own_answers(
    broker: AnyBroker, tmp_path: Path
) -> None:
    mine, theirs = (Broker(host="127.0.0.1", port=broker.port, topic=f"cars/{name}") for name in ("good", "bad"))
    cars = [named("Bad", link=LinkLayout(mqtt=theirs)), named("Good", link=LinkLayout(mqtt=mine))]
    sent = frames(low(), 50)
    loop = LinkLoop()
    options = FleetOptions(tmp_path / "rec", tmp_path / "fleet")
    fleet = Fleet(cars, PlainShow(lambda _: None, lambda _: None), options, Stopping(), loop)
    try:
        fleet.begin(fleet_link(loop))
        until(fleet, lambda: all(tile.link == "open" for tile in fleet.tiles()))
        good, bad = MqttSender(mine).open(), MqttSender(theirs).open()
        try:
            for number, payload in enumerate(sent):
                for junk in RUBBISH[10 * (number % 30) : 10 * (number % 30 + 1)]:
                    bad.send(junk)
                good.send(payload)
                fleet.round()
        finally:
            good.close()
            bad.close()
        recordings = tmp_path / "rec" / "Good"
        until(fleet, lambda: any(sent[-1] in path.read_bytes() for path in recordings.iterdir()))
        fleet.finish()
    finally:
        fleet.close()
        loop.close()
    assert not fleet.faulty
    expected = alone(named("Good", link=LinkLayout(mqtt=mine)), tmp_path, sent)
    check_same(tmp_path / "fleet" / "Good", expected)


def test_one_lost_connection_leaves_the_others_open() -> None:
    brokers = [EmbeddedBroker().start(), EmbeddedBroker().start()]
    cars = [
        named(f"Car {n}", link=LinkLayout(mqtt=Broker(host="127.0.0.1", port=one.port, topic="a")))
        for n, one in enumerate(brokers)
    ]
    loop = LinkLoop()
    fleet = Fleet(cars, PlainShow(lambda _: None, lambda _: None), FleetOptions(None), Stopping(), loop)
    try:
        fleet.begin(fleet_link(loop))
        until(fleet, lambda: all(tile.link == "open" for tile in fleet.tiles()))
        brokers[0].stop()
        until(fleet, lambda: fleet.tiles()[0].link.startswith("lost: "))
        assert fleet.tiles()[1].link == "open"
        fleet.finish()
    finally:
        fleet.close()
        loop.close()
        for one in brokers:
            one.stop()
    assert [tile.link.split(":")[0] for tile in fleet.tiles()] == ["closed", "closed"]


def test_cars_publish_from_the_loop_they_share_and_each_says_its_end(broker: AnyBroker, tmp_path: Path) -> None:
    def desk_of(car: FleetCar, loop: LinkLoop) -> Desk:
        wall = PitWall(host="127.0.0.1", port=broker.port, topic=f"pit/{car.folder}")
        return Desk(Publisher(wall, car.name, run="run-1", loop=loop).start(), car.name)

    listener = Listener(broker.port)
    try:
        watched([named("One"), named("Two")], tmp_path, frames(low(), 50), frames(flat(3000), 50), desk_of=desk_of)
        listener.wait_for(
            lambda: all(said and not said[-1]["online"] for said in map(listener.on, ("One/online", "Two/online")))
        )
        assert listener.on("One/online")[-1]["reason"] == "the watch ended"
        written = [json.loads(line) for line in (tmp_path / "fleet/One/alerts.jsonl").read_text().splitlines()]
        assert written
        told = listener.on("One/transitions")
        assert [(one["kind"], one["sample"]) for one in told] == [(one["kind"], one["sample"]) for one in written]
        assert listener.on("One/state")[-1]["sequence"] == told[-1]["sequence"]
    finally:
        listener.close()


def test_a_pit_wall_that_is_not_there_changes_nothing(tmp_path: Path) -> None:
    def desk_of(car: FleetCar, loop: LinkLoop) -> Desk:
        wall = PitWall(host="127.0.0.1", port=free_port(), topic="pit")
        return Desk(Publisher(wall, car.name, loop=loop).start(), car.name)

    code, _, _ = watched([named("One")], tmp_path, frames(low(), 50), desk_of=desk_of)
    assert code == 0
    check_same(tmp_path / "fleet" / "One", alone(named("One"), tmp_path, frames(low(), 50)))
