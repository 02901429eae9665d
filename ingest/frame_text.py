"""The text format: one line a sample, numbers with a delimiter between. No input or output.

A line is what the sheet's `link.fields` say, in their order, ended by LF or CRLF; an empty field is not known. With
`checksum = "crc16"` a last field holds four hexadecimal digits: CRC-16/IBM-3740 of all before the last delimiter.
Without it a damaged digit can't be told. Only plain decimal numbers are numbers; any other text refuses its line.
"""

from __future__ import annotations

import math
import re

import numpy as np

from ingest.frame_admission import Admission, Refused
from ingest.frame_packed import checksum
from ingest.frame_split import Splitter
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import COUNTER, IGNORED, LinkLayout

END = b"\n"
# Longer than any double needs; bounded so that no line takes long to judge.
_NUMBER = rb"[+-]?(?:[0-9]{1,20}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:[eE][+-]?[0-9]{1,3})?"
_COUNTER = rb"[0-9]{1,19}"
_HEX = re.compile(rb"[0-9A-Fa-f]{4}")


def _line_pattern(layout: LinkLayout) -> re.Pattern[bytes]:
    delimiter = layout.delimiter.encode()
    blanks = b"" if delimiter == b" " else rb" {0,20}"
    fields = []
    for name in layout.fields:
        if name == IGNORED:
            fields.append(b"[^" + re.escape(delimiter) + b"]*")
        elif name == COUNTER:
            fields.append(blanks + b"(" + _COUNTER + b")" + blanks)
        else:
            fields.append(blanks + b"(" + _NUMBER + b")?" + blanks)
    return re.compile(re.escape(delimiter).join(fields), re.DOTALL)


class TextDecoder:
    """Decodes lines; see `ingest.link_block.Decoder`.

    On a serial line without checksum, what stands before the first line end is garbage: it may be the rest of a line
    whose counter has lost its first digits.
    """

    def __init__(self, layout: LinkLayout, counts: LinkCounts) -> None:
        self.counts = counts
        assert layout.rate_hz is not None
        self._rate_hz = layout.rate_hz
        self._messages = layout.mqtt is not None
        self._checked = layout.checksum == "crc16"
        joins = not self._messages and not self._checked
        self._splitter = Splitter(END, layout.longest_frame, counts, joins=joins)
        self._admission = Admission(layout, counts)
        self._delimiter = layout.delimiter.encode()
        self._pattern = _line_pattern(layout)
        self._wraps_at = layout.counter_wraps_at
        self._stream = layout.stream or 0
        named = [name for name in layout.fields if name != IGNORED]
        self._counter = named.index(COUNTER)
        self._roles = tuple(name for name in named if name != COUNTER)

    def feed(self, data: bytes) -> list[SampleBlock]:
        """Take the next bytes, or one message; its end then ends a line."""
        self.counts.bytes += len(data)
        lines = self._splitter.feed(data)
        if self._messages:
            lines.append(self._splitter.end())
        judged = (self._admission.judge(self._decoded(line)) for line in map(_without_return, lines) if line)
        return [block for block in judged if block is not None]

    def finish(self) -> list[SampleBlock]:
        """A line without an end may have lost its last digits: nothing."""
        return []

    def reset(self) -> None:
        """Forget half a line."""
        self._splitter.reset()

    def _decoded(self, line: bytes) -> SampleBlock | Refused:
        if self._checked:
            line, _, given = line.rpartition(self._delimiter)
            if not _HEX.fullmatch(given):
                return Refused("bad_checksums", "a line does not end in four hexadecimal digits")
            if int(given, 16) != checksum(line):
                return Refused("bad_checksums")
        match = self._pattern.fullmatch(line)
        if match is None:
            return Refused("bad_frames", f"no such fields: {line[:60].decode('latin-1')}")
        texts = list(match.groups())
        counter = int(texts.pop(self._counter))
        values = [math.nan if text is None else float(text) for text in texts]
        if math.inf in values or -math.inf in values:
            return Refused("bad_frames", "a number is out of range")
        return SampleBlock(
            counter=counter,
            wraps_at=self._wraps_at,
            rate_hz=self._rate_hz,
            roles=self._roles,
            values=np.array([values]),
            stream=self._stream,
        )


def _without_return(line: bytes) -> bytes:
    return line.removesuffix(b"\r")


class TextEncoder:
    """Encodes blocks as lines; the first begins with an empty line where the receiver skips up to a line end."""

    def __init__(self, layout: LinkLayout, roles: tuple[str, ...]) -> None:
        self._columns = [roles.index(name) if name in roles else None for name in layout.fields]
        self._counter = layout.fields.index(COUNTER)
        self._delimiter = layout.delimiter
        self._checked = layout.checksum == "crc16"
        self._wraps_at = layout.counter_wraps_at
        self._lead = b"" if self._checked or layout.mqtt is not None else END

    def encode(self, block: SampleBlock) -> bytes:
        """Return one line for each sample."""
        lead, self._lead = self._lead, b""
        return lead + b"".join(self._line(block, row) for row in range(len(block.values)))

    def _line(self, block: SampleBlock, row: int) -> bytes:
        texts = ["" if column is None else _text(float(block.values[row, column])) for column in self._columns]
        counter = block.counter + row
        texts[self._counter] = str(counter % self._wraps_at if self._wraps_at else counter)
        line = self._delimiter.join(texts).encode()
        if self._checked:
            line += f"{self._delimiter}{checksum(line):04X}".encode()
        return line + END


def _text(value: float) -> str:
    return repr(value).removesuffix(".0") if math.isfinite(value) else ""
