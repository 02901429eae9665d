"""Several cars watched together: their sheets, what must differ between them, and where each one's files go.

In: paths of car sheets, and what the command line chose for all. Out: one `FleetCar` each. Raises `CarsError` with
every mistake of every sheet at once; nothing has been opened by then.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import DamperwatchError, SheetError
from ingest.sheet import Sheet, load_sheet
from ingest.sheet_broker import BrokerAccess
from ingest.sheet_wall import PitWall
from ingest.text import clean

_LONGEST_FOLDER = 60
# No file can have these names on some systems, whatever follows a dot.
_NO_NAMES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


class CarsError(SheetError):
    """Cars can't be watched together. `problems` lists every mistake found, one line each."""

    what = "the cars to watch"


@dataclass(frozen=True)
class FleetCar:
    """One car of several: its sheet, the sheet's text, and `folder`, its name for files and topics."""

    path: Path
    sheet: Sheet
    text: str
    folder: str

    @property
    def name(self) -> str:
        """The car's name, safe to show."""
        return clean(self.sheet.car.name, 40)


def load_cars(paths: Sequence[Path], *, publishing: bool = False, topic: str | None = None) -> list[FleetCar]:
    """Read the sheets and see that the cars can be told apart.

    Parameters
    ----------
    paths : sequence of Path
        Car sheets.
    publishing : bool
        Alerts are to be published: then each car needs a topic of its own.
    topic : str or None
        Prefix of the topics to publish below, instead of the sheets' own.

    Raises
    ------
    CarsError
        Every mistake in every sheet, and all that two cars have in common and must not.
    """
    problems: list[str] = []
    cars: list[FleetCar] = []
    for path in paths:
        shown = clean(path, 200)
        try:
            sheet = load_sheet(path)
            text = path.read_text(encoding="utf-8", errors="replace")
        except SheetError as error:
            problems += [f"{shown}: {line}" for line in error.problems]
        except DamperwatchError as error:
            problems.append(str(error))
        else:
            if sheet.link is None:
                problems.append(f"{shown}: link: is missing; add [link] with mqtt (see docs/wiring.md)")
            elif publishing and pit_wall_of(sheet, topic) is None:
                problems.append(f"{shown}: pit_wall: is missing; add [pit_wall] with host and topic (docs/pit-wall.md)")
            cars.append(FleetCar(path, sheet, text, folder_name(sheet.car.name)))
    for what, mark in (*_MARKS, *([("pit_wall.topic", _wall(topic))] if publishing else [])):
        problems += _shared(cars, what, mark)
    problems += _overlaps(cars)
    if problems:
        raise CarsError("--car", problems)
    return cars


def pit_wall_of(sheet: Sheet, topic: str | None) -> PitWall | None:
    """Where a car's alerts go: as its sheet says, or below `topic` at the pit wall's broker or else the link's."""
    if topic is None:
        return sheet.pit_wall
    access: BrokerAccess | None = sheet.pit_wall or (None if sheet.link is None else sheet.link.mqtt)
    if access is None:
        return None
    kept = access.model_dump(include=set(BrokerAccess.model_fields))
    return PitWall(**kept, topic=f"{topic}/{folder_name(sheet.car.name)}")


def folder_name(car: str) -> str:
    """A car's name as that of a directory on any system: letters and digits as they are, and a mark where others were.

    Two names never give one directory unless they differ in capitals alone, which `load_cars` refuses.

    Examples
    --------
    >>> folder_name("Car_7"), folder_name("../Car 7")
    ('Car_7', 'Car_7-a860ad57')
    """
    plain = re.sub(r"[^A-Za-z0-9_]+", "_", car).strip("_")[:_LONGEST_FOLDER]
    if plain == car and not _NO_NAMES.fullmatch(car):
        return plain
    return f"{plain or 'car'}-{hashlib.sha256(car.encode('utf-8', 'replace')).hexdigest()[:8]}"


def _shared(cars: Sequence[FleetCar], what: str, mark: Callable[[Sheet], Hashable]) -> list[str]:
    """What one car has in common with an earlier one; nothing is common to those that have none."""
    seen: dict[Hashable, FleetCar] = {}
    problems = []
    for car in cars:
        found = mark(car.sheet)
        if found is None:
            continue
        first = seen.setdefault(found, car)
        if first is not car:
            said = clean(found[-1] if isinstance(found, tuple) else found, 100)
            problems.append(f"{clean(car.path, 200)}: {what}: {said!r} is that of {clean(first.path, 200)} too")
    return problems


def _name(sheet: Sheet) -> Hashable:
    return sheet.car.name.casefold()


def _port(sheet: Sheet) -> Hashable:
    return None if sheet.link is None or sheet.link.serial is None else sheet.link.serial.port


def _client(sheet: Sheet) -> Hashable:
    """Of two connections with one identifier the broker ends the older, again and again."""
    mqtt = None if sheet.link is None else sheet.link.mqtt
    return None if mqtt is None or mqtt.client_id is None else (mqtt.host.casefold(), mqtt.port, mqtt.client_id)


def _status(sheet: Sheet) -> Hashable:
    mqtt = None if sheet.link is None else sheet.link.mqtt
    return None if mqtt is None or mqtt.status_topic is None else (mqtt.host.casefold(), mqtt.port, mqtt.status_topic)


def _wall(topic: str | None) -> Callable[[Sheet], Hashable]:
    def mark(sheet: Sheet) -> Hashable:
        wall = pit_wall_of(sheet, topic)
        return None if wall is None else (wall.host.casefold(), wall.port, wall.topic)

    return mark


_MARKS: tuple[tuple[str, Callable[[Sheet], Hashable]], ...] = (
    ("car.name", _name),
    ("link.serial.port", _port),
    ("link.mqtt.client_id", _client),
    ("link.mqtt.status_topic", _status),
)


def _overlaps(cars: Sequence[FleetCar]) -> list[str]:
    """Topics that give two cars the same messages: equal ones, and those that a + or # makes so."""
    problems: list[str] = []
    exact: dict[tuple[str, int, str], FleetCar] = {}
    loose: list[tuple[tuple[str, int, str], FleetCar]] = []
    for car in cars:
        mqtt = None if car.sheet.link is None else car.sheet.link.mqtt
        if mqtt is None:
            continue
        mark = (mqtt.host.casefold(), mqtt.port, mqtt.topic)
        wild = "+" in mqtt.topic or "#" in mqtt.topic
        first = exact.get(mark)
        # Most topics are plain ones: only those with a wildcard have to be held against all others.
        others = [*exact.items(), *loose] if wild else loose
        for other, theirs in others:
            if first is None and other[:2] == mark[:2] and filters_meet(other[2], mark[2]):
                first = theirs
        if first is not None:
            problems.append(
                f"{clean(car.path, 200)}: link.mqtt.topic: {clean(mqtt.topic, 100)!r} brings messages of "
                f"{clean(first.path, 200)} too"
            )
        if wild:
            loose.append((mark, car))
        else:
            exact.setdefault(mark, car)
    return problems


def filters_meet(one: str, other: str) -> bool:
    """Whether some topic fits both filters (MQTT 3.1.1, section 4.7.1).

    Examples
    --------
    >>> filters_meet("cars/+/samples", "cars/7/samples"), filters_meet("cars/#", "team/7")
    (True, False)
    """
    ones, others = one.split("/"), other.split("/")
    for place in range(max(len(ones), len(others))):
        here = ones[place] if place < len(ones) else None
        there = others[place] if place < len(others) else None
        if "#" in (here, there):
            return True
        if here is None or there is None or ("+" not in (here, there) and here != there):
            return False
    return True
