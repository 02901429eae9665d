"""`watch` with a link made by hand: the same answers as a replay, the recording first, every sample accounted for."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Self

import numpy as np
import pytest

from alerts.monitor import Monitor
from console.command import Wish
from console.hands import Hands
from console.outlet import PlainOutlet
from console.pace import Pacer
from console.reference import Reference
from console.stopping import Stopping
from console.watch import WatchOptions, make_link, watch
from dsp.asymmetry import PLACES, Asymmetry
from ingest.errors import SheetError
from ingest.framing import make_encoder
from ingest.inbox import Inbox, LinkState, Received
from ingest.link_block import SampleBlock
from ingest.sheet import Sheet
from ingest.sheet_link import DAMPER_ROLES, Broker, LinkLayout, SerialPort
from tests.monitored import RATE, easy_sheet, flat

ROLES = (*DAMPER_ROLES,)
LAYOUT = LinkLayout(serial=SerialPort(port="/dev/none"), rate_hz=RATE)
SHEET = easy_sheet({"alerts.link.enabled": True}).model_copy(update={"link": LAYOUT})


class HandLink:
    """A link that has already received what it is given, and then stays silent."""

    def __init__(self, payloads: Iterable[bytes], tap: Callable[[Received], None], inbox: Inbox) -> None:
        self._payloads, self._tap, self._inbox = payloads, tap, inbox
        self.reconnects = 0
        self.stopped = threading.Event()

    @property
    def state(self) -> LinkState:
        return LinkState("open", "made by hand", 0)

    def start(self) -> Self:
        for payload in self._payloads:
            received = Received(payload, time.monotonic_ns(), 0)
            self._tap(received)
            self._inbox.put(received)
        return self

    def stop(self) -> None:
        self.stopped.set()


def frames(travel: np.ndarray[Any, Any], size: int = 10, first: int = 0) -> list[bytes]:
    encoder = make_encoder(LAYOUT, ROLES, RATE)
    return [
        encoder.encode(SampleBlock(first + n, 2**32, RATE, ROLES, travel[n : n + size]))
        for n in range(0, len(travel), size)
    ]


def watched(
    payloads: Iterable[bytes], tmp_path: Path, sheet: Sheet = SHEET, **options: Any
) -> tuple[int, list[str], list[str]]:
    lines: list[str] = []
    said: list[str] = []
    chosen = WatchOptions(**({"recordings": None, "results": tmp_path / "out", "seconds": 0.2} | options))
    code = watch(
        sheet, PlainOutlet(lines.append), chosen, said.append, lambda _, tap, box: HandLink(payloads, tap, box)
    )
    return code, lines, said


def summary(tmp_path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((tmp_path / "out" / "summary.json").read_text())
    return found


def low(samples: int = 2000) -> np.ndarray[Any, Any]:
    travel = flat(samples)
    travel[500:900] = 25.0
    return travel


def test_the_answers_are_those_of_the_chain_by_itself(tmp_path: Path) -> None:
    travel = low()
    assert watched(frames(travel), tmp_path)[0] == 0
    alerts = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    monitor = Monitor(SHEET, RATE, ())
    from tests.monitored import chunk

    expected = monitor.process(chunk(travel)).transitions + monitor.finish().transitions
    assert expected
    mine = [(a["sample"], a["kind"], a["where"], a["change"]) for a in alerts if a["kind"] != "link"]
    assert mine == [(t.sample, *t.definition.key, t.change) for t in expected]


def test_every_sample_is_used_or_counted(tmp_path: Path) -> None:
    sent = frames(low())
    kept = [frame for number, frame in enumerate(sent) if number not in {30, 31, 77}]
    kept.insert(50, kept[49])
    kept[100] = kept[100][:5] + bytes([kept[100][5] ^ 0xFF or 1]) + kept[100][6:]
    assert watched(kept, tmp_path)[0] == 0
    found = summary(tmp_path)
    link = found["link"]
    assert found["samples_received"] + found["samples_lost"] == 2000
    assert found["samples_lost"] == link["missing_samples"] == 40
    assert link["duplicate_samples"] == 10
    assert link["bad_checksums"] + link["bad_frames"] + link["bad_headers"] == 1
    assert link["samples"] == found["samples_received"] + 10


def test_what_arrives_is_recorded_whole_and_replays_to_the_same_alerts(tmp_path: Path) -> None:
    from ingest.log import open_log

    sent = [b"garbage\0", *frames(low())]
    code, _, said = watched(sent, tmp_path, recordings=tmp_path / "rec")
    assert code == 0
    assert any(line.startswith("recorded ") for line in said)
    (recording,) = (tmp_path / "rec").iterdir()
    with open_log(recording, SHEET) as log:
        monitor = Monitor(SHEET, log.rate_hz, log.roles)
        replayed = [t for one in log for t in monitor.process(one).transitions] + monitor.finish().transitions
    alerts = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    expected = [(a["sample"], a["kind"], a["change"]) for a in alerts if a["kind"] != "link"]
    assert [(t.sample, t.definition.kind, t.change) for t in replayed] == expected


def test_a_broken_connection_in_mid_frame_loses_that_frame_alone(tmp_path: Path) -> None:
    sent = frames(flat(1000))
    torn = [*sent[:40], sent[40][:20], b"", sent[40][20:], *sent[41:]]
    watched(torn, tmp_path)
    found = summary(tmp_path)
    assert (found["samples_received"], found["samples_lost"]) == (990, 10)


def test_silence_trips_the_link_alarm(tmp_path: Path) -> None:
    sheet = easy_sheet({"alerts.link.enabled": True, "alerts.link.silent_after_s": 0.1})
    watched(frames(flat(1000)), tmp_path, sheet.model_copy(update={"link": LAYOUT}), seconds=0.5)
    (alert,) = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    assert (alert["kind"], alert["change"], alert["announced"]) == ("link", "occurs", True)
    assert alert["sample"] == 1000 + round(0.1 * RATE) - 1


def test_no_samples_at_all_say_so(tmp_path: Path) -> None:
    code, lines, said = watched([b"\x01\x02\0" * 3], tmp_path, recordings=tmp_path / "rec")
    assert (code, lines) == (0, [])
    assert any(line.startswith("recorded ") for line in said)
    assert any("no samples came" in line and "3 bad" in line for line in said)


def test_a_sheet_without_a_link_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="link: is missing"):
        watched([], tmp_path, easy_sheet())


def test_a_replay_of_the_recording_knows_of_the_silence(tmp_path: Path) -> None:
    from ingest.log import open_log

    sheet = easy_sheet({"alerts.link.enabled": True, "alerts.link.silent_after_s": 0.1})
    sheet = sheet.model_copy(update={"link": LAYOUT})
    watched(frames(flat(1000)), tmp_path, sheet, seconds=0.5, recordings=tmp_path / "rec")
    live = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    (recording,) = (tmp_path / "rec").iterdir()
    with open_log(recording, sheet) as log:
        monitor = Monitor(sheet, log.rate_hz, log.roles)
        replayed = [t for one in log for t in monitor.process(one).transitions] + monitor.finish().transitions
    assert [(t.sample, t.definition.kind, t.change) for t in replayed] == [
        (alert["sample"], alert["kind"], alert["change"]) for alert in live
    ]
    assert [t.definition.kind for t in replayed] == ["link"]


def test_the_sheets_broker_settings_reach_the_link(monkeypatch: pytest.MonkeyPatch) -> None:
    given: dict[str, Any] = {}

    def link(broker: Broker, tap: Any, inbox: Any, **more: Any) -> HandLink:
        given.update(broker=broker, **more)
        return HandLink([], tap, inbox)

    monkeypatch.setattr("ingest.mqtt_link.MqttLink", link)
    broker = Broker(host="broker", topic="car", status_topic="car/watch")
    make_link(LinkLayout(mqtt=broker), lambda _: None, Inbox())
    assert given == {"broker": broker, "status_topic": "car/watch"}


def test_a_reference_stint_is_held_against_the_laps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reference = Reference(dict.fromkeys(PLACES, Asymmetry(0.0, 0.0)), ("made by hand",))
    monkeypatch.setattr("console.watch.load_reference", lambda *_: reference)
    _, lines, _ = watched(frames(flat(1000)), tmp_path, reference=tmp_path)
    assert "made by hand" in lines
    assert "reference" in lines[0]
    # Timed laps in which the left dampers move 10 % faster: beyond the limit with a reference, within the plain one.
    at = np.arange(round(65 * RATE)) / RATE
    travel = 6.0 * np.sin(2 * np.pi * 2.0 * at)[:, None] * np.array([1.10, 1.0, 1.0, 1.0])
    roles = (*DAMPER_ROLES, "lap_number")
    sheet = easy_sheet({"log.columns.lap_number": {"column": "lap"}, "laps.shortest_lap_s": 5.0})
    sheet = sheet.model_copy(update={"link": LAYOUT})
    encoder = make_encoder(LAYOUT, roles, RATE)
    values = np.column_stack([travel, at // 20.0])
    sent = [encoder.encode(SampleBlock(n, 2**32, RATE, roles, values[n : n + 50])) for n in range(0, len(at), 50)]
    watched(sent, tmp_path, sheet, reference=tmp_path, overwrite=True, seconds=0.5)
    alerts = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    assert {alert["where"] for alert in alerts if alert["kind"] == "asymmetry"} == {
        "front compression",
        "front rebound",
    }


# ---------------------------------------------------------------- a program that falls behind, and people


class Counted(Hands):
    """Hands without a keyboard, that ask for the same at every look and count them."""

    def __init__(self) -> None:
        self.looks = 0
        self.begun = self.closed = False

    def begin(self, stopping: Stopping, pacer: Pacer | None = None) -> None:  # noqa: ARG002
        self.begun = True

    def look(self) -> list[Wish]:
        self.looks += 1
        return [Wish("acknowledge", "platform_low", "nose", "Kim")]

    def answer(self, words: str) -> None:
        """Nobody reads it."""

    def close(self) -> None:
        self.closed = True


def test_people_are_answered_while_much_is_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("console.live_run._LOOK_EVERY_S", -1.0)
    hands = Counted()
    watched(frames(low()), tmp_path, hands=hands)
    assert hands.begun
    assert hands.closed
    assert hands.looks >= 200


def test_a_persons_action_is_in_results_and_recording(tmp_path: Path) -> None:
    watched(frames(low()), tmp_path, hands=Counted(), recordings=tmp_path / "rec")
    alerts = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    assert [(a["change"], a["who"]) for a in alerts if a["who"]] == [("acknowledge", "Kim")]
    (recording,) = (tmp_path / "rec").iterdir()
    assert b'"who":"Kim"' in recording.read_bytes().replace(b'": "', b'":"')


def test_what_takes_long_to_compute_is_no_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = {"s": time.monotonic()}
    whole = Monitor.process

    def slow(self: Monitor, chunk: Any) -> Any:
        clock["s"] += 0.05
        return whole(self, chunk)

    monkeypatch.setattr(Monitor, "process", slow)
    monkeypatch.setattr("console.live_run.time", SimpleNamespace(monotonic=lambda: clock["s"]))
    watched(frames(flat(1000)), tmp_path, seconds=3.0)
    assert clock["s"] > 4.0
    assert (tmp_path / "out" / "alerts.jsonl").read_text() == ""
