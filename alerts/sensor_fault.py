"""Sensor fault: a corner's sensor can't be believed.

Lasting faults (open or short circuit, out of range, no reading, stuck) must hold for the on-delay; spikes, and every
other fault that begins but for readings that are merely missing, count in a window, so that a bad contact that
flickers trips too; a step trips at once and returns only when another one undoes it: until then the position is wrong.
Missing samples are no evidence: every delay and window that a gap interrupts begins again after it.
"""

from __future__ import annotations

from collections import deque

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from ingest.chunk import CORNERS
from ingest.sheet import Sheet

# Single empty cells are the logger's business, and no evidence of a fault: they must last to count.
_NOT_COUNTED = "no reading"
# Cause of faults of several kinds within the window, and the key under which a window that is full stands.
_SEVERAL = "several faults"
_BURST = "burst"
_NOT_WATCHED = "; platform heights are not watched while it lasts"
_CHECK_FIRST = {
    "open circuit": "connector and wiring of this sensor, then its supply",
    "short circuit": "wiring of this sensor for chafing, then the connector",
    "out of range": "calibration and mounting of this sensor",
    "no reading": "the channel in the logger, then the connector",
    "stuck": "the sensor's rod, joint or slider; then whether the logger repeats old values",
    "spike": "connector, screen and routing of the wiring; wear of the sensor's track",
    "step": "whether the sensor's body, rod or clamp has slipped; then zero it again on the flat patch",
    _SEVERAL: "connector, screen and wiring of this sensor, moved by hand while somebody watches its reading",
}


