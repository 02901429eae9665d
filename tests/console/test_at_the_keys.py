"""The whole command on a pseudo-terminal: acting on alarms with keys, and a terminal that is given back as it was."""

from __future__ import annotations

import os
import re
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)

from alerts.journal import Journal
from alerts.monitor import Monitor
from console.results import ALERTS, SUMMARY
from ingest.sheet import load_sheet
from tests.console.logs import CAR, log_file, read_lines, rows, sheet_file, strict
from tests.console.terminals import COMMAND, Terminal


@pytest.fixture
def start() -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def begin(*arguments: str | Path, code: str = COMMAND, width: int = 80, height: int = 24) -> Terminal:
        made.append(Terminal(code, *arguments, width=width, height=height))
        return made[-1]

    yield begin
    for one in made:
        one.close()


Start = Callable[..., Terminal]
# In these laps only the bump stop of FL is touched for too long.
ONE_ALARM = CAR.replace("lowest_mm = 30.0", "lowest_mm = 1.0")


def replayed(tmp_path: Path, *more: str | Path, samples: int = 6000, pace: str = "5") -> list[str | Path]:
    log, sheet = log_file(tmp_path, samples), sheet_file(tmp_path, ONE_ALARM)
    return ["replay", log, "--car", sheet, "--pace", pace, "--out", tmp_path / "out", "--name", "Kim", *more]


def changes(tmp_path: Path) -> list[tuple[str, str, str, str]]:
    lines = read_lines(tmp_path / "out" / ALERTS)
    return [(one["change"], one["kind"], one["where"], one["who"]) for one in lines if one["who"]]


def test_an_alarm_is_acknowledged_by_name_and_the_journal_keeps_it(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, "--journal", tmp_path / "kept", pace="1"))
    terminal.shows("ALERTS 1")
    terminal.press("a")
    terminal.shows("Select an alarm first")
    terminal.press("\t")
    terminal.shows("> !!")
    terminal.press("a")
    terminal.shows("bump stop FL: acknowledged, by Kim")
    terminal.press("a")
    terminal.shows("acknowledged already")
    terminal.press("r")
    terminal.shows("nothing to reset")
    terminal.press("q")
    assert terminal.end() == 0
    assert terminal.is_restored
    assert changes(tmp_path) == [("acknowledge", "bump_stop", "FL", "Kim")]
    assert strict((tmp_path / "out" / SUMMARY).read_text())["complete"] is False
    again = Monitor(load_sheet(sheet_file(tmp_path, ONE_ALARM)), 500.0, ("lap_number",))
    kept = Journal.open(tmp_path / "kept", "Test mule")
    kept.restore_into(again)
    kept.close()
    assert [s.who for s in again.standings if s.definition.key == ("bump_stop", "FL")] == ["Kim"]


def test_shelving_and_taking_out_of_service_and_back_from_the_list(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="1"), width=120, height=40)
    terminal.shows("ALERTS 1")
    terminal.press("l")
    terminal.shows("ALARMS ")
    for keys, shown in (
        ("s", "Shelve bump stop FL"),
        ("1", "shelved for 10 min of running, by Kim"),
        ("u", "off the shelf, by Kim"),
        ("o", "Take bump stop FL out of service"),
        ("y", "out of service until somebody returns it, by Kim"),
        ("u", "is out of service, not shelved"),
        ("o", "back in service, by Kim"),
    ):
        terminal.press(keys)
        terminal.shows(shown)
    terminal.press("q")
    assert terminal.end() == 0
    assert [change for change, *_ in changes(tmp_path)] == [
        "shelve",
        "unshelve",
        "out_of_service",
        "return_to_service",
    ]


def test_freeze_stops_the_picture_and_tells_of_alarms_that_come(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="0.5"))
    terminal.shows("time  0:00")
    terminal.press("f")
    terminal.shows("FROZEN")
    text = terminal.shows("1 NEW ALERT")
    assert "medium bump stop FL" in text
    assert "time 0:00" in text
    terminal.press("f")
    assert "FROZEN" not in terminal.shows("ALERTS 1")
    terminal.press("q")
    assert terminal.end() == 0


