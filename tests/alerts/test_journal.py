"""The journal: what was told is never lost, whatever the file went through, and times go on with what they had left."""

from __future__ import annotations

import copy
import json
import os
import random
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import numpy as np
import pytest

from alerts.alert import Definition, Evidence, Observation, Remembered
from alerts.engine import Engine
from alerts.journal import FORMAT, FORMAT_VERSION, Journal, _line, _plain, _read
from alerts.lifecycle import Input, State
from alerts.monitor import Monitor, Step
from alerts.payload import transition_payload
from ingest.errors import JournalError
from tests.alerts.test_payload import places
from tests.monitored import RATE, chunk, easy_sheet, flat

CAR = "Test mule"
SHEET = easy_sheet({"platform.tail": {"x_mm": -2600.0, "static_height_mm": 60.0, "lowest_mm": 30.0}})
ALARM = ("platform_low", "nose")
OTHER = ("platform_low", "tail")


def low(samples: int, *spans: tuple[int, int]) -> Any:
    travel = flat(samples)
    for start, stop in spans:
        travel[start:stop] = 35.0
    return travel


def monitor() -> Monitor:
    return Monitor(SHEET, RATE, ())


def noted(journal: Journal, watched: Monitor, step: Step) -> Step:
    journal.note(step, watched)
    return step


def left_by(path: Path) -> dict[tuple[str, str], Remembered]:
    """What a new run takes up from a file."""
    restored = monitor()
    journal = Journal.open(path, CAR)
    journal.restore_into(restored)
    journal.close()
    return {alarm.key: alarm for alarm in restored.engine.remember().alarms}


def essence(alarm: Remembered) -> tuple[Any, ...]:
    """What may not be lost, without the samples, which move with the axis."""
    told = tuple((evidence.cause, evidence.severity) for evidence in alarm.told)
    return alarm.life, alarm.occurrences, alarm.who, told, alarm.pending, alarm.told_abnormal


def live_through(path: Path) -> tuple[Monitor, list[dict[tuple[str, str], tuple[Any, ...]]]]:
    """A run with every kind of state; what a new run must find after each note."""
    watched, journal = monitor(), Journal.open(path, CAR)
    story: list[dict[tuple[str, str], tuple[Any, ...]]] = []

    def take(step: Step) -> None:
        journal.note(step, watched)
        story.append({alarm.key: essence(alarm) for alarm in watched.engine.remember().alarms})

    travel = low(6000, (500, 900), (2000, 2400), (4000, 5990))
    for start in range(0, 5800, 200):
        take(watched.process(chunk(travel[start : start + 200], start)))
        if start == 800:
            take(watched.act(ALARM, "acknowledge", "Kim"))
        if start == 1000:
            take(watched.act(OTHER, "shelve", "Ada", shelve_s=9.0))
        if start == 2200:
            take(watched.act(ALARM, "out_of_service", "Kim"))
        if start == 3000:
            take(watched.act(ALARM, "return_to_service", "Ada"))
    journal.close()
    return watched, story


def test_a_new_run_stands_where_the_old_one_stood(tmp_path: Path) -> None:
    watched, story = live_through(tmp_path / "a.journal")
    found = left_by(tmp_path / "a.journal")
    assert {key: essence(alarm) for key, alarm in found.items()} == story[-1]
    assert found[ALARM].life.state is State.UNACKNOWLEDGED
    assert found[ALARM].occurrences == 3
    states = {essence(alarm)[0] for alarm in watched.engine.remember().alarms}
    assert len(states) > 1


