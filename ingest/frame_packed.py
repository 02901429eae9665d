"""The packed format: self-describing binary frames for a serial line or any stream of bytes. No input or output.

A frame is the COBS encoding (S. Cheshire, M. Baker: "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), 1999) of a body, ended by a zero byte. The body, little-endian: version, stream, counter of the first
sample, device time, rate, channel set, sample type, number of samples, the samples one after the other, and a
CRC-16/IBM-3740 over all before it. Decoding never raises: `decoded` gives a block or why there is none.
"""

from __future__ import annotations

import binascii
import struct
from functools import lru_cache
from typing import Any

import numpy as np
from cobs import cobs  # type: ignore[import-untyped]
from numpy.typing import NDArray

from ingest.chunk import Floats
from ingest.frame_admission import MOST_SAMPLES, VERSION, Admission, Refused
from ingest.frame_split import Splitter
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import LINK_ROLES, LinkLayout

DELIMITER = b"\0"
WRAPS_AT = 2**32
# Version, stream, counter, device time us, rate mHz, channel set, sample type, number of samples.
_HEADER = struct.Struct("<BBIQIHBH")
_CRC = struct.Struct("<H")
_SAMPLE_TYPES: dict[int, np.dtype[Any]] = {1: np.dtype("<i2"), 2: np.dtype("<f4")}
_UNKNOWN_INT16 = -32768


def checksum(data: bytes) -> int:
    """CRC-16/IBM-3740 of `data`.

    Examples
    --------
    >>> f"{checksum(b'123456789'):04X}"
    '29B1'
    """
    return binascii.crc_hqx(data, 0xFFFF)


def decoded(frame: bytes) -> SampleBlock | Refused:
    """Return the block of one frame, given without its delimiter, or why there is none."""
    try:
        body: bytes = cobs.decode(frame)
    except cobs.DecodeError:
        return Refused("bad_frames", "no valid COBS")
    if len(body) < _HEADER.size + _CRC.size:
        return Refused("bad_frames", f"a frame of {len(body)} bytes is too short")
    if checksum(body[: -_CRC.size]) != _CRC.unpack_from(body, len(body) - _CRC.size)[0]:
        return Refused("bad_checksums")
    version, stream, counter, time_us, rate_mhz, channels, kind, count = _HEADER.unpack_from(body)
    if version != VERSION:
        return Refused("bad_headers", f"frame version {version}, known is {VERSION}")
    if channels == 0 or channels >> len(LINK_ROLES):
        return Refused("bad_headers", f"channel set {channels:#06x} holds none or unknown channels")
    if kind not in _SAMPLE_TYPES:
        return Refused("bad_headers", f"sample type {kind} is not known")
    roles = _roles(channels)
    sample_type = _SAMPLE_TYPES[kind]
    size = len(body) - _HEADER.size - _CRC.size
    if not 1 <= count <= MOST_SAMPLES or size != count * len(roles) * sample_type.itemsize:
        return Refused("bad_headers", f"{count} samples of {len(roles)} channels do not fit {size} bytes")
    sent = np.frombuffer(body, sample_type, count * len(roles), _HEADER.size).reshape(count, len(roles))
    return SampleBlock(
        counter=counter,
        wraps_at=WRAPS_AT,
        rate_hz=rate_mhz / 1000.0,
        roles=roles,
        values=_known(sent),
        device_time_us=time_us or None,
        stream=stream,
    )


@lru_cache(maxsize=64)
def _roles(channels: int) -> tuple[str, ...]:
    return tuple(role for bit, role in enumerate(LINK_ROLES) if channels >> bit & 1)


def _known(sent: NDArray[Any]) -> Floats:
    if sent.dtype.kind == "i":
        values: Floats = sent.astype(np.float64)
        values[sent == _UNKNOWN_INT16] = np.nan
        return values
    with np.errstate(invalid="ignore"):  # a signalling NaN
        values = sent.astype(np.float64)
    values[np.isinf(values)] = np.nan
    return values


class PackedDecoder:
    """Decodes a stream of packed frames; see `ingest.link_block.Decoder`."""

    def __init__(self, layout: LinkLayout, counts: LinkCounts) -> None:
        self.counts = counts
        self._splitter = Splitter(DELIMITER, layout.longest_frame, counts)
        self._admission = Admission(layout, counts)
        self._messages = layout.mqtt is not None

    def feed(self, data: bytes) -> list[SampleBlock]:
        """Take the next bytes, or one message; its end then ends a frame as a delimiter does."""
        self.counts.bytes += len(data)
        frames = self._splitter.feed(data)
        if self._messages:
            frames.append(self._splitter.end())
        judged = (self._admission.judge(decoded(frame)) for frame in frames if frame)
        return [block for block in judged if block is not None]

    def finish(self) -> list[SampleBlock]:
        """Nothing is ever held back."""
        return []

    def reset(self) -> None:
        """Forget half a frame."""
        self._splitter.reset()


class PackedEncoder:
    """Encodes blocks as packed frames, as int16 where that loses nothing, else as float32.

    A block that is too long for one frame becomes several.
    """

    def __init__(self, layout: LinkLayout, roles: tuple[str, ...], rate_hz: float) -> None:
        self._order = [roles.index(role) for role in LINK_ROLES if role in roles]
        self._channels = sum(1 << bit for bit, role in enumerate(LINK_ROLES) if role in roles)
        self._rate_mhz = round(rate_hz * 1000.0)
        # One byte in 254, and one, is what COBS adds at most.
        room = layout.longest_frame * 254 // 255 - 1 - _HEADER.size - _CRC.size
        self._most = max(1, min(MOST_SAMPLES, room // (4 * len(roles))))
        self._stream = layout.stream

    def encode(self, block: SampleBlock) -> bytes:
        """Return the frames of one block, each with its delimiter."""
        frames = []
        for start in range(0, len(block.values), self._most):
            values = block.values[start : start + self._most, self._order]
            frames.append(self._frame(block, start, values))
        return b"".join(frames)

    def _frame(self, block: SampleBlock, start: int, values: Floats) -> bytes:
        unknown = ~np.isfinite(values)
        whole = np.where(unknown, 0.0, values)
        if (np.rint(whole) == whole).all() and (np.abs(whole) <= 32767).all():
            kind, sent = 1, np.where(unknown, _UNKNOWN_INT16, whole).astype(_SAMPLE_TYPES[1]).tobytes()
        else:
            with np.errstate(over="ignore"):
                kind, sent = 2, np.where(unknown, np.nan, values).astype(_SAMPLE_TYPES[2]).tobytes()
        time_us = block.device_time_us
        if time_us:
            time_us = round(time_us + start * 1e9 / self._rate_mhz)
        body = _HEADER.pack(
            VERSION,
            block.stream if self._stream is None else self._stream,
            (block.counter + start) % WRAPS_AT,
            time_us or 0,
            self._rate_mhz,
            self._channels,
            kind,
            len(values),
        )
        body += sent
        frame: bytes = cobs.encode(body + _CRC.pack(checksum(body))) + DELIMITER
        return frame
