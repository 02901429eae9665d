"""Several cars watched by one process: each with its own link, recording, journal, results, alarms, and faults.

In: cars, a place to show them. Out: an exit code. All cars are served in rounds, in one thread with the links' event
loop, so that none waits for another's locks; what has arrived for a car by its turn is computed in one piece. A car
that floods has what is over its share dropped, the oldest first, and counted; one whose chain fails is no longer
watched, which is said, while its recording and the other cars go on. Raises what `console.watch.watch` raises, at the
start.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from console.desk import Desk
from console.fleet_cars import FleetCar, folder_name
from console.fleet_tiles import Tile, alarm_counts
from console.hands import Hands
from console.live_run import LiveRun, MakeLink, WatchOptions, make_link, open_run
from console.outlet import Outlet, PlainOutlet
from console.reference import load_reference
from console.stopping import Stopping
from ingest.errors import DamperwatchError, LinkError
from ingest.inbox import Inbox, Link, Received
from ingest.link_loop import LinkLoop
from ingest.rehearsal_mark import marked
from ingest.sheet_link import LinkLayout
from ingest.text import clean

# A round is stretched to twice its work, between these: short with few cars, and with many the costs of a chunk that
# do not depend on its length are paid 20 times a second and car at most.
_SHORTEST_ROUND_S, _LONGEST_ROUND_S = 0.01, 0.05
_LOOK_EVERY_S = 0.1  # watchdog, pit wall and lines of one car
_RECEIVE_EVERY_S = 0.002  # so that messages are stamped and recorded soon, and none waits long for its turn
# Of one car in one turn: a second or two of samples, some milliseconds of work.
_TURN_BYTES = 16 * 1024
# Of one car: half a minute of four corners at 1 kHz in small frames, a hundred times a screenful of rubbish.
_WAITING_BYTES = 2 * 1024 * 1024
# Samples older than this help nobody in a car that drives. When it comes so far half of it goes: holes are then rare.
_LONGEST_WAIT_S = 2.0
_KEPT_SHARE = 0.5
_GOLDEN = 0.618  # spreads any number of phases evenly


@dataclass(frozen=True)
class FleetOptions:
    """What the command line chose. Each directory gets one of its own for each car, by `FleetCar.folder`.

    `journals` None keeps nothing. `desk_of` gives a car's way to the pit wall, whose publisher may work in the cars'
    loop; None publishes nothing.
    """

    recordings: Path | None
    results: Path | None = None
    overwrite: bool = False
    reference: Path | None = None
    journals: Path | None = None
    seconds: float | None = None
    rehearsal: bool = False
    desk_of: Callable[[FleetCar, LinkLoop], Desk] | None = None


class Show(Protocol):
    """Where several cars are shown."""

    def begin(self, names: Sequence[str], stopping: Stopping) -> None:
        """These are the cars; `stopping` is what a person may ask to end."""
        ...

    def ends_of(self, number: int) -> tuple[Outlet, Hands | None]:
        """What shows one car, and the person at its keys."""
        ...

    def say(self, number: int, line: str) -> None:
        """Tell something of a car that is not part of its run."""
        ...

    def look(self, tiles: Callable[[], list[Tile]]) -> None:
        """Called many times a second; `tiles` says how each car is."""
        ...

    def close(self) -> None:
        """Give back what was taken; closing twice does no harm."""
        ...


class PlainShow:
    """Plain lines, each with its car's name.

    Parameters
    ----------
    write, warn : callable
        Take one line: of a run, and of what is not part of one.
    """

    def __init__(self, write: Callable[[str], None], warn: Callable[[str], None]) -> None:
        self._write = write
        self._warn = warn
        self._names: Sequence[str] = ()

    def begin(self, names: Sequence[str], stopping: Stopping) -> None:  # noqa: ARG002
        """Keep the names."""
        self._names = names

    def ends_of(self, number: int) -> tuple[Outlet, Hands | None]:
        """Lines that begin with the car's name; nobody's keys."""
        return PlainOutlet(lambda line: self._write(f"{self._names[number]}: {line}" if line else line)), None

    def say(self, number: int, line: str) -> None:
        """A line with the car's name."""
        self._warn(f"{self._names[number]}: {line}")

    def look(self, tiles: Callable[[], list[Tile]]) -> None:
        """The lines have said it all."""

    def close(self) -> None:
        """Nothing was taken."""


class _Member:
    """One car of the fleet while it is watched."""

    def __init__(self, car: FleetCar, run: LiveRun, say: Callable[[str], None], phase: float) -> None:
        self.name = car.name
        self._phase = phase  # 0 to 1
        self.run = run
        self.say = say
        self.fault = ""
        self._look_due_s = -math.inf

    def guarded(self, work: Callable[..., object], *arguments: object) -> None:
        """Do one car's work; whatever goes wrong in it ends this car's watch and no other's."""
        try:
            work(*arguments)
        except Exception as error:
            known = isinstance(error, DamperwatchError)
            self.fault = clean(error if known else f"a fault of this program ({error!r})", 200)
            self.say(f"NOT WATCHED ANY MORE: {self.fault}; what arrives is still received and recorded")

    def turn(self, received_s: float) -> None:
        """Take what has arrived; `received_s` is when the links last had their turn."""
        if self.fault:
            self.run.discard()
            return
        self.run.turn(_TURN_BYTES)
        if received_s >= self._look_due_s:
            # Every car has its own moment in the tenth of a second, so that they are not looked at all in one round.
            self._look_due_s = _LOOK_EVERY_S * (math.floor(received_s / _LOOK_EVERY_S - self._phase) + 1 + self._phase)
            # What still waits is no silence.
            self.run.look(-math.inf if self.run.behind else received_s)

    def finish(self) -> None:
        """Work through what has arrived, and write what the run came to."""
        while self.run.turn(_TURN_BYTES):
            pass
        self.run.finish()

    def tile(self) -> Tile:
        """How this car is."""
        run = self.run
        counts, waiting = alarm_counts(run.monitor)
        return Tile(self.name, counts, waiting, run.age_s, run.link_words, run.dropped, self.fault)


