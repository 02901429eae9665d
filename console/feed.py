"""Plays a log onto a real link, as a car's logger would, to rehearse with; spoilt on purpose if wanted.

In: a log, its sheet, a target, options. Out: an exit code; on the link the log's own values (before scale, offset and
unit), so that a receiver with the same sheet has the same chunks, gaps included. What is said goes to `say`, the
account last, also after Ctrl-C or a fault of the link, which is then raised as `LinkError`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np

from console.feed_link import feed_layout
from console.mischief import Account, Frame, Mischief, Plan
from console.pace import Clock, Pacer
from console.rehearsal_feed import FedRehearsal
from console.stopping import Stopping
from ingest.chunk import SIDE_ROLES, Chunk, Floats
from ingest.errors import FrameError, LinkError
from ingest.framing import Encoder, make_encoder
from ingest.link_block import SampleBlock
from ingest.log import open_log
from ingest.sheet import Sheet
from ingest.sheet_link import COUNTER, DAMPER_ROLES, IGNORED, Broker, LinkLayout, SerialPort
from ingest.text import clean

_HOUSE_UNITS = {
    "speed": "m/s",
    "acceleration_longitudinal": "m/s2",
    "acceleration_lateral": "m/s2",
    "lap_distance": "m",
}
_PACKED_WRAPS_AT = 2**32
# 8 data bits, a start bit and a stop bit.
_BITS_PER_BYTE = 10
# Less than this is the computer's own unevenness, and no news.
_RETRY_PAUSE_S = 0.5  # a broker that starts again needs about this long
_LATE_S = 0.25


class Sender(Protocol):
    """The way out; each call raises LinkError when the link fails."""

    def open(self) -> object:
        """Connect."""
        ...

    def send(self, payload: bytes) -> None:
        """Send one frame."""
        ...

    def close(self) -> None:
        """Disconnect; does no harm when not connected."""
        ...


MakeEncoder = Callable[[LinkLayout, tuple[str, ...], float], Encoder]
MakeSender = Callable[[SerialPort | Broker], Sender]


def make_sender(target: SerialPort | Broker) -> Sender:
    """The way out for a target, not opened."""
    from ingest.senders import MqttSender, SerialSender

    return SerialSender(target) if isinstance(target, SerialPort) else MqttSender(target)


@dataclass(frozen=True)
class FeedOptions:
    """What the command line chose. `pace` None is as fast as the link takes it; `form` None is the sheet's.

    `retry_s` is how long a link that was lost on the way is tried again; the frame it was lost with is sent again.
    `rehearsal` puts faults of car and sensors into the samples.
    """

    target: SerialPort | Broker
    pace: float | None = 1.0
    samples_per_frame: int = 10
    form: str | None = None
    plan: Plan = field(default_factory=Plan)
    retry_s: float = 0.0
    rehearsal: FedRehearsal | None = None


def raw_sheet(sheet: Sheet) -> Sheet:
    """The sheet with all scales, offsets and units of its log taken away: logs read by it give their own values."""
    columns = {}
    for role in (*DAMPER_ROLES, *SIDE_ROLES):
        column = getattr(sheet.log.columns, role)
        if column is not None:
            plain: dict[str, object] = {"scale": 1.0, "offset": 0.0}
            if role in _HOUSE_UNITS:
                plain["unit"] = _HOUSE_UNITS[role]
            columns[role] = column.model_copy(update=plain)
    log = sheet.log.model_copy(update={"columns": sheet.log.columns.model_copy(update=columns)})
    return sheet.model_copy(update={"log": log})


class Cutter:
    """Cuts chunks into blocks of equal length, however the chunks were cut; a gap ends a block early.

    Parameters
    ----------
    layout : LinkLayout
        Says where the counter starts again.
    roles : tuple of str
        What the columns are: the dampers, then the log's side roles.
    rate_hz : float
        Sample rate.
    samples : int
        Length of a block.

    Attributes
    ----------
    rounded : int
        Values that a packed frame's 32-bit number can't hold exactly. Whole numbers up to 2**24 it can.
    """

    def __init__(self, layout: LinkLayout, roles: tuple[str, ...], rate_hz: float, samples: int) -> None:
        self._packed = layout.format == "packed"
        self._wraps_at = _PACKED_WRAPS_AT if self._packed else layout.counter_wraps_at
        self._roles = roles
        self._rate_hz = rate_hz
        self._samples = samples
        self._kept = np.empty((0, len(roles)))
        self._next = 0
        self.rounded = 0

    def take(self, chunk: Chunk) -> list[tuple[int, SampleBlock]]:
        """Blocks that are full, each with the number of its first sample in the log."""
        blocks = self.finish() if chunk.breaks else []
        side = [chunk.side[role] for role in self._roles[len(DAMPER_ROLES) :]]
        values = np.column_stack([chunk.sensors, *side])
        if self._packed:
            self.rounded += _not_single(values)
        if len(self._kept):
            values = np.concatenate([self._kept, values])
            first = self._next
        else:
            first = chunk.first_sample
        full = len(values) - len(values) % self._samples
        blocks += [
            self._block(first + start, values[start : start + self._samples]) for start in range(0, full, self._samples)
        ]
        self._kept, self._next = values[full:].copy(), first + full
        return blocks

    def finish(self) -> list[tuple[int, SampleBlock]]:
        """The rest that fills no block."""
        rest, self._kept = self._kept, self._kept[:0]
        return [self._block(self._next, rest)] if len(rest) else []

    def _block(self, first: int, values: Floats) -> tuple[int, SampleBlock]:
        counter = first if self._wraps_at is None else first % self._wraps_at
        time_us = round(first * 1e6 / self._rate_hz) if first >= 0 else None
        return first, SampleBlock(counter, self._wraps_at, self._rate_hz, self._roles, values, time_us)


def feed(
    path: Path,
    sheet: Sheet,
    options: FeedOptions,
    *,
    say: Callable[[str], None],
    sender_maker: MakeSender = make_sender,
    encoder_maker: MakeEncoder = make_encoder,
    clock: Clock | None = None,
    report: Callable[[float], None] | None = None,
) -> int:
    """Play one log onto a link; returns 0, or 128 plus a signal's number when it was interrupted.

    Raises
    ------
    FeedUsageError
        The options do not go with the sheet or the log.
    LogError, LinkError
        The log can't be read; the link can't be opened, or failed on the way. All before the fault has been sent, and
        the account has been said.
    """
    clock = clock or Clock()
    with open_log(path, raw_sheet(sheet)) as log, Stopping() as stopping:
        layout = feed_layout(sheet, options.target, options.form, log.rate_hz)
        roles = (*DAMPER_ROLES, *log.roles)
        run = _Run(layout, roles, log.rate_hz, options, encoder_maker(layout, roles, log.rate_hz))
        sender = sender_maker(options.target)
        for line in run.opening(path, log.roles):
            say(line)
        sender.open()
        try:
            run.start(sender, clock, stopping, say)
            for chunk in log:
                faulty = chunk if options.rehearsal is None else options.rehearsal.inject(chunk)
                if not chunk.silent and not run.take(faulty):
                    break
                if report is not None:
                    report(log.progress())
            else:
                run.finish()
        finally:
            sender.close()
            for line in account_lines(run.mischief.account, options.plan):
                say(line)
            for line in run.remarks():
                say(line)
    return stopping.exit_code


class _Run:
    """One feed under way."""

    def __init__(
        self, layout: LinkLayout, roles: tuple[str, ...], rate_hz: float, options: FeedOptions, encoder: Encoder
    ) -> None:
        self._layout = layout
        self._rate_hz = rate_hz
        self._options = options
        self._encoder = encoder
        self._cutter = Cutter(layout, roles, rate_hz, options.samples_per_frame)
        self._first: int | None = None
        self._late_s = 0.0
        self._missing = 0
        self._warned = False
        self._resent = 0
        self.mischief = Mischief(options.plan)

    def opening(self, path: Path, roles: tuple[str, ...]) -> Iterator[str]:
        """What is about to happen, and what will not come over."""
        target, pace = self._options.target, self._options.pace
        speed = "as fast as the link takes it" if pace is None else f"{pace:g} x real time"
        where = (
            f"serial {clean(target.port, 80)} at {target.baud} baud"
            if isinstance(target, SerialPort)
            else f"mqtt {clean(target.host, 80)}:{target.port}, topic {clean(target.topic, 80)}"
        )
        yield (
            f"feeding {clean(path.name, 80)} to {where}: {self._layout.format}, {self._rate_hz:g} Hz, "
            f"{self._options.samples_per_frame} samples a frame, {speed}"
        )
        if self._layout.fields:
            named = set(self._layout.fields) - {COUNTER, IGNORED, *DAMPER_ROLES}
            left_out, empty = sorted(set(roles) - named), sorted(named - set(roles))
            if left_out:
                yield f"not sent, since link.fields does not name it: {', '.join(left_out)}"
            if empty:
                blank = "unknown" if self._layout.format == "text" else "0"
                yield f"sent as {blank}, since the log does not hold it: {', '.join(empty)}"

    def start(self, sender: Sender, clock: Clock, stopping: Stopping, say: Callable[[str], None]) -> None:
        """From here on time runs."""
        self._sender, self._clock, self._stopping, self._say = sender, clock, stopping, say
        self._pacer = Pacer(self._options.pace, clock)
        self._start_s = clock.now()

    def take(self, chunk: Chunk) -> bool:
        """Send what a chunk makes due; False once a signal asked to stop."""
        if self._first is None:
            self._first = chunk.first_sample
        self._missing += chunk.gap_before
        return self._send(self._cutter.take(chunk))

    def finish(self) -> bool:
        """Send the rest, with what mischief holds back."""
        return self._send(self._cutter.finish()) and self._put(self.mischief.finish())

    def remarks(self) -> Iterator[str]:
        """What a rehearsal should know besides the account."""
        if self._late_s > _LATE_S:
            yield f"fell behind by up to {self._late_s:.1f} s: the link or this computer is too slow for this pace"
        if self._resent:
            yield f"{self._resent} frames were sent again after the link was lost: a receiver may have met them twice"
        if self._missing:
            yield f"missing in the log itself: {self._missing} samples"
        if self._cutter.rounded:
            yield f"{self._cutter.rounded} values were rounded: a packed frame holds 32-bit numbers (7 digits)"

    def _send(self, blocks: list[tuple[int, SampleBlock]]) -> bool:
        assert self._first is not None or not blocks
        for first, block in blocks:
            due_s = (first + len(block.values) - (self._first or 0)) / self._rate_hz
            try:
                payload = self._encoder.encode(block)
            except FrameError as error:
                raise LinkError(f"sample {first} can't be sent as {self._layout.format}: {error}") from None
            self._check_speed(len(payload), len(block.values))
            if not self._put(self.mischief.take(Frame(first, len(block.values), due_s, payload))):
                return False
            if self._stopping.signal is not None:
                return False
        return True

    def _put(self, frames: Iterable[Frame]) -> bool:
        for frame in frames:
            self._pacer.until(frame.due_s, stopped=lambda: self._stopping.signal is not None)
            if self._stopping.signal is not None:
                return False
            if self._options.pace is not None:
                late_s = self._clock.now() - self._start_s - frame.due_s / self._options.pace
                self._late_s = max(self._late_s, late_s)
            if not self._deliver(frame.payload):
                return False
        return True

    def _deliver(self, payload: bytes) -> bool:
        """Send, again after a lost link; False once a signal asked to stop."""
        while True:
            try:
                self._sender.send(payload)
            except LinkError as fault:
                self._resent += 1
                if not self._reopened(fault):
                    return False
            else:
                return True

    def _reopened(self, fault: LinkError) -> bool:
        """Try to open the link again for as long as allowed, then raise the fault it was lost with."""
        until_s = self._clock.now() + self._options.retry_s
        if self._options.retry_s:
            self._say(f"{fault}; trying again for {self._options.retry_s:g} s")
        while self._clock.now() < until_s:
            self._clock.wait(_RETRY_PAUSE_S)
            if self._stopping.signal is not None:
                return False
            with contextlib.suppress(LinkError):
                self._sender.open()
                self._say("the link is open again")
                return True
        raise fault

    def _check_speed(self, size: int, samples: int) -> None:
        """Say once when a serial line can't carry what this pace needs."""
        target, pace = self._options.target, self._options.pace
        if self._warned or pace is None or not isinstance(target, SerialPort):
            return
        self._warned = True
        needed = size / samples * self._rate_hz * pace * _BITS_PER_BYTE
        if needed > target.baud:
            self._say(f"{needed:.0f} baud are needed, the port has {target.baud}: samples will come late")


