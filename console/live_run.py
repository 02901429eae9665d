"""One car's live run: bytes from a link to all that a run has, by itself or beside those of other cars.

In: a sheet with a `link`, what the command line chose, payloads from the link. Out: steps to the run's ends; what
arrives is recorded before all else, and every sample ends up used or counted. A silent link trips its alarm by the
watchdog. Opening raises what `console.watch.watch` raises; after that links and recorders raise nothing.
"""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from console.desk import Desk
from console.ends import Ends, restored_words
from console.hands import Hands
from console.live import ArrivalClock, LiveStatus, count_words
from console.outlet import Outlet, Place
from console.reference import Reference
from console.replay import program_version
from console.results import ResultsWriter
from console.stopping import Stopping
from dsp import libraries
from ingest.assembler import Assembler
from ingest.chunk import Chunk
from ingest.framing import make_decoder
from ingest.inbox import Inbox, Link, Received
from ingest.link_block import LinkCounts, SampleBlock
from ingest.log_counts import LogCounts
from ingest.recording import Recorder
from ingest.recording_header import describe_run
from ingest.recording_log import SILENCE
from ingest.sheet import Sheet
from ingest.sheet_link import LinkLayout
from ingest.text import clean

_LOOK_EVERY_S = 0.1
_STATUS_S = 0.05  # what is told of the link beside a step may be this old; a look brings it up to date
_WAIT_S = 0.05  # longest sleep between looks at the watchdog and the board
_WHOLE_MESSAGES = {"json", "cbor"}


@dataclass(frozen=True)
class WatchOptions:
    """What the command line chose. `recordings` None records nothing; `seconds` ends the run by itself.

    `journal` keeps the alarms over a restart; None keeps nothing. `rehearsal` marks all that comes of the run as one.
    """

    recordings: Path | None
    results: Path | None = None
    overwrite: bool = False
    reference: Path | None = None
    seconds: float | None = None
    desk: Desk | None = None
    journal: Path | None = None
    hands: Hands | None = None
    rehearsal: bool = False


MakeLink = Callable[[LinkLayout, Callable[[Received], None], Inbox], Link]


def make_link(layout: LinkLayout, tap: Callable[[Received], None], inbox: Inbox) -> Link:
    """The link that the sheet describes, not started."""
    if layout.serial is not None:
        from ingest.serial_link import SerialLink

        return SerialLink(layout.serial, tap, inbox)
    assert layout.mqtt is not None
    from ingest.mqtt_link import MqttLink

    return MqttLink(layout.mqtt, tap, inbox, status_topic=layout.mqtt.status_topic)


def link_name(layout: LinkLayout) -> str:
    """The link in a few words, without anything secret."""
    if layout.serial is not None:
        return clean(f"{layout.serial.port} at {layout.serial.baud}", 80)
    assert layout.mqtt is not None
    return clean(f"{layout.mqtt.host}:{layout.mqtt.port}/{layout.mqtt.topic}", 80)


def dropped_words(dropped: int) -> str:
    """That the chain fell behind, in words that change with each power of ten and not with every message.

    Examples
    --------
    >>> dropped_words(0), dropped_words(345)
    ('', 'fell behind: 100 or more messages dropped, the oldest first')
    """
    if not dropped:
        return ""
    return f"fell behind: {10 ** (len(str(dropped)) - 1)} or more messages dropped, the oldest first"


def open_run(
    sheet: Sheet,
    sheet_text: str,
    outlet: Outlet,
    options: WatchOptions,
    say: Callable[[str], None],
    reference: Reference | None,
    stopping: Stopping,
    inbox: Inbox | None = None,
) -> LiveRun:
    """Open all that one car's live run writes to; the caller closes the run. Raises as `watch` does."""
    writer = None
    if options.results is not None:
        writer = ResultsWriter(options.results, overwrite=options.overwrite)
    try:
        journal = None if options.journal is None else Journal.open(options.journal, sheet.car.name)
    except BaseException:
        if writer is not None:
            writer.close()
        raise
    recorder = None
    if options.recordings is not None:
        recorder = Recorder(options.recordings, describe_run(sheet, sheet_text, program_version()))
    run = LiveRun(sheet, recorder, say, reference, stopping, inbox or Inbox())
    run.ends = Ends(outlet, writer, journal, options.desk, options.hands, run.record)
    run.reference_name = None if options.reference is None else clean(options.reference, 200)
    return run


