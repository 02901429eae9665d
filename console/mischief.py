"""What a bad link does to frames, on purpose and to the letter: dropped, damaged, doubled, swapped, late, unplugged.

In: frames in order, each with the sample time at which it is due. Out: what is to be put on the wire, in the order
of its time, and an account that says what became of every frame. No input or output, no clock; the same seed and
frames give the same mischief. Memory: the frames that are held back. Raises ValueError for rates that are none.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace

# Bits turned over in a damaged frame: one to a few, as a disturbed line does, are the hardest to notice.
_MOST_BITS = 3
_KINDS = ("drop", "corrupt", "duplicate", "reorder", "delay")


@dataclass(frozen=True)
class Frame:
    """One frame on its way to the wire.

    Attributes
    ----------
    first_sample, samples : int
        Which samples of the log it carries.
    due_s : float
        Sample time at which it leaves, counted from the first sample of the log.
    payload : bytes
        What is sent.
    number : int
        Place in the order in which frames were made.
    damaged, copy, delayed : bool
        What has been done to it.
    """

    first_sample: int
    samples: int
    due_s: float
    payload: bytes
    number: int = 0
    damaged: bool = False
    copy: bool = False
    delayed: bool = False


@dataclass(frozen=True)
class Plan:
    """Which mischief is done, and how often: each rate is the share of frames that meet with it, 0 to 1.

    `pulls` are times without a cable, as (from, for) in seconds of sample time: what would leave then is lost.
    """

    drop: float = 0.0
    corrupt: float = 0.0
    duplicate: float = 0.0
    reorder: float = 0.0
    delay: float = 0.0
    delay_s: float = 0.0
    pulls: tuple[tuple[float, float], ...] = ()
    seed: int = 1

    def __post_init__(self) -> None:
        for name in _KINDS:
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name}: a rate is 0 to 1 (0.01 is one frame in a hundred)")
        if not 0.0 <= self.delay_s <= 60.0:
            raise ValueError("delay: a frame can be late by 0 to 60000 ms")
        for at_s, for_s in self.pulls:
            if not (0.0 <= at_s < float("inf") and 0.0 < for_s < float("inf")):
                raise ValueError("pull: give the second from which, and for how many seconds (above 0)")

    @property
    def harmless(self) -> bool:
        """True when nothing is done to any frame."""
        return not (self.drop or self.corrupt or self.duplicate or self.reorder or self.delay or self.pulls)


@dataclass
class Account:
    """What became of the frames, and of their samples.

    read = sent + dropped + pulled + held, where `sent` counts a frame once and `copies` its second sending; `held`,
    what waits to be sent, is 0 after the log's end. `damaged` are among the sent ones. `out_of_order` left after one
    that was made later, `delayed` after their time. `undelivered_samples` are those of frames of which no whole copy
    left: where damage is found by a checksum, what a receiver must miss, but for those before the first whole frame
    and after the last, of which it can't know.
    """

    read_frames: int = 0
    read_samples: int = 0
    sent_frames: int = 0
    sent_samples: int = 0
    sent_bytes: int = 0
    dropped_frames: int = 0
    dropped_samples: int = 0
    pulled_frames: int = 0
    pulled_samples: int = 0
    damaged_frames: int = 0
    damaged_samples: int = 0
    copies_frames: int = 0
    copies_samples: int = 0
    out_of_order_frames: int = 0
    out_of_order_samples: int = 0
    delayed_frames: int = 0
    delayed_samples: int = 0
    undelivered_samples: int = 0

    def note(self, kind: str, frame: Frame) -> None:
        """Count one frame and its samples under a kind."""
        setattr(self, f"{kind}_frames", getattr(self, f"{kind}_frames") + 1)
        setattr(self, f"{kind}_samples", getattr(self, f"{kind}_samples") + frame.samples)

    @property
    def held_frames(self) -> int:
        """Frames not decided on: none after the log's end, some after an interruption."""
        return self.read_frames - self.sent_frames - self.dropped_frames - self.pulled_frames

    @property
    def held_samples(self) -> int:
        """Their samples."""
        return self.read_samples - self.sent_samples - self.dropped_samples - self.pulled_samples

    def numbers(self) -> dict[str, int]:
        """All counts by name."""
        counts = {one.name: getattr(self, one.name) for one in fields(self)}
        return {**counts, "held_frames": self.held_frames, "held_samples": self.held_samples}


@dataclass
class _Fate:
    """What is known of one frame of which copies are still held back."""

    copies: int
    left: bool = False
    whole: bool = False


@dataclass(order=True)
class _Waiting:
    due_s: float
    turn: int
    frame: Frame = field(compare=False)