class SensorFault:
    """One alarm a corner.

    Parameters
    ----------
    sheet : Sheet
        Limits of `alerts.sensor`.
    rate_hz : float
        Sample rate.
    """

    kind = "sensor"

    def __init__(self, sheet: Sheet, rate_hz: float) -> None:
        self._limits = sheet.alerts.sensor
        self._window = round(self._limits.spike_window_s * rate_hz)
        self._heights_lost = bool(sheet.platform) and sheet.alerts.platform_low.enabled
        # What is wrong with each corner now, newest last: faults by name, and a burst of them.
        self._standing: list[dict[str, Evidence]] = [{} for _ in CORNERS]
        self._begun: list[deque[FaultChange]] = [deque(maxlen=self._limits.spikes_to_trip) for _ in CORNERS]
        self._burst_until: list[int | None] = [None] * 4
        self._spoken = [False] * 4

    @property
    def definitions(self) -> list[Definition]:
        """One latched alarm of high priority a corner."""
        limits = self._limits
        return [
            Definition(
                self.kind, corner, "high", limits.on_delay_s, limits.off_delay_s, latches=True, caution=UNDER_THE_CAR
            )
            for corner in CORNERS
        ]

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:
        """Turn fault changes into conditions; a burst falls quiet one window after its last fault."""
        seen = self._interrupted(frame) if frame.block.starts_stretch else []
        for change in faults:
            self._spoken[change.corner] = True
            seen += self._quiet(change.sample)
            seen += self._begin(change) if change.begins else self._end(change.corner, change.fault, change.sample)
        return seen + self._quiet(frame.next_sample)

    def resume(self, where: str) -> None:
        """A former run left this corner's alarm standing: say how it is from the first sample on."""
        self._spoken[CORNERS.index(where)] = True

    def _interrupted(self, frame: Frame) -> list[Observation]:
        """Unknown from the first missing sample on; from the first new one on, what was so before it."""
        seen: list[Observation] = []
        sample = frame.block.first_sample
        for corner, name in enumerate(CORNERS):
            if not self._spoken[corner]:
                continue
            seen.append(Observation(sample - frame.block.gap_before, self.kind, name, condition=None))
            if self._burst_until[corner] is not None:
                self._burst_until[corner] = sample + self._window
            seen.append(self._as_it_is(corner, sample))
        return seen

    def _begin(self, change: FaultChange) -> list[Observation]:
        standing = self._standing[change.corner]
        seen = self._count(change)
        if change.fault != "spike":
            standing.pop(change.fault, None)
            standing[change.fault] = self._evidence(change)
            seen.append(self._abnormal(change, standing[change.fault], immediate=change.fault == "step"))
        return seen

    def _count(self, change: FaultChange) -> list[Observation]:
        """Count a fault that begins; a full window is a burst, and whatever begins in it keeps it up."""
        corner, begun = change.corner, self._begun[change.corner]
        if change.fault == _NOT_COUNTED:
            return []
        begun.append(change)
        full = len(begun) == self._limits.spikes_to_trip and change.sample - begun[0].sample <= self._window
        if full or self._burst_until[corner] is not None:
            self._burst_until[corner] = change.sample + self._window
        if not full:
            return []
        evidence = self._of_burst(begun)
        before = self._standing[corner].pop(_BURST, evidence)
        # On the way from one kind of burst to another the window holds both: that is no third cause.
        self._standing[corner][_BURST] = evidence = before if evidence.cause == _SEVERAL else evidence
        return [self._abnormal(change, evidence, immediate=True)]

    def _end(self, corner: int, fault: str, sample: int) -> list[Observation]:
        self._standing[corner].pop(fault, None)
        return [self._as_it_is(corner, sample)]

    def _quiet(self, before_sample: int) -> list[Observation]:
        seen = []
        for corner, until in enumerate(self._burst_until):
            if until is not None and until < before_sample:
                self._burst_until[corner] = None
                seen += self._end(corner, _BURST, until)
        return seen

    def _as_it_is(self, corner: int, sample: int) -> Observation:
        """Normal, or the newest of what still stands: said so that no delay runs on for what has ended."""
        evidence = next(reversed(self._standing[corner].values()), None)
        return Observation(sample, self.kind, CORNERS[corner], evidence is not None, evidence)

    def _abnormal(self, change: FaultChange, evidence: Evidence, *, immediate: bool) -> Observation:
        return Observation(change.sample, self.kind, CORNERS[change.corner], True, evidence, immediate)

    def _evidence(self, change: FaultChange) -> Evidence:
        if change.fault == "step":
            sentence = f"position jumped by {change.measured:+.1f} mm and stayed; heights and stops no longer use it"
        elif change.fault == "stuck":
            sentence = f"stuck: moved {change.measured:.2f} mm while the other corners moved"
        elif change.fault == "no reading":
            sentence = "no reading"
        else:
            sentence = f"{change.fault}: reads {change.measured:.4g} {change.unit}"
        return Evidence(
            change.measured,
            change.limit,
            change.unit,
            change.sample,
            sentence + self._consequence,
            _CHECK_FIRST[change.fault],
            cause=change.fault,
        )

    def _of_burst(self, begun: deque[FaultChange]) -> Evidence:
        """Evidence of a full window of faults."""
        count, seconds = len(begun), self._limits.spike_window_s
        kinds = list(dict.fromkeys(change.fault for change in begun))
        cause, counted = (kinds[0] if len(kinds) == 1 else _SEVERAL), "faults"
        if cause == "spike":
            counted = "spikes"
            last = begun[-1].measured
            sentence = f"{count} spikes within {seconds:g} s, the last of {last:+.1f} mm in one sample"
        elif cause == _SEVERAL:
            sentence = f"{count} faults ({', '.join(kinds)}) within {seconds:g} s"
        else:
            sentence = f"{cause} {count} times within {seconds:g} s"
        return Evidence(
            float(count),
            float(self._limits.spikes_to_trip),
            f"{counted} in {seconds:g} s",
            begun[0].sample,
            sentence + self._consequence,
            _CHECK_FIRST[cause],
            cause=cause,
        )

    @property
    def _consequence(self) -> str:
        """What else a person must know: while this alarm stands, it silences every height."""
        return _NOT_WATCHED if self._heights_lost else ""