class LiveRun:
    """One car's live run: by itself with `run`, or beside others with `begin`, `turn`, `look` and `stop`."""

    def __init__(
        self,
        sheet: Sheet,
        recorder: Recorder | None,
        say: Callable[[str], None],
        reference: Reference | None,
        stopping: Stopping,
        inbox: Inbox,
    ) -> None:
        assert sheet.link is not None
        self._sheet = sheet
        self._layout = sheet.link
        self._link_name = link_name(sheet.link)
        self._told: LiveStatus | None = None
        self._told_s = -math.inf
        self.ends: Ends  # set before `run`; they need this run's `record`
        self.reference_name: str | None = None
        self._recorder = recorder
        self._say = say
        self._reference = reference
        self._stopping = stopping
        self._counts = LinkCounts()
        self._decoder = make_decoder(self._layout, self._counts)
        self._assembler = Assembler(sheet, self._counts)
        self._inbox = inbox
        self._long: Received | None = None  # a payload too long for one turn, and how much of it has been taken
        self._long_taken = 0
        self._link: Link | None = None
        self._monitor: Monitor | None = None
        self._arrivals = ArrivalClock(1.0)
        self._first_sample = 0
        self._time_s = 0.0
        self._said = ""
        self._silent_said = False

    @property
    def monitor(self) -> Monitor | None:
        """The monitor, once a sample has come."""
        return self._monitor

    def run(self, link_maker: MakeLink, seconds: float | None) -> None:
        """Receive until told to stop."""
        self.begin(link_maker)
        end = None if seconds is None else time.monotonic() + seconds
        try:
            while not self._stopping.wanted and (end is None or time.monotonic() < end):
                waiting = self._inbox.take(_WAIT_S)
                now_s = time.monotonic()
                self._take_all(waiting)
                self.look(now_s)
        finally:
            self.stop()
        self._take_all(self._inbox.take(0.0))

    def begin(self, link_maker: MakeLink) -> None:
        """Make the link and start it."""
        libraries.load()
        self._link = link_maker(self._layout, self._tap, self._inbox)
        self._link.start()

    def stop(self) -> None:
        """Stop the link; what has arrived stays to be taken."""
        if self._link is not None:
            self._link.stop()

    def turn(self, most_bytes: int) -> bool:
        """Take some of what has arrived, in one piece where it is one: a chunk costs the same long or short.

        Returns whether anything was taken. `most_bytes` bounds what one car can cost the others at a time.
        """
        waiting = self._some(most_bytes)
        blocks: list[SampleBlock] = []
        newest: Received | None = None
        for received in waiting:
            if not received.payload:
                self._digest(blocks, newest)
                blocks = []
                self._decoder.reset()
                self._arrivals.restarted()
            else:
                blocks += self._decoder.feed(received.payload)
                newest = received
        self._digest(blocks, newest)
        return bool(waiting)

    def discard(self) -> int:
        """Throw away what has arrived, for a run that can't go on; the recording has it. Returns how many payloads."""
        self._long = None
        return len(self._inbox.take_some(2**62))

    def _some(self, most_bytes: int) -> list[Received]:
        """What to take now: of a stream a long payload comes in pieces; a message must come whole."""
        waiting, begin = [self._long] if self._long is not None else self._inbox.take_some(most_bytes), self._long_taken
        self._long, self._long_taken = None, 0
        if not waiting:
            return []
        last = waiting[-1]
        if len(last.payload) - begin > most_bytes and self._layout.format not in _WHOLE_MESSAGES:
            # Only the piece is copied, never what is left.
            self._long, self._long_taken = last, begin + most_bytes
            waiting[-1] = replace(last, payload=last.payload[begin : begin + most_bytes])
        elif begin:
            waiting[-1] = replace(last, payload=last.payload[begin:])
        return waiting

    def _digest(self, blocks: list[SampleBlock], newest: Received | None) -> None:
        if newest is None:
            return
        for chunk in self._assembler.take(blocks):
            self._process(chunk)
            if len(chunk):
                self._arrivals.arrived(newest.monotonic_ns / 1e9, chunk.first_sample + len(chunk), len(chunk))

    def close(self) -> None:
        """Close what was opened; closing twice does no harm."""
        gc.unfreeze()
        try:
            self.ends.close(self._monitor, "the watch ended")
        finally:
            if self._recorder is not None:
                self._recorder.close()

    @property
    def behind(self) -> bool:
        """Whether something that has arrived still waits to be taken."""
        return self._long is not None or self._inbox.waiting

    @property
    def age_s(self) -> float:
        """Age of the newest sample; NaN before the first."""
        return self._arrivals.age_s(time.monotonic())

    @property
    def dropped(self) -> int:
        """Messages that were dropped because the chain had fallen behind."""
        return self._inbox.dropped

    @property
    def link_words(self) -> str:
        """How the link stands: one word and, unless it is open, why."""
        if self._link is None:
            return "not started"
        state = self._link.state
        return "open" if state.word == "open" else f"{state.word}: {state.detail}"

    def finish(self) -> None:
        """Bring out what was on its way, write the summary, show the end."""
        self._counts.dropped_messages = self._inbox.dropped
        for chunk in (*self._assembler.take(self._decoder.finish()), *self._assembler.finish()):
            self._process(chunk)
        counts = count_words(self._counts)
        if self._monitor is None:
            self._say("no samples came" + (f"; {counts}" if counts else ""))
            self._say_recording()
            return
        self._give(self._monitor.finish())
        if self.ends.writer is not None:
            self.ends.writer.summary(
                self._monitor,
                None,
                source=link_name(self._layout),
                complete=True,
                version=program_version(),
                reference=self.reference_name,
                link=self._counts,
            )
        self.ends.outlet.end(self._monitor, LogCounts(), complete=True)
        self._say(
            f"link: {self._counts.frames} frames, {self._counts.samples} samples"
            + (f"; {counts}" if counts else "; nothing refused")
        )
        self._say_recording()

    def _say_recording(self) -> None:
        """Close the recording and say what became of it, samples or none."""
        if self._recorder is None:
            return
        self._recorder.close()
        status = self._recorder.status()
        self._say(f"recorded {status.blocks} blocks, {status.bytes} bytes in {clean(status.path, 200)}")
        if status.fault or status.lost_payloads:
            self._say(f"RECORDING FAULT: {clean(status.fault or '', 200)}; {status.lost_payloads} blocks lost")

    def _tap(self, received: Received) -> None:
        """In the link's thread: on disk before anything else."""
        if self._recorder is not None:
            self._recorder.write(received)

    def _take_all(self, waiting: list[Received]) -> None:
        """Take what has arrived; a program that has fallen behind must still answer people."""
        looked_s = time.monotonic()
        for received in waiting:
            self._take(received)
            if time.monotonic() - looked_s > _LOOK_EVERY_S:
                self._serve()
                looked_s = time.monotonic()

    def _take(self, received: Received) -> None:
        if not received.payload:
            self._decoder.reset()
            self._arrivals.restarted()
            return
        for chunk in self._assembler.take(self._decoder.feed(received.payload)):
            self._process(chunk)
            if len(chunk):
                next_sample = chunk.first_sample + len(chunk)
                self._arrivals.arrived(received.monotonic_ns / 1e9, next_sample, len(chunk))

    def _process(self, chunk: Chunk) -> None:
        if self._monitor is None:
            if len(chunk) == 0:
                return
            roles = self._assembler.roles or ()
            known = self._reference
            against = (None, None) if known is None else (known.asymmetry, known.drift)
            self._monitor = Monitor(self._sheet, chunk.rate_hz, roles, *against)
            if self.ends.journal is not None:
                for line in restored_words(self.ends.journal, self._monitor):
                    self._say(line)
            self._arrivals = ArrivalClock(chunk.rate_hz)
            self._first_sample = chunk.first_sample
            # What a chain is made of stays to the end. Python would search all of it for what is no longer used every
            # few seconds, for some 40 ms and of fifty cars 80, in which no car is served.
            gc.freeze()
            # The keys first: what is typed once the picture is there counts, what was typed before does not.
            if self.ends.hands is not None:
                self.ends.hands.begin(self._stopping)
            self.ends.outlet.begin(self._monitor, self._place())
        if chunk.restart:
            self._arrivals.restarted()
        if len(chunk):
            self._time_s = (chunk.first_sample + len(chunk) - self._first_sample) / chunk.rate_hz
            self._silent_said = False
        self._give(self._monitor.process(chunk))

    def look(self, taken_s: float) -> None:
        """The watchdog, the link's state in words, people, and a frame of the board when one is due.

        Silence is judged by the moment at which all that waited had been taken, `taken_s`: what takes long to
        compute is no silence.
        """
        assert self._link is not None
        state = self._link.state
        words = f"{state.word}: {state.detail}"
        if words != self._said:
            self._said = words
            if self._recorder is not None:
                self._recorder.event("link", {"state": state.word, "detail": state.detail})
            if self._monitor is None:
                self._say(clean(words, 300))
        if self._monitor is None:
            return
        if self._arrivals.age_s(taken_s) >= self._sheet.alerts.link.silent_after_s and not self._silent_said:
            self._silent_said = True
            if self._recorder is not None:
                self._recorder.event(SILENCE, {})
            self._process(Chunk(0, self._monitor.pipeline.rate_hz, np.empty((0, 4)), silent=True))
        self._serve()

    def _serve(self) -> None:
        """People at the keys and at the pit wall, and the board."""
        if self._monitor is None or self._link is None:
            return
        self._told = None
        state, age_s = self._link.state, self._arrivals.age_s(time.monotonic())
        link = "" if state.word == "open" else f"link {state.word}: {state.detail}"
        self.ends.look(self._monitor, self._place(), age_s, link)

    def _give(self, step: Step) -> None:
        assert self._monitor is not None
        self.ends.give(step, self._monitor, self._place())

    def record(self, step: Step) -> None:
        """Note in the recording what the alarms did, and who acted on them."""
        if self._recorder is None:
            return
        for transition in step.transitions:
            definition = transition.definition
            told: dict[str, object] = {"kind": definition.kind, "where": definition.where}
            told |= {"sample": transition.sample, "change": transition.change, "announced": transition.announced}
            if transition.who:
                told["who"] = transition.who
            self._recorder.event("alert", told)

    def _place(self) -> Place:
        now_s = time.monotonic()
        rate_hz = float("nan") if self._monitor is None else self._monitor.pipeline.rate_hz
        notes = () if self._reference is None else self._reference.notes
        return Place(self._link_name, self._time_s, None, None, rate_hz, notes, self._live(now_s))

    def _live(self, now_s: float) -> LiveStatus:
        if self._told is None or now_s - self._told_s >= _STATUS_S:
            self._told, self._told_s = self._live_now(now_s), now_s
        return self._told

    def _live_now(self, now_s: float) -> LiveStatus:
        recording, fault = "not recording", ""
        if self._recorder is not None:
            status = self._recorder.status()
            recording, fault = "recording", status.fault or ""
        state = None if self._link is None else self._link.state
        return LiveStatus(
            words="" if state is None or state.word == "open" else f"link {state.word}: {state.detail}",
            age_s=self._arrivals.age_s(now_s),
            rate_hz=self._arrivals.effective_rate_hz,
            lag_s=self._arrivals.lag_s,
            jitter_s=self._arrivals.jitter_s,
            refused=self._counts.refused,
            recording=recording,
            fault="; ".join(part for part in (fault, dropped_words(self._inbox.dropped), *self.ends.troubles) if part),
            counts=tuple(self._counts.numbers().items()),
        )
