"""A recording as a log: what was received goes through the decoder again and comes out as chunks.

In: a recording and the car sheet whose `link` says how the bytes are laid out. Out: `Chunk`s as from any
`ingest.log.Log`, and an account of the link (`link_counts`) and of the file (`damage`). Where blocks of the recording
are missing, or the link was lost, nothing half received is completed. Raises `LogError` on opening; nothing after that.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ingest.assembler import Assembler
from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.framing import make_decoder
from ingest.link_block import Decoder, LinkCounts
from ingest.log import Log
from ingest.log_counts import LogCounts
from ingest.recording_block import unpack_json
from ingest.recording_header import describe_layout
from ingest.recording_reader import Damage, Entry, Recording, open_recording
from ingest.sheet import Sheet
from ingest.sheet_link import LinkLayout
from ingest.text import clean

SILENCE = "silence"  # name of the event that the watchdog of a live run records
EVENTS_KEPT = 10_000  # hours of alerts and lost links; older ones are let go


@dataclass(frozen=True)
class Event:
    """Something that the recorder was told: a name, when, and values as they were given."""

    name: str
    monotonic_ns: int
    wall_ns: int
    values: dict[str, object]


class RecordingLog(Log):
    """An open recording that behaves like any log.

    Attributes
    ----------
    link_counts : LinkCounts
        What the decoder and the assembler found so far.
    notes : tuple of str
        What a person should know of this recording and this sheet, one line each.
    """

    is_recording = True

    def __init__(self, path: str, sheet: Sheet) -> None:
        self._place = clean(path, 200)
        if sheet.link is None:
            raise LogError(
                f"{self._place}: is a recording of a link, but the car sheet has no [link] that says how its bytes are"
                " laid out"
            )
        self.path = path
        self.counts = LogCounts()
        self.link_counts = LinkCounts()
        self._recording = open_recording(path)
        self.size_bytes = self._recording.size_bytes
        self.header = self._recording.header
        self.notes = tuple(_notes(self.header, sheet.link))
        self._events: deque[Event] = deque(maxlen=EVENTS_KEPT)
        self._decoder = make_decoder(sheet.link, self.link_counts)
        self._assembler = Assembler(sheet, self.link_counts)
        self._chunks = self._decoded()
        # The first chunk is read at once, because only then are the rate and the channels known.
        self._first: Chunk | None = next(self._chunks, None)
        if self._first is None:
            self.close()
            raise LogError(f"{self._place}: {self._why_nothing()}")
        self.rate_hz = self._first.rate_hz
        self.roles = self._assembler.roles or ()

    @property
    def damage(self) -> Damage:
        """What is wrong with the file, as far as it has been read."""
        return self._recording.damage

    @property
    def events(self) -> tuple[Event, ...]:
        """The latest events as far as the recording has been read, oldest first."""
        return tuple(self._events)

    def progress(self) -> float:
        """Share of the recording that has been read, 0 to 1."""
        return self._recording.progress()

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self._recording.close()

    def _decoded(self) -> Iterator[Chunk]:
        for entry in payloads(self._recording, self._decoder, self._events, with_silences=True):
            if entry.kind == "event":
                # The watchdog had its say here during the run; without it a replay would not know of the silence.
                rate_hz = self._assembler.rate_hz
                if rate_hz is not None:
                    yield Chunk(0, rate_hz, np.empty((0, 4)), silent=True)
                continue
            for chunk in self._assembler.take(self._decoder.feed(entry.payload)):
                yield self._counted(chunk)
            self._fill_counts()
        for chunk in (*self._assembler.take(self._decoder.finish()), *self._assembler.finish()):
            yield self._counted(chunk)
        self._fill_counts()

    def _counted(self, chunk: Chunk) -> Chunk:
        self.counts.samples += len(chunk)
        self._fill_counts()
        return chunk

    def _fill_counts(self) -> None:
        """What a log counts in rows, a link counts in samples."""
        link, counts = self.link_counts, self.counts
        counts.rows_read = link.samples
        counts.missing_samples, counts.gaps, counts.restarts = link.missing_samples, link.gaps, link.restarts
        counts.repeated_rows, counts.late_rows = link.duplicate_samples, link.late_samples

    def _why_nothing(self) -> str:
        counts = self.link_counts
        if not counts.bytes:
            return "nothing was received in this recording"
        refused = [f"{number} {name.replace('_', ' ')}" for name, number in counts.numbers().items() if number]
        return f"not one sample can be decoded ({', '.join(refused)}); does the sheet's [link] fit this recording?"


def payloads(
    recording: Recording, decoder: Decoder, events: deque[Event] | None = None, *, with_silences: bool = False
) -> Iterator[Entry]:
    """What was received, in order; resets the decoder where the bytes do not follow on from those before.

    Parameters
    ----------
    recording : Recording
        Read to its end.
    decoder : Decoder
        Reset at an empty payload, which a link gives when its connection is new, and where blocks are missing.
    events : deque of Event, optional
        Events on the way are added.
    with_silences : bool
        Give the watchdog's events too, in their place.
    """
    before: int | None = None
    for entry in recording:
        if before is not None and entry.sequence != before + 1:
            decoder.reset()
        before = entry.sequence
        if entry.kind == "data":
            if entry.payload:
                yield entry
            else:
                decoder.reset()
        elif entry.kind == "event":
            event = _event(entry)
            if event.name in {"payloads_lost", "payload_too_long"}:
                decoder.reset()
            if events is not None:
                events.append(event)
            if with_silences and event.name == SILENCE:
                yield entry


def _event(entry: Entry) -> Event:
    said = unpack_json(entry.payload) or {}
    values = said.get("values")
    name = clean(said.get("name", ""), 100)
    return Event(name, entry.monotonic_ns, entry.wall_ns, values if isinstance(values, dict) else {})


def _notes(header: dict[str, object], link: LinkLayout) -> Iterator[str]:
    if not header:
        yield "the recording's header is lost: what car and what layout it was made with can't be checked"
        return
    recorded, wanted = header.get("link"), describe_layout(link)
    if isinstance(recorded, dict):
        differs = [clean(key, 40) for key, value in wanted.items() if key in recorded and recorded[key] != value]
        if differs:
            yield f"the recording was made with another link.{', link.'.join(differs)} than the car sheet has"
