"""The part of a car sheet that says how live samples arrive: which link, and how its bytes are laid out.

The values on a link are those that a log of the same channels would hold: scale, offset and unit of each role come
from `log.columns`, a damper's from its sensor. `ingest.framing` decodes, `ingest.serial_link` and `ingest.mqtt_link`
connect.
"""

from __future__ import annotations

import struct
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from ingest.chunk import CORNERS, SIDE_ROLES
from ingest.sheet_broker import BrokerAccess
from ingest.sheet_parts import Part, Positive

COUNTER = "counter"
IGNORED = "ignored"
DAMPER_ROLES = tuple(f"damper_{corner}" for corner in CORNERS)
LINK_ROLES = (*DAMPER_ROLES, *SIDE_ROLES)

FieldName = Annotated[str, Field(min_length=1, max_length=60)]


class SerialPort(Part):
    """A serial port. `/dev/serial/by-id/...` names stay the same when a cable is plugged in elsewhere."""

    port: Annotated[str, Field(min_length=1, max_length=200)]
    baud: Annotated[int, Field(ge=300, le=12_000_000)] = 921_600


class Broker(BrokerAccess):
    """An MQTT broker and the topic of the samples."""

    topic: Annotated[str, Field(min_length=1, max_length=200)]
    client_id: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    # Where the broker is told "online", and tells others "offline" when this program dies (its will).
    status_topic: Annotated[str, Field(min_length=1, max_length=200)] | None = None


class LinkLayout(Part):
    """How samples come over a link.

    `packed`, `json` and `cbor` describe themselves. `text` is one line a sample and `record` one fixed binary record
    a sample: for both, `fields` names what stands in it, in order: roles, "counter", or "ignored"; `rate_hz` is
    required, and so is a counter, since nothing else tells a lost sample.
    """

    serial: SerialPort | None = None
    mqtt: Broker | None = None
    format: Literal["packed", "text", "record", "json", "cbor"] = "packed"
    rate_hz: Annotated[Positive, Field(ge=20, le=20_000)] | None = None
    stream: Annotated[int, Field(ge=0, le=255)] | None = None
    fields: Annotated[list[FieldName], Field(max_length=64)] = []  # noqa: RUF012 - pydantic copies defaults
    counter_wraps_at: Annotated[int, Field(gt=1)] | None = None
    delimiter: Literal[",", ";", "\t", " "] = ","
    checksum: Literal["none", "crc16"] = "none"
    record: Annotated[str, Field(min_length=2, max_length=200)] | None = None
    sync: Annotated[str, Field(pattern=r"^([0-9a-fA-F]{2}){1,8}$")] | None = None
    longest_frame: Annotated[int, Field(ge=32, le=1_000_000)] = 65_536
    # Frames that arrive out of order are put right within this much sample time.
    reorder_s: Annotated[float, Field(ge=0, le=2)] = 0.1

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.serial is None) == (self.mqtt is None):
            raise ValueError("give either serial or mqtt (one of them)")
        if self.serial is not None and self.format in {"json", "cbor"}:
            raise ValueError(f"format {self.format!r} needs mqtt: a serial line has no message ends")
        if self.format in {"text", "record"}:
            self._check_fields()
        elif self.fields or self.record or self.sync:
            raise ValueError(f"fields, record and sync belong to the formats text and record, not to {self.format!r}")
        return self

    def _check_fields(self) -> None:
        known = {*LINK_ROLES, COUNTER, IGNORED}
        unknown = [name for name in self.fields if name not in known]
        if unknown:
            raise ValueError(f"fields: {unknown[0]!r} is no role; known: {', '.join((COUNTER, IGNORED, *LINK_ROLES))}")
        missing = [name for name in (COUNTER, *DAMPER_ROLES) if name not in self.fields]
        if missing:
            raise ValueError(f"fields: {missing[0]} is missing")
        named = [name for name in self.fields if name != IGNORED]
        if len(named) != len(set(named)):
            raise ValueError("fields: a role stands twice")
        if self.rate_hz is None:
            raise ValueError(f"format {self.format!r} needs rate_hz")
        if self.format == "text":
            if self.record is not None or self.sync is not None:
                raise ValueError('record and sync belong to format = "record"')
            return
        if self.record is None or self.sync is None:
            raise ValueError('format "record" needs record (a struct layout such as "<Ihhhh") and sync (bytes in hex)')
        try:
            size = struct.calcsize(self.record)
            if size > self.longest_frame:
                raise ValueError(f"record is {size} bytes long, longest_frame allows {self.longest_frame}")
            values = struct.unpack(self.record, bytes(size))
        except struct.error as error:
            raise ValueError(f"record: {error}") from None
        if self.record[0] not in "<>":
            raise ValueError('record: must begin with "<" (little-endian) or ">" (big-endian)')
        if len(values) != len(self.fields):
            raise ValueError(f"record holds {len(values)} values, fields names {len(self.fields)}")
        for name, value in zip(self.fields, values, strict=True):
            if name != IGNORED and type(value) not in ({int} if name == COUNTER else {int, float}):
                raise ValueError(f"record: {name} must be {'a whole number' if name == COUNTER else 'a number'}")
