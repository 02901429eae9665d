"""What a frame of any format must hold to be used: counter, rate, stream and channels within what can be true.

In: a block that a format has decoded. Out: the same block, counted as used, or None with the reason counted and, for
people, noted. No input or output. Never raises.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import LinkLayout
from ingest.text import clean

# Beyond this a double, in which the sample axis is kept, no longer tells whole numbers apart.
COUNTER_END = 2**53
# Four seconds at 1 kHz: more in one frame is news too old for a live link, or a damaged count.
MOST_SAMPLES = 4096
# The same limits as the sheet's `rate_hz`.
LOWEST_RATE_HZ = 20.0
HIGHEST_RATE_HZ = 20_000.0
VERSION = 1

Refusal = Literal["long_frames", "bad_frames", "bad_checksums", "bad_headers", "other_streams"]


@dataclass(frozen=True)
class Refused:
    """Why a frame is not used: the field of `LinkCounts` and, where it tells something, words for a person."""

    kind: Refusal
    why: str = ""


@dataclass
class Admission:
    """Admits blocks and counts refusals.

    Parameters
    ----------
    layout : LinkLayout
        The sheet's `link`. Without a `stream` in it, the first stream heard is the one wanted.
    counts : LinkCounts
        Every verdict is added here.
    """

    layout: LinkLayout
    counts: LinkCounts
    _stream: int | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self._stream = self.layout.stream

    def judge(self, decoded: SampleBlock | Refused) -> SampleBlock | None:
        """Return the block when it is one to use; count the verdict."""
        verdict = self._verdict(decoded) if isinstance(decoded, SampleBlock) else decoded
        if isinstance(verdict, SampleBlock):
            self.counts.frames += 1
            self.counts.samples += len(verdict.values)
            return verdict
        setattr(self.counts, verdict.kind, getattr(self.counts, verdict.kind) + 1)
        if verdict.why:
            self.counts.notes.setdefault(verdict.kind, clean(verdict.why))
        return None

    def _verdict(self, block: SampleBlock) -> SampleBlock | Refused:
        if self._stream is not None and block.stream != self._stream:
            return Refused("other_streams", f"stream {block.stream} is not used, stream {self._stream} is")
        end = COUNTER_END if block.wraps_at is None else min(block.wraps_at, COUNTER_END)
        if not 0 <= block.counter < end:
            return Refused("bad_headers", f"counter {clean(block.counter, 30)} is not below {end}")
        if not LOWEST_RATE_HZ <= block.rate_hz <= HIGHEST_RATE_HZ:
            return Refused("bad_headers", f"a rate of {block.rate_hz:g} Hz is out of range")
        wanted_hz = self.layout.rate_hz
        # To 1 mHz, the resolution of a packed frame.
        if wanted_hz is not None and abs(block.rate_hz - wanted_hz) > 0.001:
            return Refused("bad_headers", f"a rate of {block.rate_hz:g} Hz, but link.rate_hz = {wanted_hz:g}")
        self._stream = block.stream
        return block
