"""Link lost: no sample for a while. It silences what it would set off: one cause, one alarm.

In a stream the loss shows as missing samples, found when samples come again; on a live link the watchdog says so
while it lasts, by `silence`. Both trip at the same sample: the last one received plus the silent time.
"""

from __future__ import annotations

from alerts.alert import Definition, Evidence, Observation
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from ingest.sheet import Sheet

LINK_KEY = ("link", "stream")
_CHECK_FIRST = "the aerial or cable, the logger's supply, and the receiver; then whether the car is in the garage"


class LinkLost:
    """One alarm for the stream.

    Parameters
    ----------
    sheet : Sheet
        Limits of `alerts.link`.
    rate_hz : float
        Sample rate.
    """

    kind = "link"

    def __init__(self, sheet: Sheet, rate_hz: float) -> None:
        self._limits = sheet.alerts.link
        self._rate_hz = rate_hz
        self._silent = max(1, round(self._limits.silent_after_s * rate_hz))
        self._lost = False

    @property
    def definitions(self) -> list[Definition]:
        """One alarm of high priority."""
        return [Definition(*LINK_KEY, "high", off_delay_s=self._limits.clear_after_s)]

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """A gap as long as the silent time, and the end of a silence."""
        first, gap = frame.block.first_sample, frame.block.gap_before
        if len(frame.block) == 0:
            return []
        seen = []
        if gap >= self._silent and not self._lost:
            seen.append(self._trip(first - gap))
        if seen or self._lost:
            self._lost = False
            seen.append(Observation(first, *LINK_KEY, condition=False))
        elif gap:
            # A shorter gap is no loss, but "clean" must begin anew.
            seen.append(Observation(first, *LINK_KEY, condition=None))
            seen.append(Observation(first, *LINK_KEY, condition=False))
        return seen

    def resume(self, where: str) -> None:  # noqa: ARG002
        """A former run left the link lost: its first sample says that it is back."""
        self._lost = True

    def silence(self, next_sample: int) -> list[Observation]:
        """The watchdog: nothing has come for the silent time since the sample before `next_sample`. Said once."""
        if self._lost:
            return []
        self._lost = True
        return [self._trip(next_sample)]

    def _trip(self, next_sample: int) -> Observation:
        seconds = self._limits.silent_after_s
        sentence = f"no samples for {seconds:g} s; nothing else is watched meanwhile"
        evidence = Evidence(seconds, seconds, "s", next_sample, sentence, _CHECK_FIRST)
        return Observation(next_sample + self._silent - 1, *LINK_KEY, condition=True, evidence=evidence)
