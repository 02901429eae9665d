"""The layout of a recording on disk: blocks one after another, each able to prove by itself that it is whole.

In: what one block holds. Out: its bytes, and back. No I/O. All numbers are little-endian:

==================  =====  ==========================================================================
field               bytes  meaning
==================  =====  ==========================================================================
marker              4      `MARKER`, the same in every recording; the file begins with it
salt                4      random, one for each file: a block of another file is never taken for one
payload length      4      at most `LONGEST_PAYLOAD`
kind                1      1 header, 2 data, 3 event
reserved            3      0
sequence            4      0, 1, 2 ... in this file
monotonic_ns        8      when it arrived, on a clock that never jumps
wall_ns             8      the same in ns since 1970 (UTC), for people
payload CRC-32      4      of the payload
head CRC-32         4      of the 40 bytes before it
payload             -      data: bytes as they came; header and event: JSON, UTF-8
==================  =====  ==========================================================================

The first block is the header. A file that was closed ends with an event named `CLOSED`.
"""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import dataclass
from typing import Literal

from ingest.inbox import Received

Kind = Literal["header", "data", "event"]

FORMAT = "damperwatch recording"
FORMAT_VERSION = 1
SUFFIX = ".dwrec"
PART_SUFFIX = SUFFIX + ".part"  # until the file is closed

# No UTF-8 or ASCII text, and no frame of ours, starts with the first byte; the last ends a text in some viewers.
MARKER = b"\xf5DW\x1a"
_HEAD = struct.Struct("<4s4sIB3xIqqI")
_CRC = struct.Struct("<I")
HEAD_BYTES = _HEAD.size + _CRC.size
# The longest frame a car sheet allows is 1 MB, and a header holds a sheet of at most 1 MB with its escapes.
LONGEST_PAYLOAD = 4 * 1024 * 1024
MOST_BLOCKS = 2**32 - 1

CLOSED = "closed"
_NUMBERS: dict[Kind, int] = {"header": 1, "data": 2, "event": 3}
_KINDS: dict[int, Kind] = {number: kind for kind, number in _NUMBERS.items()}


@dataclass(frozen=True)
class Head:
    """What stands before a payload; only ever made from bytes whose CRC-32 fits."""

    salt: bytes
    length: int
    kind: Kind
    sequence: int
    monotonic_ns: int
    wall_ns: int
    payload_crc: int


def pack_block(salt: bytes, kind: Kind, sequence: int, received: Received) -> bytes:
    """One block; the payload is at most `LONGEST_PAYLOAD` bytes.

    Examples
    --------
    >>> block = pack_block(b"salt", "data", 7, Received(b"abc", 10, 20))
    >>> unpack_head(block)
    Head(salt=b'salt', length=3, kind='data', sequence=7, monotonic_ns=10, wall_ns=20, payload_crc=891568578)
    >>> block[HEAD_BYTES:]
    b'abc'
    """
    payload = received.payload
    head = _HEAD.pack(
        MARKER,
        salt,
        len(payload),
        _NUMBERS[kind],
        sequence,
        received.monotonic_ns,
        received.wall_ns,
        zlib.crc32(payload),
    )
    return b"".join((head, _CRC.pack(zlib.crc32(head)), payload))


def unpack_head(data: bytes) -> Head | None:
    """The head at the start of `data`, or None when there is none whose checksum and numbers are right."""
    if len(data) < HEAD_BYTES or not data.startswith(MARKER):
        return None
    if zlib.crc32(data[: _HEAD.size]) != _CRC.unpack_from(data, _HEAD.size)[0]:
        return None
    _, salt, length, number, sequence, monotonic_ns, wall_ns, payload_crc = _HEAD.unpack_from(data)
    kind = _KINDS.get(number)
    if kind is None or length > LONGEST_PAYLOAD:
        return None
    return Head(salt, length, kind, sequence, monotonic_ns, wall_ns, payload_crc)


def pack_json(values: dict[str, object]) -> bytes:
    """A header's or an event's payload; whatever JSON does not know is written as text."""
    return json.dumps(values, ensure_ascii=False, default=str).encode("utf-8", "replace")


def unpack_json(payload: bytes) -> dict[str, object] | None:
    """The values of a header or an event; None when they are no JSON object."""
    try:
        values = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return values if isinstance(values, dict) else None