def test_a_replay_is_paused_stepped_and_paced(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="1"))
    terminal.shows("replay pace 1 not")
    terminal.press("+")
    terminal.shows("replay pace 2 not")
    terminal.press("-")
    terminal.shows("replay pace 1 not")
    terminal.press(" ")
    at = re.search(r"time 0:(\d\d)", terminal.shows("PAUSED"))
    assert at is not None
    terminal.press("nnnnn")
    terminal.shows(f"time 0:{int(at[1]) + 5:02d}")
    terminal.press(" ")
    terminal.shows("replay pace 1 not")
    terminal.press("++++")
    terminal.shows("REPLAY ENDED")
    terminal.press("q")
    assert terminal.end() == 0
    assert strict((tmp_path / "out" / SUMMARY).read_text())["complete"] is True


def test_at_the_end_alarms_can_still_be_acknowledged(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="200"))
    terminal.shows("REPLAY ENDED: q ends it; by itself")
    terminal.press("\t")
    terminal.shows("> !!")
    terminal.press("a")
    terminal.shows("acknowledged, by Kim")
    assert strict((tmp_path / "out" / SUMMARY).read_text())["complete"] is True
    terminal.press("q")
    assert terminal.end() == 0
    assert changes(tmp_path) == [("acknowledge", "bump_stop", "FL", "Kim")]
    summary = strict((tmp_path / "out" / SUMMARY).read_text())
    assert [one["who"] for one in summary["alerts"]["standing"] if one["kind"] == "bump_stop"] in ([], ["Kim"])


def test_as_fast_as_possible_ends_by_itself(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="max"))
    assert terminal.end() == 0
    assert terminal.is_restored


@pytest.mark.parametrize(("way", "code"), [("ctrl-c", 130), ("term", 143), ("hup", 129), ("q", 0)])
def test_the_terminal_is_given_back(start: Start, tmp_path: Path, way: str, code: int) -> None:
    terminal = start(*replayed(tmp_path, pace="1"))
    terminal.shows("time  0:0")
    assert terminal.settings != terminal.found
    if way == "ctrl-c":
        terminal.press("\x03")
    elif way == "q":
        terminal.press("q")
    else:
        terminal.process.send_signal(signal.SIGTERM if way == "term" else signal.SIGHUP)
    assert terminal.end() == code
    assert terminal.is_restored
    assert strict((tmp_path / "out" / SUMMARY).read_text())["complete"] is False


FAULTY = """
import fcntl, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
import alerts.engine
from console.cli import main
whole = alerts.engine.Engine.tell
def tell(self, *arguments, **named):
    raise RuntimeError("a fault of the program")
alerts.engine.Engine.tell = tell
main()
"""


def test_a_fault_of_the_program_gives_the_terminal_back_too(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="1"), code=FAULTY)
    terminal.shows("ALERTS 1")
    terminal.press("\t")
    terminal.shows("> !!")
    terminal.press("a")
    assert terminal.end() == 1
    assert terminal.is_restored
    assert b"a fault of the program" in terminal.output


def test_suspended_it_gives_the_terminal_back_and_goes_on(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="1"))
    terminal.shows("time  0:0")
    terminal.press("\x1a")
    # Its group has no shell that could wake it, so the system lets it go on at once: left and taken again.
    terminal.wait(lambda _: terminal.output.count(b"\x1b[?1049h") == 2)
    left = terminal.output[: terminal.output.rindex(b"\x1b[?1049h")]
    assert left.rindex(b"\x1b[?1049l") > left.rindex(b"\x1b[?1049h")
    assert left.rindex(b"\x1b[?2004l") > left.rindex(b"\x1b[?2004h")
    terminal.shows("ALERTS 1")
    terminal.press("q")
    assert terminal.end() == 0
    assert terminal.is_restored


