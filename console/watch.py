"""The whole chain on a live link: receive, record, decode, watch, show.

In: a sheet with a `link`, options. Out: an exit code. What arrives is recorded before anything else happens to it;
every sample ends up used or counted. A silent link trips its alarm by the watchdog; the run ends on Ctrl-C, in order.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from console.describe import Context
from console.desk import Desk
from console.live import ArrivalClock, LiveStatus, count_words
from console.outlet import Outlet, Place
from console.reference import Reference, load_reference
from console.replay import program_version, restored_words
from console.results import ResultsWriter
from console.stopping import Stopping
from ingest.assembler import Assembler
from ingest.chunk import Chunk
from ingest.errors import SheetError
from ingest.framing import make_decoder
from ingest.inbox import Inbox, Link, Received
from ingest.link_block import LinkCounts
from ingest.log_counts import LogCounts
from ingest.recording import Recorder
from ingest.recording_header import describe_run
from ingest.recording_log import SILENCE
from ingest.sheet import Sheet
from ingest.sheet_link import LinkLayout
from ingest.text import clean

_WAIT_S = 0.05  # longest sleep between looks at the watchdog and the board


@dataclass(frozen=True)
class WatchOptions:
    """What the command line chose. `recordings` None records nothing; `seconds` ends the run by itself.

    `journal` keeps the alarms over a restart; None keeps nothing.
    """

    recordings: Path | None
    results: Path | None = None
    overwrite: bool = False
    reference: Path | None = None
    seconds: float | None = None
    desk: Desk | None = None
    journal: Path | None = None


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


def watch(
    sheet: Sheet,
    outlet: Outlet,
    options: WatchOptions,
    say: Callable[[str], None],
    link_maker: MakeLink = make_link,
    sheet_text: str = "",
) -> int:
    """Watch until a signal comes (or `seconds` have passed); returns 0, or 128 plus the signal's number.

    `say` takes lines for people that are not part of the run: the link's state before the first sample.

    Raises
    ------
    SheetError, LinkError, ResultsError, JournalError
        The sheet has no link, the journal is another car's, a setting can't work, or a directory can't be used.
    """
    if sheet.link is None:
        raise SheetError("car sheet", ["link: is missing; add [link] with serial or mqtt (see docs/wiring.md)"])
    reference = None if options.reference is None else load_reference(options.reference, sheet)
    with Stopping() as stopping:
        writer = None
        if options.results is not None:
            writer = ResultsWriter(options.results, overwrite=options.overwrite)
        journal = None if options.journal is None else Journal.open(options.journal, sheet.car.name)
        recorder = None
        if options.recordings is not None:
            recorder = Recorder(options.recordings, describe_run(sheet, sheet_text, program_version()))
        run = _Watch(sheet, outlet, writer, recorder, say, reference, options.desk, journal)
        try:
            run.run(link_maker, stopping, options.seconds)
            run.finish(None if options.reference is None else clean(options.reference, 200))
        finally:
            outlet.close()
            if writer is not None:
                writer.close()
            if recorder is not None:
                recorder.close()
            if options.desk is not None:
                options.desk.close(run.monitor, "the watch ended")
            if journal is not None:
                journal.close()
    return stopping.exit_code


class _Watch:
    """One live run."""

    def __init__(
        self,
        sheet: Sheet,
        outlet: Outlet,
        writer: ResultsWriter | None,
        recorder: Recorder | None,
        say: Callable[[str], None],
        reference: Reference | None,
        desk: Desk | None = None,
        journal: Journal | None = None,
    ) -> None:
        assert sheet.link is not None
        self._sheet = sheet
        self._layout = sheet.link
        self._outlet = outlet
        self._writer = writer
        self._recorder = recorder
        self._say = say
        self._reference = reference
        self._desk = desk
        self._journal = journal
        self._counts = LinkCounts()
        self._decoder = make_decoder(self._layout, self._counts)
        self._assembler = Assembler(sheet, self._counts)
        self._inbox = Inbox()
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

    def run(self, link_maker: MakeLink, stopping: Stopping, seconds: float | None) -> None:
        """Receive until told to stop."""
        self._link = link_maker(self._layout, self._tap, self._inbox)
        self._link.start()
        end = None if seconds is None else time.monotonic() + seconds
        try:
            while stopping.signal is None and (end is None or time.monotonic() < end):
                for received in self._inbox.take(_WAIT_S):
                    self._take(received)
                self._look()
        finally:
            self._link.stop()
        for received in self._inbox.take(0.0):
            self._take(received)
        self._counts.dropped_messages = self._inbox.dropped

    def finish(self, reference: str | None) -> None:
        """Bring out what was on its way, write the summary, show the end."""
        for chunk in (*self._assembler.take(self._decoder.finish()), *self._assembler.finish()):
            self._process(chunk)
        counts = count_words(self._counts)
        if self._monitor is None:
            self._say("no samples came" + (f"; {counts}" if counts else ""))
            self._say_recording()
            return
        self._give(self._monitor.finish())
        if self._writer is not None:
            self._writer.summary(
                self._monitor,
                None,
                source=link_name(self._layout),
                complete=True,
                version=program_version(),
                reference=reference,
                link=self._counts,
            )
        self._outlet.end(self._monitor, LogCounts(), complete=True)
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
            asymmetry = None if self._reference is None else self._reference.asymmetry
            self._monitor = Monitor(self._sheet, chunk.rate_hz, roles, asymmetry)
            if self._journal is not None:
                for line in restored_words(self._journal, self._monitor):
                    self._say(line)
            self._arrivals = ArrivalClock(chunk.rate_hz)
            self._first_sample = chunk.first_sample
            self._outlet.begin(self._monitor, self._place())
        if chunk.restart:
            self._arrivals.restarted()
        if len(chunk):
            self._time_s = (chunk.first_sample + len(chunk) - self._first_sample) / chunk.rate_hz
            self._silent_said = False
        self._give(self._monitor.process(chunk))

    def _look(self) -> None:
        """The watchdog, the link's state in words, and a frame of the board when one is due."""
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
        age_s = self._arrivals.age_s(time.monotonic())
        if age_s >= self._sheet.alerts.link.silent_after_s and not self._silent_said:
            self._silent_said = True
            if self._recorder is not None:
                self._recorder.event(SILENCE, {})
            self._process(Chunk(0, self._monitor.pipeline.rate_hz, np.empty((0, 4)), silent=True))
        else:
            self._outlet.step(self._monitor, Step(), self._place())
        if self._desk is not None:
            link = "" if state.word == "open" else f"link {words}"
            for step in self._desk.look(self._monitor, self._time_s, age_s, link):
                self._give(step)

    def _give(self, step: Step) -> None:
        assert self._monitor is not None
        if self._journal is not None:
            self._journal.note(step, self._monitor)
        if self._desk is not None:
            self._desk.take(step, self._monitor)
        if self._writer is not None:
            self._writer.step(step, Context.of(self._monitor))
        if self._recorder is not None:
            for transition in step.transitions:
                definition = transition.definition
                told = {"sample": transition.sample, "change": transition.change, "announced": transition.announced}
                self._recorder.event("alert", {"kind": definition.kind, "where": definition.where, **told})
        self._outlet.step(self._monitor, step, self._place())

    def _place(self) -> Place:
        rate_hz = float("nan") if self._monitor is None else self._monitor.pipeline.rate_hz
        notes = () if self._reference is None else self._reference.notes
        return Place(link_name(self._layout), self._time_s, None, None, rate_hz, notes, self._live())

    def _live(self) -> LiveStatus:
        recording, fault = "not recording", ""
        if self._recorder is not None:
            status = self._recorder.status()
            recording, fault = "recording", status.fault or ""
        state = None if self._link is None else self._link.state
        return LiveStatus(
            words="" if state is None or state.word == "open" else f"link {state.word}: {state.detail}",
            age_s=self._arrivals.age_s(time.monotonic()),
            rate_hz=self._arrivals.effective_rate_hz,
            lag_s=self._arrivals.lag_s,
            jitter_s=self._arrivals.jitter_s,
            refused=self._counts.refused,
            recording=recording,
            fault="; ".join(part for part in (fault, *self._troubles()) if part),
        )

    def _troubles(self) -> tuple[str, str]:
        """What is wrong on the way to the pit wall, and with the journal."""
        wall = "" if self._desk is None else self._desk.trouble
        return wall, "" if self._journal is None else self._journal.fault or ""
