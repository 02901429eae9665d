"""Sensor fault: a corner's sensor can't be believed.

Lasting faults (open or short circuit, out of range, no reading, stuck) must hold for the on-delay; spikes count
in a window; a step trips at once and returns only when another one undoes it: until then the position is wrong.
Missing samples are no evidence: every delay and window that a gap interrupts begins again after it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from ingest.chunk import CORNERS
from ingest.sheet import Sheet

_CHECK_FIRST = {
    "open circuit": "connector and wiring of this sensor, then its supply",
    "short circuit": "wiring of this sensor for chafing, then the connector",
    "out of range": "calibration and mounting of this sensor",
    "no reading": "the channel in the logger, then the connector",
    "stuck": "the sensor's rod, joint or slider; then whether the logger repeats old values",
    "spike": "connector, screen and routing of the wiring; wear of the sensor's track",
    "step": "whether the sensor's body, rod or clamp has slipped; then zero it again on the flat patch",
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
        self._standing: list[dict[str, FaultChange]] = [{} for _ in CORNERS]
        self._spikes: list[deque[int]] = [deque(maxlen=self._limits.spikes_to_trip) for _ in CORNERS]
        self._spiking_until: list[int | None] = [None] * 4
        self._stepped = [False] * 4
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
        """Turn fault changes into conditions; spikes fall quiet one window after the last."""
        seen = self._interrupted(frame) if frame.block.starts_stretch else []
        for change in faults:
            self._spoken[change.corner] = True
            seen += self._quiet(change.sample)
            seen += self._take(change)
        return seen + self._quiet(frame.next_sample)

    def _interrupted(self, frame: Frame) -> list[Observation]:
        """Unknown from the first missing sample on; from the first new one on, what was so before it."""
        seen: list[Observation] = []
        sample = frame.block.first_sample
        for corner, name in enumerate(CORNERS):
            if not self._spoken[corner]:
                continue
            seen.append(Observation(sample - frame.block.gap_before, self.kind, name, condition=None))
            if self._spiking_until[corner] is not None:
                self._spiking_until[corner] = sample + self._window
            if self._standing[corner]:
                newest = list(self._standing[corner].values())[-1]
                seen.append(replace(self._seen(newest, condition=True), sample=sample))
            else:
                seen += self._if_clear(corner, sample)
        return seen

    def _take(self, change: FaultChange) -> list[Observation]:
        corner, standing = change.corner, self._standing[change.corner]
        if change.fault == "spike":
            spikes = self._spikes[corner]
            spikes.append(change.sample)
            full = len(spikes) == self._limits.spikes_to_trip and change.sample - spikes[0] <= self._window
            if not full and self._spiking_until[corner] is None:
                return []
            self._spiking_until[corner] = change.sample + self._window
            return [self._seen(change, condition=True, immediate=True, since=spikes[0], count=len(spikes))]
        if change.fault == "step":
            self._stepped[corner] = change.begins
            if change.begins:
                return [self._seen(change, condition=True, immediate=True)]
            return self._if_clear(corner, change.sample)
        if change.begins:
            standing[change.fault] = change
            return [self._seen(change, condition=True)]
        standing.pop(change.fault, None)
        return self._if_clear(corner, change.sample)

    def _quiet(self, before_sample: int) -> list[Observation]:
        seen = []
        for corner, until in enumerate(self._spiking_until):
            if until is not None and until < before_sample:
                self._spiking_until[corner] = None
                seen += self._if_clear(corner, until)
        return seen

    def _if_clear(self, corner: int, sample: int) -> list[Observation]:
        if self._standing[corner] or self._stepped[corner] or self._spiking_until[corner] is not None:
            return []
        return [Observation(sample, self.kind, CORNERS[corner], condition=False)]

    def _seen(
        self, change: FaultChange, *, condition: bool, immediate: bool = False, since: int | None = None, count: int = 0
    ) -> Observation:
        begin = change.sample if since is None else since
        if change.fault == "spike":
            seconds = self._limits.spike_window_s
            sentence = f"{count} spikes within {seconds:g} s, the last of {change.measured:+.1f} mm in one sample"
        elif change.fault == "step":
            sentence = f"position jumped by {change.measured:+.1f} mm and stayed; heights and stops no longer use it"
        elif change.fault == "stuck":
            sentence = f"stuck: moved {change.measured:.2f} mm while the other corners moved"
        elif change.fault == "no reading":
            sentence = "no reading"
        else:
            sentence = f"{change.fault}: reads {change.measured:.4g} {change.unit}"
        evidence = Evidence(
            measured=float(count) if change.fault == "spike" else change.measured,
            limit=float(self._limits.spikes_to_trip) if change.fault == "spike" else change.limit,
            unit=f"spikes in {self._limits.spike_window_s:g} s" if change.fault == "spike" else change.unit,
            since_sample=begin,
            sentence=sentence,
            check_first=_CHECK_FIRST[change.fault],
        )
        return Observation(change.sample, self.kind, CORNERS[change.corner], condition, evidence, immediate)