class Fleet:
    """Cars under watch together; `watch_fleet` is the whole of it."""

    def __init__(
        self, cars: Sequence[FleetCar], show: Show, options: FleetOptions, stopping: Stopping, loop: LinkLoop
    ) -> None:
        """Open all that each car writes to; on any error what was opened is closed again."""
        self._show = show
        self._loop = loop
        self._members: list[_Member] = []
        self._worked_s = 0.0  # in the last round, computing
        show.begin([car.name for car in cars], stopping)
        try:
            for number, car in enumerate(cars):
                self._members.append(_opened(car, number, show, options, stopping, loop))
        except BaseException:
            self.close()
            raise

    def begin(self, link_maker: MakeLink) -> None:
        """Start the links; LinkError names the car."""
        for member in self._members:
            try:
                member.run.begin(link_maker)
            except LinkError as error:
                raise LinkError(f"{member.name}: {error}") from None

    def round(self) -> None:
        """Serve each car once, and let the links receive between and after."""
        begun_s = time.monotonic()
        self._loop.turn()
        self._loop.catch_up(len(self._members), self._worked_s)
        computing_s = received_s = time.monotonic()
        for member in self._members:
            now_s = time.monotonic()
            if now_s - received_s >= _RECEIVE_EVERY_S:
                self._loop.turn()
                received_s = now_s
            member.guarded(member.turn, now_s)
        self._show.look(self.tiles)
        now_s = time.monotonic()
        worked_s, self._worked_s = now_s - begun_s, now_s - computing_s
        round_s = min(_LONGEST_ROUND_S, max(_SHORTEST_ROUND_S, 2.0 * worked_s))
        self._loop.turn(max(0.0, round_s - worked_s))

    def finish(self) -> None:
        """Leave the links, work through what has arrived, write what each run came to."""
        for member in self._members:
            member.run.stop()
        self._loop.leave()
        for member in self._members:
            if not member.fault:
                member.guarded(member.finish)
            self._loop.turn()  # what is published goes on

    def close(self) -> None:
        """Close what was opened, of each car whatever happened to the others."""
        for member in self._members:
            member.guarded(member.run.close)
        self._show.close()

    def tiles(self) -> list[Tile]:
        """How each car is."""
        return [member.tile() for member in self._members]

    @property
    def faulty(self) -> bool:
        """Whether the watch of any car has ended by a fault."""
        return any(member.fault for member in self._members)


def watch_fleet(
    cars: Sequence[FleetCar],
    show: Show,
    options: FleetOptions,
    link_maker: MakeLink | None = None,
) -> int:
    """Watch until a signal comes (or `seconds` have passed).

    Returns 0, 128 plus the signal's number, or 1 when some car could not be watched to the end.
    """
    loop = LinkLoop()
    try:
        with Stopping() as stopping:
            fleet = Fleet(cars, show, options, stopping, loop)
            try:
                fleet.begin(link_maker or fleet_link(loop))
                end = math.inf if options.seconds is None else time.monotonic() + options.seconds
                while not stopping.wanted and time.monotonic() < end:
                    fleet.round()
                fleet.finish()
            finally:
                fleet.close()
        return stopping.exit_code or int(fleet.faulty)
    finally:
        loop.close()


def fleet_link(loop: LinkLoop) -> MakeLink:
    """Makes links that work in one loop; a serial line keeps a thread of its own."""

    def make(layout: LinkLayout, tap: Callable[[Received], None], inbox: Inbox) -> Link:
        if layout.mqtt is None:
            return make_link(layout, tap, inbox)
        from ingest.mqtt_link import MqttLink

        return MqttLink(layout.mqtt, tap, inbox, status_topic=layout.mqtt.status_topic, loop=loop)

    return make


def _opened(
    car: FleetCar, number: int, show: Show, options: FleetOptions, stopping: Stopping, loop: LinkLoop
) -> _Member:
    """One car, with all that it writes to open."""

    def say(line: str) -> None:
        show.say(number, line)

    sheet, folder = car.sheet, car.folder
    reference = None if options.reference is None else options.reference / folder
    known = None if reference is None else load_reference(reference, sheet)
    if options.rehearsal:
        sheet = marked(sheet)
        folder = folder_name(sheet.car.name)
        car = replace(car, sheet=sheet, folder=folder)
    outlet, hands = show.ends_of(number)
    chosen = WatchOptions(
        recordings=_below(options.recordings, folder),
        results=_below(options.results, folder),
        overwrite=options.overwrite,
        reference=reference,
        desk=None if options.desk_of is None else options.desk_of(car, loop),
        journal=_below(options.journals, folder, "alarms.journal"),
        hands=hands,
        rehearsal=options.rehearsal,
    )
    inbox = Inbox(_WAITING_BYTES, _LONGEST_WAIT_S, _KEPT_SHARE)
    try:
        return _Member(
            car, open_run(sheet, car.text, outlet, chosen, say, known, stopping, inbox), say, number * _GOLDEN % 1.0
        )
    except BaseException:
        if chosen.desk is not None:
            chosen.desk.close(None, "the watch could not begin")
        raise


def _below(directory: Path | None, *names: str) -> Path | None:
    return None if directory is None else directory.joinpath(*names)
