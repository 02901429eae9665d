"""The record format: one fixed binary record a sample, each led by sync bytes. No input or output.

On the line: sync bytes, the record as the sheet's `link.record` lays it out, and with `checksum = "crc16"` a
CRC-16/IBM-3740 over both, little-endian. Without a checksum a record is used only once the next sync bytes, or the end
of the message, stand right behind it: a record that has lost or gained bytes is then refused, but a damaged one can't
be told. After a refused record the search goes on one byte behind its beginning. Never raises while decoding.
"""

from __future__ import annotations

import math
import struct

import numpy as np

from ingest.errors import FrameError
from ingest.frame_admission import Admission, Refused
from ingest.frame_packed import checksum
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import COUNTER, IGNORED, LinkLayout
from ingest.text import clean

_CRC = struct.Struct("<H")


class RecordDecoder:
    """Decodes records; see `ingest.link_block.Decoder`."""

    def __init__(self, layout: LinkLayout, counts: LinkCounts) -> None:
        self.counts = counts
        assert layout.rate_hz is not None
        assert layout.record is not None
        assert layout.sync is not None
        self._rate_hz = layout.rate_hz
        self._sync = bytes.fromhex(layout.sync)
        self._record = struct.Struct(layout.record)
        self._checked = layout.checksum == "crc16"
        self._length = len(self._sync) + self._record.size + (_CRC.size if self._checked else 0)
        self._messages = layout.mqtt is not None
        self._admission = Admission(layout, counts)
        self._counter = layout.fields.index(COUNTER)
        self._columns = [place for place, name in enumerate(layout.fields) if name not in {COUNTER, IGNORED}]
        self._roles = tuple(layout.fields[place] for place in self._columns)
        self._wraps_at = layout.counter_wraps_at
        self._stream = layout.stream or 0
        self._carry = b""
        # Bytes from the carry's beginning on that belong to a record already counted as refused.
        self._refused = 0

    def feed(self, data: bytes) -> list[SampleBlock]:
        """Take the next bytes, or one message; its end then confirms a record as sync bytes do."""
        self.counts.bytes += len(data)
        blocks = self._scan(data, ended=False)
        if self._messages:
            blocks += self.finish()
            self.reset()
        return blocks

    def finish(self) -> list[SampleBlock]:
        """End of the stream: a whole record at its very end is used."""
        return self._scan(b"", ended=True)

    def reset(self) -> None:
        """Forget half a record."""
        self._skip(len(self._carry))
        self._carry = b""
        self._refused = 0

    def _scan(self, data: bytes, *, ended: bool) -> list[SampleBlock]:
        buffer = self._carry + data
        at = 0
        blocks = []
        while True:
            found = buffer.find(self._sync, at)
            if found < 0:
                # The last bytes may be the beginning of sync bytes.
                found = len(buffer) - self._sync_begun(buffer[at:])
                self._skip(found - at)
                at = found
                break
            self._skip(found - at)
            at = found
            sound = self._sound(buffer, at, ended=ended)
            if sound is None:
                break
            block = self._admission.judge(self._decoded(buffer, at) if sound else self._refusal())
            if not sound:
                self._refused = max(self._refused, self._length)
                self._skip(1)
                at += 1
                continue
            if block is not None:
                blocks.append(block)
            self._refused = max(0, self._refused - self._length)
            at += self._length
        self._carry = buffer[at:]
        return blocks

    def _sync_begun(self, rest: bytes) -> int:
        for length in range(min(len(self._sync) - 1, len(rest)), 0, -1):
            if rest.endswith(self._sync[:length]):
                return length
        return 0

    def _sound(self, buffer: bytes, at: int, *, ended: bool) -> bool | None:
        """Whether the record that begins here is one; None when the bytes at hand do not tell yet."""
        stop = at + self._length
        if len(buffer) < stop:
            return None
        if self._checked:
            given: int = _CRC.unpack_from(buffer, stop - _CRC.size)[0]
            return checksum(buffer[at : stop - _CRC.size]) == given
        behind = buffer[stop : stop + len(self._sync)]
        if len(behind) == len(self._sync) or not self._sync.startswith(behind):
            return behind == self._sync
        return True if ended else None

    def _refusal(self) -> Refused:
        return Refused("bad_checksums") if self._checked else Refused("bad_frames", "no sync bytes behind a record")

    def _skip(self, count: int) -> None:
        excused = min(count, self._refused)
        self._refused -= excused
        self.counts.garbage_bytes += count - excused

    def _decoded(self, buffer: bytes, at: int) -> SampleBlock:
        sent = self._record.unpack_from(buffer, at + len(self._sync))
        values = np.array([[float(sent[place]) for place in self._columns]])
        values[np.isinf(values)] = np.nan
        return SampleBlock(
            counter=sent[self._counter],
            wraps_at=self._wraps_at,
            rate_hz=self._rate_hz,
            roles=self._roles,
            values=values,
            stream=self._stream,
        )


class RecordEncoder:
    """Encodes blocks as records; ignored fields and roles that the blocks lack are sent as 0."""

    def __init__(self, layout: LinkLayout, roles: tuple[str, ...]) -> None:
        assert layout.record is not None
        assert layout.sync is not None
        self._sync = bytes.fromhex(layout.sync)
        self._record = struct.Struct(layout.record)
        self._checked = layout.checksum == "crc16"
        self._names = layout.fields
        self._columns = [roles.index(name) if name in roles else None for name in layout.fields]
        self._counter = layout.fields.index(COUNTER)
        # What an ignored field is filled with: of the type that the layout has there.
        self._blank = self._record.unpack(bytes(self._record.size))
        self._wraps_at = layout.counter_wraps_at

    def encode(self, block: SampleBlock) -> bytes:
        """Return one record for each sample; raises `FrameError` for a value that the record can't hold."""
        return b"".join(self._one(block, row) for row in range(len(block.values)))

    def _one(self, block: SampleBlock, row: int) -> bytes:
        sent = list(self._blank)
        for place, column in enumerate(self._columns):
            if column is not None:
                sent[place] = self._fitting(place, float(block.values[row, column]))
        counter = block.counter + row
        sent[self._counter] = counter % self._wraps_at if self._wraps_at else counter
        try:
            record = self._sync + self._record.pack(*sent)
        except (struct.error, OverflowError) as error:
            raise FrameError(f"link.record can't hold sample {counter}: {clean(error)}") from None
        return record + _CRC.pack(checksum(record)) if self._checked else record

    def _fitting(self, place: int, value: float) -> float | int:
        if not isinstance(self._blank[place], int):
            return value
        if not math.isfinite(value):
            raise FrameError(f"link.record: {self._names[place]} is not known, and an integer can't say so")
        return round(value)