def test_cut_off_at_any_byte_the_last_whole_line_is_what_stands(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    _, story = live_through(path)
    content = path.read_bytes()
    ends = [place + 1 for place, byte in enumerate(content) if byte == 10]
    generator = random.Random(4)
    places = sorted({*ends, *(end - 1 for end in ends), *generator.sample(range(1, len(content)), 60)})
    allowed = [{}, *story]
    reached = 0
    for place in places:
        path.write_bytes(content[:place])
        found = {key: essence(alarm) for key, alarm in left_by(path).items()}
        nothing = {key: essence(Remembered(key)) for key in found}
        matches = [n for n, one in enumerate(allowed) if (one or nothing) == found]
        assert matches, place
        assert matches[-1] >= reached  # a longer file never tells of an earlier time
        reached = matches[0]
    assert reached == len(story)


@pytest.mark.parametrize("seed", range(8))
def test_a_damaged_byte_costs_what_comes_after_it_and_invents_nothing(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "a.journal"
    _, story = live_through(path)
    content = bytearray(path.read_bytes())
    first = content.index(b"\n") + 1
    place = random.Random(seed).randrange(first, len(content))
    content[place] ^= 0x41
    path.write_bytes(bytes(content))
    found = {key: essence(alarm) for key, alarm in left_by(path).items()}
    nothing = {key: essence(Remembered(key)) for key in found}
    assert found in [nothing, *story]


def test_a_shelf_and_a_delay_keep_the_time_they_had_left(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    watched, journal = monitor(), Journal.open(path, CAR)
    travel = low(3000, (500, 900))
    for start in range(0, 1000, 100):
        noted(journal, watched, watched.process(chunk(travel[start : start + 100], start)))
    noted(journal, watched, watched.act(ALARM, "shelve", "Kim", shelve_s=10.0))
    for start in range(1000, 2500, 100):
        noted(journal, watched, watched.process(chunk(travel[start : start + 100], start)))
    end = watched.engine.remember([ALARM]).alarms[0].shelved_until_sample
    assert end is not None
    left = end - watched.engine.newest_sample
    journal.close()

    later, again = monitor(), Journal.open(path, CAR)
    again.restore_into(later)
    # The next run begins where the device's counter happens to be.
    steps = [later.process(chunk(flat(100), start)) for start in range(70_000, 80_000, 100)]
    ended = [t.sample for step in steps for t in step.transitions if t.change == "shelf_ends"]
    # Marks are a second apart, and the newest sample is a filter's delay behind.
    assert len(ended) == 1
    assert abs(ended[0] - 70_000 - left) <= 1.2 * RATE
    again.close()


def test_sequence_numbers_go_on(tmp_path: Path) -> None:
    watched, _ = live_through(tmp_path / "a.journal")
    last = watched.engine.remember().sequence
    journal, later = Journal.open(tmp_path / "a.journal", CAR), monitor()
    journal.restore_into(later)
    journal.close()
    later.process(chunk(flat(100), 9000))
    (told,) = later.act(ALARM, "acknowledge", "Ada").transitions
    assert told.sequence == last + 1


def test_another_cars_journal_and_other_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    Journal.open(path, CAR).close()
    with pytest.raises(JournalError, match="is the journal of Test mule, not of Lapwing"):
        Journal.open(path, "Lapwing")
    path.write_text("hello\nworld\n")
    with pytest.raises(JournalError, match="is no journal"):
        Journal.open(path, CAR)
    assert path.read_text() == "hello\nworld\n"
    (tmp_path / "b.journal").write_bytes(b"")
    Journal.open(tmp_path / "b.journal", CAR).close()
    with pytest.raises(JournalError, match="can't be"):
        Journal.open(tmp_path, CAR)


LEAVES: list[Any] = [
    None, True, -1, 0.5, 10**400, float("nan"), float("inf"), 1e300, "", "\x1b[2J", "x" * 5000, [], {}, [[]], [1, 2],
]  # fmt: skip


def test_a_line_of_right_sum_and_wrong_content_ends_what_is_believed_and_breaks_nothing() -> None:
    definitions = [
        Definition("k", "a", "high", 0.1, latches=True),
        Definition("k", "b", "low", suppressed_by=(("k", "a"),)),
    ]
    why = Evidence(1.0, 2.0, "mm", 3, "said", "look", "cause", 1.0, 2.0)
    first = Engine(definitions, RATE, lambda _: "")
    first.advance([Observation(3, "k", "a", True, why), Observation(3, "k", "b", True, why)], 20)
    first.tell(("k", "b"), Input.SHELVE, 10, "Ada", 9.0)
    first.tell(("k", "b"), Input.ACKNOWLEDGE, 10, "Kim")
    header = _line({"format": FORMAT, "format_version": FORMAT_VERSION, "car": CAR})
    whole = json.loads(json.dumps(_plain(first.remember())))
    assert _read(header + _line(whole), CAR, "") == first.remember()
    believed = 0
    for place in places(whole):
        for leaf in LEAVES:
            record = copy.deepcopy(whole)
            inside: Any = record
            for key in place[:-1]:
                inside = inside[key]
            inside[place[-1]] = leaf
            memory = _read(header + _line(record), CAR, "")
            if memory is None:
                continue
            believed += 1
            engine = Engine(definitions, RATE, lambda _: "")
            engine.restore(memory)
            engine.begin(70_000)
            transitions = engine.advance([Observation(70_100, "k", "a", False)], 200_000)
            transitions += engine.tell(("k", "b"), Input.UNSHELVE, 199_999, "Kim")
            assert all(len(transition_payload(told, "run-1", CAR)) < 9000 for told in transitions)
            assert _read(header + _line(_plain(engine.remember())), CAR, "") == engine.remember()
    assert believed > 100


def test_a_number_of_numpys_in_the_evidence_is_kept_like_any_other() -> None:
    tested = Engine([Definition("k", "a", "high")], RATE, lambda _: "")
    why = Evidence(np.float32(1.5), 2.0, "mm", np.int64(3), "said", "look")  # type: ignore[arg-type]
    tested.advance([Observation(3, "k", "a", True, why)], 20)
    header = _line({"format": FORMAT, "format_version": FORMAT_VERSION, "car": CAR})
    assert _read(header + _line(_plain(tested.remember())), CAR, "") == tested.remember()


class Failing:
    """Opens files that fail on demand."""

    def __init__(self) -> None:
        self.broken = False

    def __call__(self, path: Path) -> IO[bytes]:
        if self.broken:
            raise OSError(28, "No space left on device")
        return path.open("wb")


def test_a_full_disk_is_told_and_what_stands_is_written_once_it_can_be(tmp_path: Path) -> None:
    path, failing = tmp_path / "a.journal", Failing()
    journal, watched = Journal.open(path, CAR, failing), monitor()
    noted(journal, watched, watched.process(chunk(low(1000, (500, 900)))))
    assert journal.fault is None
    failing.broken = True
    journal._leave()  # as a write that failed does
    noted(journal, watched, watched.act(ALARM, "acknowledge", "Kim"))
    assert journal.fault is not None
    assert "No space left" in journal.fault
    failing.broken = False
    noted(journal, watched, watched.process(chunk(flat(100), 1000)))
    assert journal.fault is None
    journal.close()
    assert left_by(path)[ALARM].life == watched.engine.remember([ALARM]).alarms[0].life


def test_the_file_does_not_grow_without_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("alerts.journal._LONGEST_BYTES", 20_000)
    journal, watched = Journal.open(tmp_path / "a.journal", CAR), monitor()
    watched.process(chunk(low(1000, (500, 900))))
    for number in range(200):
        action = "out_of_service" if number % 2 else "return_to_service"
        noted(journal, watched, watched.act(ALARM, action, f"Kim {number}"))
    assert (tmp_path / "a.journal").stat().st_size < 25_000
    journal.close()
    assert left_by(tmp_path / "a.journal")[ALARM].who == watched.engine.remember([ALARM]).alarms[0].who


def test_a_step_that_changes_nothing_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    journal, watched = Journal.open(path, CAR), monitor()
    noted(journal, watched, watched.process(chunk(flat(1000))))
    before = path.stat().st_size
    for start in range(1000, 20_000, 1000):
        noted(journal, watched, watched.process(chunk(flat(1000), start)))
    assert path.stat().st_size == before
    journal.close()


PROGRAM = """
import sys
from pathlib import Path
from alerts.engine import Engine
from alerts.journal import FORMAT, FORMAT_VERSION, Journal, _line, _plain, _read
from tests.alerts.test_journal import ALARM, CAR, OTHER, low, monitor
from tests.monitored import chunk

journal, watched = Journal.open(Path(sys.argv[1]), CAR), monitor()
journal.restore_into(watched)
travel = low(400, (50, 200))
for number in range(100_000):
    step = watched.process(chunk(travel, 400 * number))
    journal.note(step, watched)
    actions = ("acknowledge", "shelve", "unshelve", "out_of_service", "return_to_service")
    acted = watched.act((ALARM, OTHER)[number % 2], actions[number % 5], f"Kim {number}", shelve_s=60.0)
    journal.note(acted, watched)
    for told in [*step.transitions, *acted.transitions]:
        life = watched.engine.remember([told.definition.key]).alarms[0]
    line = [(a.key, a.life.state.value, a.life.shelved, a.life.out_of_service, a.occurrences, a.who)
            for a in watched.engine.remember([ALARM, OTHER]).alarms]
    print(repr(line), flush=True)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs kill -9")
def test_killed_at_any_moment_nothing_that_was_told_is_lost(tmp_path: Path) -> None:
    """What the killed program had said before it died stands in the next run, or something that came later."""
    path, generator = tmp_path / "a.journal", random.Random(9)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    for _ in range(3):
        command = [sys.executable, "-c", PROGRAM, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as program:
            assert program.stdout is not None
            said = [program.stdout.readline() for _ in range(generator.randrange(1, 60))]
            program.kill()
            said += program.stdout.readlines()
        whole = [line for line in said if line.endswith("\n")]
        last = dict.fromkeys([ALARM, OTHER])
        for key, state, shelved, out, occurrences, who in eval(whole[-1]):  # our own program's words
            last[key] = (state, shelved, out, occurrences, who)
        found = left_by(path)
        for key in (ALARM, OTHER):
            alarm, known = found[key], last[key]
            assert known is not None
            mine = (alarm.life.state.value, alarm.life.shelved, alarm.life.out_of_service, alarm.occurrences, alarm.who)
            # One more round may have reached the disk after the last word.
            assert mine == known or alarm.occurrences == known[3] + 1 or alarm.who != known[4]
            assert alarm.occurrences >= known[3]


def test_what_a_sheet_no_longer_has_is_named(tmp_path: Path) -> None:
    live_through(tmp_path / "a.journal")
    journal = Journal.open(tmp_path / "a.journal", CAR)
    without = Monitor(easy_sheet(), RATE, ())
    assert OTHER in journal.restore_into(without)
    journal.close()


def test_what_a_sheet_has_again_stands_as_it_did(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run whose sheet leaves an alarm out, however long and with however many new files, does not forget it."""
    path = tmp_path / "a.journal"
    before, journal = monitor(), Journal.open(path, CAR)
    noted(journal, before, before.process(chunk(low(1000, (500, 990)))))
    noted(journal, before, before.act(OTHER, "acknowledge", "Kim"))
    noted(journal, before, before.act(OTHER, "shelve", "Ada", shelve_s=20.0))
    noted(journal, before, before.act(OTHER, "out_of_service", "Kim"))
    journal.close()
    monkeypatch.setattr("alerts.journal._LONGEST_BYTES", 1)
    for begin in (70_000, 5_000):
        journal, without = Journal.open(path, CAR), Monitor(easy_sheet(), RATE, ())
        assert journal.restore_into(without) == [OTHER]
        for start in range(begin, begin + 2000, 500):
            noted(journal, without, without.process(chunk(flat(500), start)))
            noted(journal, without, without.act(ALARM, "shelve", f"Kim {start}", shelve_s=60.0))
        journal.close()
    found = left_by(path)[OTHER]
    assert essence(found)[:3] == essence(before.engine.remember([OTHER]).alarms[0])[:3]
    # Eight of its twenty seconds have passed meanwhile, less a filter's delay each.
    assert found.shelved_until_sample == pytest.approx(12.0 * RATE, abs=1.2 * RATE)


def test_restoring_is_for_a_monitor_that_has_not_begun(tmp_path: Path) -> None:
    live_through(tmp_path / "a.journal")
    journal, begun = Journal.open(tmp_path / "a.journal", CAR), monitor()
    begun.process(chunk(flat(10)))
    with pytest.raises(ValueError, match="before the first sample"):
        journal.restore_into(begun)
    journal.close()
    assert replace(begun.engine.remember(), now=0).alarms
    assert np.isfinite(begun.engine.newest_sample)
