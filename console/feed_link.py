"""Where a log is fed to, how its samples are laid out there, and which faults are added: from the command's words.

In: "serial:PORT[@BAUD]" or "mqtt:HOST[:PORT]/TOPIC", a format or none, rates, and the car sheet. Out: a target, a
`LinkLayout` whose link it is, a plan of faults. Pure; raises `FeedUsageError` with what to write instead.
"""

from __future__ import annotations

import math
import re

from pydantic import ValidationError

from console.mischief import Plan
from ingest.sheet import Sheet
from ingest.sheet_link import Broker, LinkLayout, SerialPort
from ingest.text import clean

FORMATS = ("packed", "text", "record", "json", "cbor")
_NEEDS_FIELDS = ("text", "record")
# A text or record does not tell its rate; one measured from a log's times may be this far from the nominal one.
_RATE_TOLERANCE = 1e-3
# The other formats do, and a receiver compares as finely as a packed frame tells it.
_FRAME_RATE_TOLERANCE_HZ = 1e-3
_USAGE = "write serial:PORT, serial:PORT@BAUD or mqtt:HOST:PORT/TOPIC"


class FeedUsageError(Exception):
    """The command line, or it and the sheet together, ask for something that can't be done."""


def feed_target(text: str, link: LinkLayout | None) -> SerialPort | Broker:
    """Read the words after --to.

    Parameters
    ----------
    text : str
        As in "serial:/dev/ttyUSB0@921600" or "mqtt:localhost:1883/car/dampers".
    link : LinkLayout or None
        The sheet's link. What the words leave open (the baud rate; for the same broker the user, where the password
        is, TLS) is taken from there.

    Raises
    ------
    FeedUsageError
        The words are none of these.
    """
    kind, _, rest = text.partition(":")
    try:
        if kind == "serial" and rest:
            return _serial(rest, link)
        if kind == "mqtt" and rest:
            return _broker(rest, link)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise FeedUsageError(f"--to {clean(text, 80)}: {key}: {clean(first['msg'], 120)}; {_USAGE}") from None
    raise FeedUsageError(f"--to {clean(text, 80)}: is no link; {_USAGE}")


def _serial(rest: str, link: LinkLayout | None) -> SerialPort:
    port, at, baud = rest.rpartition("@")
    if at and baud.isdecimal():
        return SerialPort(port=port, baud=int(baud))
    known = {} if link is None or link.serial is None else {"baud": link.serial.baud}
    return SerialPort(port=rest, **known)


def _broker(rest: str, link: LinkLayout | None) -> Broker:
    address, slash, topic = rest.partition("/")
    found = re.fullmatch(r"(\[[^\]]+\]|[^:]+)(?::([0-9]{1,5}))?", address)
    if found is None or not slash:
        raise FeedUsageError(f"--to mqtt:{clean(rest, 80)}: needs a host and a topic; {_USAGE}")
    if "+" in topic or "#" in topic:
        raise FeedUsageError(f"--to mqtt:{clean(rest, 80)}: + and # are for listening; name one topic to send to")
    host, port = found[1].strip("[]"), int(found[2] or 1883)
    known = None if link is None else link.mqtt
    if known is not None and (known.host, known.port) == (host, port):
        # The receiver has its name already; a second client of that name would throw it off the broker.
        return known.model_copy(update={"topic": topic, "client_id": None})
    return Broker(host=host, port=port, topic=topic)


def feed_layout(sheet: Sheet, target: SerialPort | Broker, chosen: str | None, rate_hz: float) -> LinkLayout:
    """How samples are laid out for a target.

    Parameters
    ----------
    sheet : Sheet
        Its `link` is what the receiver goes by; without one the format is packed.
    target : SerialPort or Broker
        Where to.
    chosen : str or None
        One of `FORMATS`, or None for the sheet's.
    rate_hz : float
        The log's rate; formats that do not tell it must have the same in the sheet.

    Raises
    ------
    FeedUsageError
        The format does not go with the target, needs fields that the sheet does not give, or another rate.
    """
    link = sheet.link
    named = "packed" if link is None else link.format
    wanted = chosen or named
    raw = {} if link is None else link.model_dump(exclude_unset=True, exclude={"serial", "mqtt"})
    if wanted in _NEEDS_FIELDS and wanted != named:
        raise FeedUsageError(
            f"--format {wanted}: the sheet does not say what stands in a {wanted}; "
            f'give link.format = "{wanted}" and link.fields in the car sheet'
        )
    if wanted not in _NEEDS_FIELDS:
        for key in ("fields", "record", "sync"):
            raw.pop(key, None)
    raw["format"] = wanted
    raw["serial" if isinstance(target, SerialPort) else "mqtt"] = target
    try:
        layout = LinkLayout.model_validate(raw)
    except ValidationError as error:
        raise FeedUsageError(f"--to and --format: {clean(error.errors()[0]['msg'], 200)}") from None
    tolerance_hz = _RATE_TOLERANCE * rate_hz if wanted in _NEEDS_FIELDS else _FRAME_RATE_TOLERANCE_HZ
    if layout.rate_hz is not None and abs(layout.rate_hz - rate_hz) > tolerance_hz:
        raise FeedUsageError(
            f"the log runs at {rate_hz:g} Hz, but link.rate_hz in the car sheet is {layout.rate_hz:g}: the receiver "
            f"would refuse it or take every velocity wrong. Set link.rate_hz = {rate_hz:g} for this rehearsal"
        )
    return layout


def fault_plan(
    rates: dict[str, float], delay: str, pull_at: tuple[float, ...], pull_for: tuple[float, ...], seed: int
) -> Plan:
    """Read the fault options.

    Parameters
    ----------
    rates : dict of str to float
        Shares of the frames by kind: drop, corrupt, duplicate, reorder.
    delay : str
        RATE:MS.
    pull_at, pull_for : tuple of float, s
        When the cable is pulled and for how long, pair by pair.
    seed : int
        Of the chance by which frames are chosen.

    Raises
    ------
    FeedUsageError
        A rate is not 0 to 1, or the options do not go together.
    """
    rate, _, late_ms = delay.partition(":")
    try:
        delay_rate, delay_s = float(rate), float(late_ms) / 1000.0
    except ValueError:
        raise FeedUsageError(f"--delay {clean(delay, 40)}: write RATE:MS, as in 0.01:250") from None
    if len(pull_at) != len(pull_for):
        raise FeedUsageError(f"{len(pull_at)} times --pull-at, {len(pull_for)} times --pull-for: give them in pairs")
    if not all(math.isfinite(second) for second in (*pull_at, *pull_for)):
        raise FeedUsageError("--pull-at and --pull-for: give seconds")
    pulls = tuple(zip(pull_at, pull_for, strict=True))
    try:
        return Plan(**rates, delay=delay_rate, delay_s=delay_s, pulls=pulls, seed=seed)
    except ValueError as error:
        raise FeedUsageError(f"--{error}") from None
