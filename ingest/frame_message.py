"""The JSON and CBOR formats: one message holds one block of samples as a map. No input or output.

{"v": 1, "stream": 0, "counter": n, "time_us": t, "rate_hz": r, "channels": [roles], "samples": [[...], ...]}, null for
a value that is not known; `stream` and `time_us` may be left out, further keys are ignored. What comes is bounded in
size, depth and types before it is used; true is no number, and neither are NaN and infinity. Never raises on any input.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, Never

import cbor2
import numpy as np

from ingest.chunk import Floats
from ingest.errors import FrameError
from ingest.frame_admission import MOST_SAMPLES, VERSION, Admission, Refused
from ingest.frame_cbor import plain_map
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import LINK_ROLES, LinkLayout

_KNOWN = frozenset(LINK_ROLES)
# A device clock in microseconds fits 64 bits, in the packed format too.
_TIME_END_US = 2**64
_NUMBERS = frozenset({int, float, type(None)})


class _NotPlainError(ValueError):
    """A message holds something that no sample message may hold."""


def from_json(payload: bytes) -> object:
    """Return what a JSON text holds; raises `ValueError` or `RecursionError` for what is none."""
    return json.loads(payload.decode("utf-8"), object_pairs_hook=_unrepeated, parse_constant=_refuse)


def _unrepeated(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _NotPlainError("a key stands twice")
    return found


def _refuse(name: str) -> Never:
    raise _NotPlainError(f"{name} is no number")


def from_cbor(payload: bytes) -> object:
    """Return what a CBOR item holds; raises `ValueError` for what is none, or no plain map."""
    pairs = plain_map(payload)
    try:
        found = cbor2.loads(payload)
    except cbor2.CBORDecodeError as error:
        raise _NotPlainError(str(error)) from None
    if not isinstance(found, dict) or len(found) != pairs:
        raise _NotPlainError("a key stands twice")
    return found


def block_of(message: object, wraps_at: int | None) -> SampleBlock | Refused:
    """Return the block that a decoded message holds, or why there is none."""
    if not isinstance(message, dict):
        return Refused("bad_frames", "a message is no map")
    if not _whole(message.get("v"), VERSION, VERSION + 1):
        return Refused("bad_headers", f'"v" is not {VERSION}')
    stream, counter, time_us = message.get("stream", 0), message.get("counter"), message.get("time_us")
    if not _whole(stream, 0, 256):
        return Refused("bad_headers", '"stream" is no whole number from 0 to 255')
    if type(counter) is not int:
        return Refused("bad_headers", '"counter" is no whole number')
    if time_us is not None and not _whole(time_us, 0, _TIME_END_US):
        return Refused("bad_headers", '"time_us" is no whole number of microseconds')
    rate_hz = _number(message.get("rate_hz"))
    if rate_hz is None:
        return Refused("bad_headers", '"rate_hz" is no number')
    channels = _roles(message.get("channels"))
    if channels is None:
        return Refused("bad_headers", '"channels" are not known roles, each once')
    samples = message.get("samples")
    if type(samples) is not list or not 1 <= len(samples) <= MOST_SAMPLES:
        return Refused("bad_headers", f'"samples" is no list of 1 to {MOST_SAMPLES}')
    values = _values(samples, len(channels))
    if values is None:
        return Refused("bad_frames", '"samples" holds what is no number, or not one for each channel')
    return SampleBlock(counter, wraps_at, rate_hz, channels, values, time_us or None, stream)


def _whole(value: object, start: int, stop: int) -> bool:
    return type(value) is int and start <= value < stop


def _number(value: object) -> float | None:
    # An integer may be too large for a double, and no rate is near that.
    if type(value) is int and abs(value) < 2**53:
        return float(value)
    return value if type(value) is float and math.isfinite(value) else None


def _roles(channels: object) -> tuple[str, ...] | None:
    if type(channels) is not list or not 1 <= len(channels) <= len(LINK_ROLES):
        return None
    if not all(type(role) is str and role in _KNOWN for role in channels) or len(set(channels)) != len(channels):
        return None
    return tuple(channels)


def _values(samples: list[Any], width: int) -> Floats | None:
    """Samples as an array of shape (n_samples, width), NaN for null; None when they are no such thing."""
    if any(type(row) is not list or len(row) != width for row in samples):
        return None
    flat = [value for row in samples for value in row]
    if not _NUMBERS.issuperset(map(type, flat)):
        return None
    try:
        values = np.array(flat, dtype=np.float64)
    except OverflowError:
        return None
    # Every NaN must come from a null, and nothing may be infinite.
    return values.reshape(-1, width) if int(np.isfinite(values).sum()) == len(flat) - flat.count(None) else None


class MessageDecoder:
    """Decodes messages, each given whole; see `ingest.link_block.Decoder`."""

    def __init__(self, layout: LinkLayout, counts: LinkCounts) -> None:
        self.counts = counts
        self._longest = layout.longest_frame
        self._wraps_at = layout.counter_wraps_at
        self._read: Callable[[bytes], object] = from_json if layout.format == "json" else from_cbor
        self._admission = Admission(layout, counts)

    def feed(self, data: bytes) -> list[SampleBlock]:
        """Take one whole message."""
        self.counts.bytes += len(data)
        block = self._admission.judge(self._decoded(data))
        return [] if block is None else [block]

    def finish(self) -> list[SampleBlock]:
        """Nothing is ever held back."""
        return []

    def reset(self) -> None:
        """Nothing is ever half received."""

    def _decoded(self, payload: bytes) -> SampleBlock | Refused:
        if len(payload) > self._longest:
            return Refused("long_frames")
        try:
            message = self._read(payload)
        except (ValueError, RecursionError) as error:
            return Refused("bad_frames", "nested too deeply" if isinstance(error, RecursionError) else str(error))
        return block_of(message, self._wraps_at)


class MessageEncoder:
    """Encodes each block as one message."""

    def __init__(self, layout: LinkLayout, roles: tuple[str, ...], rate_hz: float) -> None:
        self._json = layout.format == "json"
        self._roles = roles
        self._rate_hz = rate_hz
        self._wraps_at = layout.counter_wraps_at
        self._stream = layout.stream
        self._longest = layout.longest_frame

    def encode(self, block: SampleBlock) -> bytes:
        """Return the message; raises `FrameError` when the block is too long for one."""
        message = {
            "v": VERSION,
            "stream": block.stream if self._stream is None else self._stream,
            "counter": block.counter % self._wraps_at if self._wraps_at else block.counter,
            "time_us": block.device_time_us or 0,
            "rate_hz": _short(self._rate_hz),
            "channels": list(self._roles),
            "samples": [[_short(value) for value in row] for row in block.values.tolist()],
        }
        if self._json:
            payload = json.dumps(message, allow_nan=False, separators=(",", ":")).encode()
        else:
            payload = cbor2.dumps(message)
        if len(block.values) > MOST_SAMPLES or len(payload) > self._longest:
            raise FrameError(
                f"{len(block.values)} samples make a message of {len(payload)} bytes; send at most {MOST_SAMPLES} "
                f"samples and {self._longest} bytes (link.longest_frame) at once"
            )
        return payload


def _short(value: float) -> float | int | None:
    if not math.isfinite(value):
        return None
    # Beyond 2**53 a whole number in decimal is no shorter.
    return int(value) if value == int(value) and abs(value) < 2**53 else value
