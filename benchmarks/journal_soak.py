"""Kills a monitor's alarms at random instants, many times: `python -m benchmarks.journal_soak --kills 1000`.

A child lives through seeded random observations and persons' actions with an engine and a journal, and says the number
of each step once it has been noted. It is killed (SIGKILL) after a random number of steps and a random number of
microseconds. From the seed it is known what must be in the file: exactly the alarms after the last step that was said,
or after the one that was under way; of delays and shelves no more than the journal's mark may be gone. The next child
goes on from there, on another axis. Prints one line of JSON: kills, the worst mark, and how often each state was hit.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from alerts import journal as journal_module
from alerts.alert import Definition, Evidence, Memory, Observation, Remembered
from alerts.engine import Engine
from alerts.journal import _MARK_EVERY_S, Journal
from alerts.lifecycle import Input, State
from alerts.monitor import Monitor, Step

CAR = "Test mule"
RATE_HZ = 100.0
# With and without a latch, delays and causes, so that every state and every silence is reached.
DEFINITIONS = (
    Definition("soak", "a", "high"),
    Definition("soak", "b", "high", 0.05, 0.07, latches=True),
    Definition("soak", "c", "medium", 0.03, 0.0, suppressed_by=(("soak", "a"),)),
    Definition("soak", "d", "low", 0.3, 0.3, latches=True, suppressed_by=(("soak", "b"), ("soak", "a"))),
)
ACTIONS = (
    Input.ACKNOWLEDGE,
    Input.ACKNOWLEDGE,
    Input.RESET,
    Input.SHELVE,
    Input.UNSHELVE,
    Input.TAKE_OUT_OF_SERVICE,
    Input.RETURN_TO_SERVICE,
)
LONGEST_STEP = 130  # samples; longer than the journal's mark
_REST_STEP = 30
# Every state proper, silence and delay; "unknown" and "learning" are the last thing seen of an alarm.
TO_HIT = frozenset(
    {
        *(state.value for state in State),
        "shelved",
        "suppressed",
        "out of service",
        "delay of occurs",
        "delay of returns",
        "delay of worsens",
        "unknown",
        "learning",
        "two silences",
    }
)


@dataclass
class Account:
    """What came of all kills."""

    kills: int
    steps: int
    ahead: int
    opening: int
    worst_mark_s: float
    hit: Counter[str]


class Watched:
    """As much of a monitor as a journal needs."""

    def __init__(self) -> None:
        self.engine = Engine(DEFINITIONS, RATE_HZ, lambda _: "1")
        self.pipeline = SimpleNamespace(rate_hz=RATE_HZ)

    def restore(self, memory: Memory) -> list[tuple[str, str]]:
        """Take up what was left."""
        return self.engine.restore(memory)

    def live(self, seed: int) -> Iterator[None]:
        """Endless steps, the same for the same seed; the first is only the beginning of the stream."""
        chance = random.Random(seed)
        now = chance.randrange(1_000_000)
        self.engine.begin(now)
        number = 0
        # Some lives come to rest after a while: nothing but marks is written then.
        rest = chance.randrange(3, 12) if chance.random() < 0.3 else None
        while True:
            yield
            number += 1
            if rest is not None and number > rest:
                now += _REST_STEP
                self.engine.advance([], now)
                continue
            if chance.random() < 0.35:
                key = ("soak", chance.choice("abcd"))
                shelf_s = chance.choice((0.05, 0.5, 5.0, 60.0))
                self.engine.tell(key, chance.choice(ACTIONS), now - 1, f"Kim {seed}-{number}", shelf_s)
                continue
            length = LONGEST_STEP if chance.random() < 0.05 else chance.randrange(1, 13)
            seen = [_observation(chance, now + chance.randrange(length)) for _ in range(chance.randrange(3))]
            self.engine.advance(seen, now + length)
            now += length


def _observation(chance: random.Random, sample: int) -> Observation:
    condition = chance.choices((True, False, None), (5, 4, 1))[0]
    evidence = None
    if condition:
        cause, severity = chance.choice(("", "other")), chance.choice((0.0, 2.0, 5.0))
        evidence = Evidence(1.0, 2.0, "mm", sample, "said", "look", cause, severity, 2.0)
    learning = condition is None and chance.random() < 0.5
    return Observation(sample, "soak", chance.choice("abcd"), condition, evidence, chance.random() < 0.1, learning)


def child(path: Path, seed: int, said: int) -> None:
    """Live until killed; never returns."""
    journal_module._LONGEST_BYTES = 30_000  # a whole new file every few steps
    watched = Watched()
    monitor = cast("Monitor", watched)
    journal = Journal.open(path, CAR)
    journal.restore_into(monitor)
    for number, _ in enumerate(watched.live(seed)):
        journal.note(Step(), monitor)
        if journal.fault is not None:
            os._exit(3)
        os.write(said, b"%d\n" % number)


def kill_once(path: Path, seed: int, chance: random.Random) -> int:
    """Start a child, kill it at a random instant; the number of the last step it said, -1 for none."""
    reading, writing = os.pipe()
    process = os.fork()
    if process == 0:
        try:
            os.close(reading)
            child(path, seed, writing)
        finally:
            os._exit(2)
    os.close(writing)
    with os.fdopen(reading, "rb") as said:
        wanted = chance.choice((0, 1, chance.randrange(40), chance.randrange(40), chance.randrange(40)))
        lines = [line for _ in range(wanted) if (line := said.readline())]
        end = time.perf_counter() + chance.choice((0.0, 2e-5, 2e-4, 2e-3)) * chance.random()
        while time.perf_counter() < end:
            pass
        os.kill(process, signal.SIGKILL)
        _, status = os.waitpid(process, 0)
        if not os.WIFSIGNALED(status):
            raise SystemExit(f"the child of seed {seed} ended by itself ({status})")
        lines += said.readlines()
    if lines and not lines[-1].endswith(b"\n"):
        lines.pop()
    return int(lines[-1]) if lines else -1


def left_in(path: Path) -> Memory | None:
    """What the file holds, as the next run will read it."""
    content = path.read_bytes() if path.exists() else b""
    return journal_module._read(content, CAR, "journal")


def check(before: Memory | None, found: Memory | None, seed: int, last: int) -> tuple[int, float, Engine]:
    """Compare the file with what the child must have left; returns which step it tells, the mark in s, the engine.

    Raises SystemExit when the file tells anything else.
    """
    watched = Watched()
    if before is not None:
        watched.restore(before)
        if _left(watched.engine.remember()) != _left(before):
            raise SystemExit(f"seed {seed}: took up {watched.engine.remember()} of {before}")
    if found == before and last < 0:
        return -1, 0.0, watched.engine
    told: list[str] = []
    for number, _ in enumerate(watched.live(seed)):
        memory = watched.engine.remember()
        if number >= last:
            # What has passed since the file's newest line is what a timer may be set back; without a timer, nothing.
            passed_s = (watched.engine.newest_sample + 1 - found.now) / RATE_HZ if found is not None else 0.0
            mark_s = passed_s if watched.engine.timers_run else 0.0
            same = _essence(memory) == ((0, {}) if found is None else _essence(found))
            if same and 0.0 <= mark_s <= _MARK_EVERY_S + LONGEST_STEP / RATE_HZ:
                return number, mark_s, watched.engine
            told.append(f"step {number} ({'the same' if same else 'other'} alarms, timers set back by {mark_s} s)")
        if number > last:
            break
    raise SystemExit(f"seed {seed}, step {last} was said: the file is not of {' nor of '.join(told)}: {found}")


def _essence(memory: Memory) -> tuple[int, dict[tuple[str, str], Remembered]]:
    """All but the time: the newest sequence number, and every alarm that is not as at its beginning."""
    return memory.sequence, {kept.key: kept for kept in memory.alarms if kept != Remembered(kept.key)}


def _left(memory: Memory) -> tuple[int, dict[tuple[str, str], tuple[Any, ...]]]:
    """What must be the same on every axis: who knows what of each alarm, and what timers have left."""
    alarms = {
        kept.key: (
            kept.life,
            kept.occurrences,
            kept.who,
            kept.told_abnormal,
            [(told.cause, told.severity) for told in kept.told],
            kept.pending,
            None if kept.due is None else kept.due - memory.now,
            None if kept.shelved_until_sample is None else kept.shelved_until_sample - memory.now,
        )
        for kept in memory.alarms
        if kept != Remembered(kept.key)
    }
    return memory.sequence, alarms


def states_of(engine: Engine, memory: Memory) -> Iterator[str]:
    """Names of everything that an instant hits."""
    for standing, kept in zip(engine.standings, memory.alarms, strict=True):
        life = kept.life
        yield life.state.value
        silences = {"shelved": life.shelved, "suppressed": life.suppressed, "out of service": life.out_of_service}
        yield from (name for name, there in silences.items() if there)
        if sum(silences.values()) > 1:
            yield "two silences"
        if kept.pending is not None:
            yield f"delay of {kept.pending.value}"
        if standing.condition is None and standing.last_change_sample is not None:
            yield "learning" if standing.learning else "unknown"


def soak(path: Path, kills: int, seed: int, most: int | None = None) -> Account:
    """Kill so often, and then up to `most` times until every state was hit."""
    account = Account(0, 0, 0, 0, 0.0, Counter())
    chance = random.Random(seed)
    found = left_in(path)
    while account.kills < kills or (account.kills < (most or kills) and not account.hit.keys() >= TO_HIT):
        own_seed = chance.randrange(1_000_000_000)
        before = found
        last = kill_once(path, own_seed, chance)
        found = left_in(path)
        number, mark_s, engine = check(before, found, own_seed, last)
        account.kills += 1
        account.steps += max(0, last)
        account.ahead += number > last
        account.opening += last < 0
        account.worst_mark_s = max(account.worst_mark_s, mark_s)
        account.hit.update(states_of(engine, engine.remember()))
    return account


def main() -> None:
    """Kill and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--most", type=int, default=None, help="go on up to so many until every state was hit")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--directory", type=Path, default=None, help="where the journal is kept; its disk is tried")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.directory) as directory:
        account = soak(Path(directory) / "soak.journal", options.kills, options.seed, options.most)
    record: dict[str, Any] = vars(account) | {"hit": dict(sorted(account.hit.items()))}
    sys.stdout.write(json.dumps(record | {"missing": sorted(TO_HIT - account.hit.keys())}) + "\n")


if __name__ == "__main__":
    main()