class Mischief:
    """Does the plan's mischief to frames.

    Parameters
    ----------
    plan : Plan
        What to do. Every kind draws from a source of chance of its own, so that one more kind of mischief does not
        change which frames the others meet.

    Examples
    --------
    >>> mischief = Mischief(Plan(pulls=((1.0, 1.0),)))
    >>> frames = [Frame(n, 1, n / 2, b"abc") for n in range(6)]
    >>> [frame.first_sample for one in frames for frame in mischief.take(one)]
    [0, 1, 4, 5]
    >>> mischief.account.pulled_samples
    2
    """

    def __init__(self, plan: Plan) -> None:
        self.account = Account()
        self._plan = plan
        self._chance = {kind: random.Random(f"{kind} {plan.seed}") for kind in (*_KINDS, "bits")}
        self._waiting: list[_Waiting] = []
        self._held: Frame | None = None
        self._fates: dict[int, _Fate] = {}
        self._made = 0
        self._turns = 0
        self._latest_sent = -1
        self._now_s = 0.0

    def take(self, frame: Frame) -> Iterator[Frame]:
        """Take the next frame; give what leaves until it is due, in order.

        A frame is sent, for the account, when the one after it is asked for: one at which the link failed is not.
        """
        frame = replace(frame, number=self._made)
        self._made += 1
        now_s = self._now_s = frame.due_s
        self.account.note("read", frame)
        # Each is drawn for every frame, needed or not: a frame's fate does not depend on what else is done to it.
        drawn = {kind: self._chance[kind].random() < getattr(self._plan, kind) for kind in _KINDS}
        damage = self._chance["bits"].getrandbits(64)
        if drawn["drop"]:
            self.account.note("dropped", frame)
            self.account.undelivered_samples += frame.samples
            yield from self._due(now_s)
            return
        if drawn["corrupt"]:
            frame = replace(frame, payload=_damaged(frame.payload, random.Random(damage)), damaged=True)
        if drawn["delay"]:
            frame = replace(frame, due_s=now_s + self._plan.delay_s, delayed=self._plan.delay_s > 0)
        copies = 2 if drawn["duplicate"] else 1
        self._fates[frame.number] = _Fate(copies)
        if drawn["reorder"] and self._held is None and not drawn["delay"]:
            self._held = frame
        else:
            self._push(frame, copies)
            if self._held is not None and not drawn["delay"]:
                held, self._held = self._held, None
                self._push(replace(held, due_s=now_s), self._fates[held.number].copies)
        yield from self._due(now_s)

    def finish(self) -> Iterator[Frame]:
        """Give what was still held back, at the end of the log."""
        if self._held is not None:
            held, self._held = self._held, None
            self._push(replace(held, due_s=self._now_s), self._fates[held.number].copies)
        yield from self._due(float("inf"))

    def _push(self, frame: Frame, copies: int) -> None:
        for copy in range(copies):
            heapq.heappush(self._waiting, _Waiting(frame.due_s, self._turns, replace(frame, copy=copy > 0)))
            self._turns += 1

    def _due(self, until_s: float) -> Iterator[Frame]:
        while self._waiting and self._waiting[0].due_s <= until_s:
            frame = heapq.heappop(self._waiting).frame
            fate = self._fates[frame.number]
            if not any(at_s <= frame.due_s < at_s + for_s for at_s, for_s in self._plan.pulls):
                yield frame
                self._sent(frame, fate)
            fate.copies -= 1
            if not fate.copies:
                self._decided(frame, fate)

    def _decided(self, frame: Frame, fate: _Fate) -> None:
        """No copy of this frame is left."""
        del self._fates[frame.number]
        if not fate.left:
            self.account.note("pulled", frame)
        if not fate.whole:
            self.account.undelivered_samples += frame.samples

    def _sent(self, frame: Frame, fate: _Fate) -> None:
        account = self.account
        account.sent_bytes += len(frame.payload)
        account.note("copies" if fate.left else "sent", frame)
        if not fate.left:
            for kind, so in (("damaged", frame.damaged), ("delayed", frame.delayed)):
                if so:
                    account.note(kind, frame)
            if frame.number < self._latest_sent:
                account.note("out_of_order", frame)
        fate.left = True
        fate.whole = fate.whole or not frame.damaged
        self._latest_sent = max(self._latest_sent, frame.number)


def _damaged(payload: bytes, chance: random.Random) -> bytes:
    """Turn over one to three bits of a payload.

    Its last byte stays, because it ends a frame or a line: without it the next frame would be lost as well, and
    the account would no longer hold.
    """
    bits = 8 * (len(payload) - 1) or 8
    damaged = bytearray(payload)
    for bit in chance.sample(range(bits), min(bits, chance.randint(1, _MOST_BITS))):
        damaged[bit // 8] ^= 1 << bit % 8
    return bytes(damaged)
