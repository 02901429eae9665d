"""Too low a sample rate: high-speed damper figures are not to be trusted, and by how much they fall short."""

from __future__ import annotations

from alerts.alert import Definition, Evidence, Observation
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.velocity import VelocityFilter
from ingest.sheet import Sheet

# Wheel hop, the motion that high-speed figures are about, lies near here (common practice, no source).
_WHEEL_HOP_HZ = 20.0


class SampleRateLow:
    """One alarm for the stream.

    Parameters
    ----------
    sheet : Sheet
        Limit of `alerts.sample_rate`.
    velocity_filter : VelocityFilter
        The derivative in use; it says how much of a fast motion is left.
    """

    kind = "sample_rate"

    def __init__(self, sheet: Sheet, velocity_filter: VelocityFilter) -> None:
        self._limit_hz = sheet.alerts.sample_rate.lowest_hz
        self._filter = velocity_filter
        self._said = False

    @property
    def definitions(self) -> list[Definition]:
        """One alarm of low priority."""
        return [Definition(self.kind, "stream", "low")]

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Said once, at the first sample."""
        if self._said or len(frame.block) == 0:
            return []
        self._said = True
        rate, sample = self._filter.rate_hz, frame.block.first_sample
        if rate >= self._limit_hz:
            return [Observation(sample, self.kind, "stream", False)]
        kept = 100.0 * self._filter.gain(_WHEEL_HOP_HZ)
        sentence = (
            f"{rate:g} samples a second: of a {_WHEEL_HOP_HZ:g} Hz motion {kept:.0f} % of the velocity is seen; "
            "high-speed figures and short bump-stop contacts are not to be trusted"
        )
        check = f"set the logger to at least {self._limit_hz:g} samples a second"
        return [
            Observation(
                sample, self.kind, "stream", True, Evidence(rate, self._limit_hz, "Hz", sample, sentence, check)
            )
        ]
