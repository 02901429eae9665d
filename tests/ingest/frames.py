"""Link layouts and blocks for tests; the left front damper carries each sample's own number."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from ingest.framing import make_decoder, make_encoder
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import DAMPER_ROLES, LinkLayout

RATE_HZ = 500.0
ROLES = (*DAMPER_ROLES, "speed")
TEXT = {"format": "text", "rate_hz": RATE_HZ, "fields": ["counter", *ROLES]}
RECORD = {"format": "record", "rate_hz": RATE_HZ, "fields": ["counter", *ROLES], "record": "<I4ff", "sync": "a55a"}
CRC = {"checksum": "crc16"}
FAULTS = ("long_frames", "bad_frames", "bad_checksums", "bad_headers", "other_streams", "garbage_bytes")
# Every way in which samples come, serial first.
LAYOUTS: dict[str, dict[str, Any]] = {
    "packed": {},
    "text": TEXT,
    "text with checksum": TEXT | CRC,
    "text with tabs": TEXT | CRC | {"delimiter": "\t"},
    "record": RECORD,
    "record with checksum": RECORD | CRC,
    "packed over mqtt": {"mqtt": {}},
    "text over mqtt": TEXT | {"mqtt": {}},
    "record over mqtt": RECORD | {"mqtt": {}},
    "json": {"format": "json", "mqtt": {}},
    "cbor": {"format": "cbor", "mqtt": {}},
}
SERIAL = [name for name, keys in LAYOUTS.items() if "mqtt" not in keys]
MESSAGES = [name for name, keys in LAYOUTS.items() if "mqtt" in keys]
PROTECTED = ["packed", "text with checksum", "text with tabs", "record with checksum", "packed over mqtt"]


def layout(name: str = "packed", **more: Any) -> LinkLayout:
    """One of the layouts, with some keys changed."""
    keys = LAYOUTS[name] | more
    if "mqtt" in keys:
        keys["mqtt"] = {"host": "localhost", "topic": "car/samples"}
    else:
        keys["serial"] = {"port": "port"}
    return LinkLayout.model_validate(keys)


def block(counter: int, count: int = 10, roles: tuple[str, ...] = ROLES, **more: Any) -> SampleBlock:
    """Consecutive samples that carry their numbers: exact in 16 bits from 0 to 32767, and in single precision."""
    number = np.arange(counter, counter + count, dtype=np.float64)
    columns = {"damper_FL": number, "damper_FR": -number, "damper_RL": number % 7, "damper_RR": number % 11}
    values = np.stack([columns.get(role, number * 0.5) for role in roles], axis=1)
    keys: dict[str, Any] = {"wraps_at": None, "rate_hz": RATE_HZ, "roles": roles, "values": values} | more
    return SampleBlock(counter=counter, **keys)


def blocks(count: int, size: int = 10, first: int = 0) -> list[SampleBlock]:
    """Consecutive blocks."""
    return [block(first + place * size, size) for place in range(count)]


def encoded(link: LinkLayout, sent: Iterable[SampleBlock]) -> list[bytes]:
    """What a device would send, one piece for each block."""
    encoder = make_encoder(link, ROLES, RATE_HZ)
    return [encoder.encode(one) for one in sent]


def decoded(link: LinkLayout, pieces: Iterable[bytes]) -> tuple[list[SampleBlock], LinkCounts]:
    """Decode to the end of the stream; checks that counts and blocks agree."""
    counts = LinkCounts()
    decoder = make_decoder(link, counts)
    found: list[SampleBlock] = []
    total = 0
    for piece in pieces:
        total += len(piece)
        found += decoder.feed(piece)
    found += decoder.finish()
    assert counts.bytes == total
    assert counts.frames == len(found)
    assert counts.samples == sum(len(one.values) for one in found)
    return found, counts


def cut(stream: bytes, places: Sequence[int]) -> list[bytes]:
    """A stream cut at some places."""
    return [stream[start:stop] for start, stop in itertools.pairwise([0, *sorted(places), len(stream)])]


def rows(found: Iterable[SampleBlock]) -> list[tuple[float, ...]]:
    """Each sample as its number and all it carries, in order of arrival."""
    return [
        (one.counter + row, one.rate_hz, *map(_shown, values))
        for one in found
        for row, values in enumerate(one.values.tolist())
    ]


def _shown(value: float) -> float:
    return -999.0 if value != value else value


def as_told(found: Iterable[SampleBlock]) -> list[tuple[Any, ...]]:
    """Blocks as something that can be compared."""
    return [
        (
            *(one.counter, one.wraps_at, one.rate_hz, one.roles, one.device_time_us, one.stream, one.values.shape),
            *map(_shown, one.values.ravel().tolist()),
        )
        for one in found
    ]


def wrong_samples(found: Iterable[SampleBlock]) -> list[int]:
    """Counters of samples that are not what a device would have sent under this number."""
    wrong = []
    for one in found:
        true = block(one.counter, len(one.values), one.roles).values if set(one.roles) <= set(ROLES) else None
        for row, values in enumerate(one.values):
            if true is None or not np.array_equal(values, true[row]):
                wrong.append(one.counter + row)
    return wrong


def faults(counts: LinkCounts) -> dict[str, int]:
    """The counts of what was refused that are not 0."""
    return {name: getattr(counts, name) for name in FAULTS if getattr(counts, name)}
