"""The desk: what a run publishes, and what becomes of commands that can't be carried out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from alerts.payload import Command
from alerts.publisher import Asked, Publisher
from console.cli import cli
from console.desk import Desk
from console.outlet import PlainOutlet
from console.pace import Clock
from console.replay import ReplayOptions, replay
from ingest.sheet import load_sheet
from ingest.sheet_wall import PitWall

ROOT = Path(__file__).parent.parent.parent


class Kept(Publisher):
    """A publisher that is never started and keeps what it was given."""

    def __init__(self, *asked: Asked) -> None:
        super().__init__(PitWall(host="192.0.2.1", topic="pit"), "Car", "run-1")
        self.sequences: list[int] = []
        self.states: list[dict[str, Any]] = []
        self.told: list[tuple[bool, str]] = []
        self._asked = list(asked)

    def offer(self, transitions: list[tuple[int, bytes]], state: bytes | None = None) -> None:
        self.sequences += [number for number, _ in transitions]
        if state is not None:
            self.states.append(json.loads(state))

    def take_commands(self) -> list[Asked]:
        taken, self._asked = self._asked, []
        return taken

    def answer(self, asked: Asked, *, accepted: bool, words: str) -> None:
        self.told.append((accepted, words if asked.command.id else ""))


def play(publisher: Publisher) -> None:
    desk = Desk(publisher, "Car")
    log = ROOT / "replay_logs/sensor_faults.parquet"
    sheet = load_sheet(ROOT / "replay_logs/car.toml")
    assert replay(log, sheet, PlainOutlet(lambda _: None), ReplayOptions(desk=desk), Clock()) == 0


def test_every_transition_is_published_once_in_order_and_the_last_state_is_complete() -> None:
    publisher = Kept()
    play(publisher)
    assert publisher.sequences == list(range(1, len(publisher.sequences) + 1))
    assert publisher.states[-1]["sequence"] == publisher.sequences[-1]
    assert publisher.states[-1]["alarms"]
    assert publisher.status.state.word == "closed"


def test_commands_for_another_run_or_an_unknown_alarm_are_refused() -> None:
    named: dict[str, Any] = {"kind": "sensor", "where": "nowhere", "action": "acknowledge", "who": "Kim"}
    publisher = Kept(
        Asked(Command(id="command-1", run="before", **named), "kim"),
        Asked(Command(id="command-2", run="run-1", **named), "kim"),
    )
    play(publisher)
    assert [accepted for accepted, _ in publisher.told] == [False, False]
    assert "restarted" in publisher.told[0][1]


def test_a_command_for_a_known_alarm_is_carried_out() -> None:
    known = Command(id="command-1", run="run-1", kind="sensor", where="FL", action="out_of_service", who="Kim")
    publisher = Kept(Asked(known, "wall"))
    play(publisher)
    assert publisher.told == [(True, "out of service")]
    hidden = publisher.states[-1]["hidden"]
    assert [(h["where"], h["why"], h["who"]) for h in hidden if h["kind"] == "sensor"] == [
        ("FL", "out of service", "Kim (wall)")
    ]


def test_publishing_needs_its_part_of_the_sheet(tmp_path: Path) -> None:
    log, sheet = ROOT / "replay_logs/healthy.parquet", tmp_path / "car.toml"
    whole = (ROOT / "replay_logs/car.toml").read_text(encoding="utf-8")
    sheet.write_text(whole[: whole.index("[pit_wall]")], encoding="utf-8")
    result = CliRunner().invoke(cli, ["replay", str(log), "--car", str(sheet), "--publish"])
    assert result.exit_code != 0
    assert "pit_wall: is missing" in str(result.exception)