def test_a_large_paste_acts_on_nothing(start: Start, tmp_path: Path) -> None:
    terminal = start(*replayed(tmp_path, pace="1"))
    terminal.shows("ALERTS 1")
    terminal.press("\t")
    terminal.shows("> !!")
    terminal.press(b"aqyo1s\x1b[A\x1b]0;a\x07\xff" * 4_000)
    terminal.shows("ALERTS 1")
    while "KEYS" not in terminal.text():  # keys count again once it has been quiet for a moment
        terminal.press("?")
        terminal.look(0.5)
    terminal.process.send_signal(signal.SIGTERM)
    assert terminal.end() == 143
    assert terminal.is_restored
    assert changes(tmp_path) == []


def test_a_hostile_name_is_text_in_the_results(start: Start, tmp_path: Path) -> None:
    arguments = [*replayed(tmp_path, pace="1"), "--name", "\x1b[2JKim\u202e" + "x" * 200]
    terminal = start(*arguments)
    terminal.shows("ALERTS 1")
    terminal.press("\t")
    terminal.shows("> !!")
    terminal.press("a")
    terminal.shows("acknowledged, by")
    terminal.press("q")
    terminal.end()
    ((_, _, _, who),) = changes(tmp_path)
    assert "Kim" in who
    assert len(who) <= 40
    assert who.isprintable()


def test_keys_for_somebody_else_are_left_in_the_pipe(tmp_path: Path) -> None:
    """With standard input from a pipe nothing of it is read, also when the output is a terminal."""
    terminal = Terminal(PIPED, *replayed(tmp_path, pace="20"))
    try:
        assert terminal.end() == 0
        assert b"left: aaaa" in terminal.output
        assert b"ALERTS" in terminal.output
        assert changes(tmp_path) == []
    finally:
        terminal.close()


PIPED = """
import os, sys
reading, writing = os.pipe()
os.write(writing, b"aaaa")
os.close(writing)
os.dup2(reading, 0)
from console.cli import main
try:
    main()
finally:
    print("left:", os.read(0, 100).decode())
"""


def test_in_the_background_it_neither_stops_nor_reads(tmp_path: Path) -> None:
    """A program that sets or reads a terminal that is not in its hands is stopped by the system."""
    terminal = Terminal(BACKGROUND, *replayed(tmp_path, pace="20"))
    try:
        terminal.press("aaaa")
        assert terminal.end() == 0
        assert b"ended 0" in terminal.output
        assert changes(tmp_path) == []
    finally:
        terminal.close()


BACKGROUND = """
import fcntl, os, subprocess, sys, termios
if os.environ.get("BEHIND"):
    from console.cli import main
    main()
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
behind = subprocess.Popen(
    [sys.executable, "-c", sys.orig_argv[2], *sys.argv[1:]],
    env={**os.environ, "BEHIND": "1"}, process_group=0,
)
print("ended", behind.wait())
"""


def test_a_slow_pace_still_answers_at_once(start: Start, tmp_path: Path) -> None:
    """One sample takes a minute of waiting at this pace; keys must not."""
    lines = rows(3000)
    far = [f"{float(line.split(',')[0]) + 36_000.0:.4f},{line.split(',', 1)[1]}" for line in lines[1:]]
    log = tmp_path / "gap.csv"
    log.write_text("\n".join([*lines, *far]) + "\n", encoding="utf-8")
    arguments = ["replay", log, "--car", sheet_file(tmp_path, ONE_ALARM), "--pace", "500", "--name", "Kim"]
    terminal = start(*arguments, "--out", tmp_path / "out")
    terminal.shows("ALERTS 1")
    terminal.press("\t")
    terminal.shows("> !!")
    terminal.press("a")
    terminal.shows("acknowledged, by Kim")
    terminal.press("q")
    assert terminal.end() == 0
    assert os.path.getsize(tmp_path / "out" / SUMMARY)