def _not_single(values: Floats) -> int:
    """How many values a 32-bit floating-point number can't hold exactly. NaN it can."""
    with np.errstate(over="ignore"):
        exact = values.astype(np.float32).astype(np.float64) == values
    return int(np.count_nonzero(~(exact | np.isnan(values))))


def account_lines(account: Account, plan: Plan) -> list[str]:
    """What became of the frames, as lines; kinds of mischief that were not asked for are left out."""
    rows = [("read from the log", "read", True)]
    rows += [
        ("dropped", "dropped", plan.drop > 0),
        ("lost to the pulled cable", "pulled", bool(plan.pulls)),
        ("not sent any more", "held", account.held_frames > 0),
        ("sent", "sent", True),
        ("  of these damaged", "damaged", plan.corrupt > 0),
        ("  of these delayed", "delayed", plan.delay > 0),
        ("  of these out of order", "out_of_order", plan.reorder > 0 or plan.delay > 0),
        ("sent a second time", "copies", plan.duplicate > 0),
    ]
    numbers = account.numbers()
    lines = [
        f"{label:<26}{numbers[f'{kind}_frames']:>10} frames {numbers[f'{kind}_samples']:>12} samples"
        for label, kind, shown in rows
        if shown
    ]
    if not plan.harmless:
        lines.append(f"in no whole frame sent: {account.undelivered_samples} samples")
    return lines
