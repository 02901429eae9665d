"""What decoders give and count: blocks of samples as they were sent, and everything that could not be used.

Plain data. Values are as a log would hold them, before scale, offset and unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Protocol

from ingest.chunk import Floats


@dataclass(frozen=True)
class SampleBlock:
    """Some samples in a row, as one frame or message carried them.

    Attributes
    ----------
    counter : int
        The device's counter at the first sample, as sent.
    wraps_at : int or None
        Value at which the counter starts again at 0; None when it never does.
    rate_hz : float
        Nominal sample rate.
    roles : tuple of str
        What the columns are (see `ingest.sheet_link.LINK_ROLES`).
    values : array of shape (n_samples, n_roles)
        As sent; NaN where a value is not known.
    device_time_us : int or None
        Device clock at the first sample; only ever shown.
    stream : int
        Which stream of the device.
    """

    counter: int
    wraps_at: int | None
    rate_hz: float
    roles: tuple[str, ...]
    values: Floats
    device_time_us: int | None = None
    stream: int = 0


@dataclass
class LinkCounts:
    """Totals over one link, by kind. Every received byte and every sample ends in one of them.

    `frames` counts frames and messages that were used; `samples` their samples. Refused: `long_frames` (longer than
    the limit), `bad_frames` (no valid COBS, JSON or CBOR, wrong number of fields, a text that is no number),
    `bad_checksums`, `bad_headers` (unknown version, absurd count or rate, channels that do not fit), `other_streams`
    (valid, but not the stream the sheet wants), `garbage_bytes` (bytes between frames). Order, in samples:
    `duplicate_samples`, `late_samples` (came after their place was given up), `missing_samples` in `gaps`;
    `reordered_frames` were put right; `restarts` of the counter. `dropped_messages` were lost to a full queue here.
    """

    bytes: int = 0
    frames: int = 0
    samples: int = 0
    long_frames: int = 0
    bad_frames: int = 0
    bad_checksums: int = 0
    bad_headers: int = 0
    other_streams: int = 0
    garbage_bytes: int = 0
    reordered_frames: int = 0
    duplicate_samples: int = 0
    late_samples: int = 0
    missing_samples: int = 0
    gaps: int = 0
    restarts: int = 0
    dropped_messages: int = 0
    notes: dict[str, str] = field(default_factory=dict)

    @property
    def refused(self) -> int:
        """Frames that could not be used, of whatever kind."""
        return self.long_frames + self.bad_frames + self.bad_checksums + self.bad_headers

    def numbers(self) -> dict[str, int]:
        """All counters by name."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "notes"}


class Decoder(Protocol):
    """Turns bytes into blocks. Never raises on any input; counts what it can't use."""

    counts: LinkCounts

    def feed(self, data: bytes) -> list[SampleBlock]:
        """Take the next bytes of a stream (any split), or one whole message where the link has messages."""
        ...

    def finish(self) -> list[SampleBlock]:
        """No more bytes will come: the blocks that waited for what follows them (records without checksum)."""
        ...

    def reset(self) -> None:
        """The connection was lost: what is half received will not be completed."""
        ...
