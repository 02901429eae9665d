"""Damper velocity from damper travel: a centred Savitzky-Golay derivative, chosen by bandwidth and rate.

In: travel (mm) with NaN where unknown. Out: the same samples, all channels aligned to the filter's delay of
`half_width` samples and one grid step more, with velocity (mm/s), and its change at the samples of the car's grid
(mm/s2). Velocity is NaN within half a window of a gap, an unknown sample or the end of the stream: nothing is
invented at an edge. Method: Savitzky & Golay, Anal. Chem. 36 (1964) 1627.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import correlate1d
from scipy.signal import savgol_coeffs

from dsp.frame import Aligned
from dsp.ring import RingBuffer
from ingest.chunk import Chunk, Floats

# A cubic (equal to a quartic for a centred derivative) keeps a flat pass band for its noise gain.
_POLYNOMIAL = 3
_NARROWEST = 2  # half width of the 5-point filter, the narrowest that a cubic needs
_WIDEST = 400  # a window of 801 samples; wider ones would smooth at rates no damper sensor is read at
_PASS_BAND_GAIN = 0.95


@dataclass(frozen=True)
class VelocityFilter:
    """A centred derivative filter.

    Attributes
    ----------
    rate_hz : float
        Sample rate it was made for.
    half_width : int
        Samples on each side of the centre; also its delay in samples.
    coefficients : array of shape (2 half_width + 1,)
        Weights in the order of the samples, for mm in and mm/s out.
    """

    rate_hz: float
    half_width: int
    coefficients: Floats

    @classmethod
    def for_bandwidth(cls, bandwidth_hz: float, rate_hz: float) -> VelocityFilter:
        """The widest (quietest) filter whose gain at `bandwidth_hz` is still at least 0.95 of a true derivative."""
        chosen = cls.of_width(_NARROWEST, rate_hz)
        for half_width in range(_NARROWEST + 1, _WIDEST + 1):
            wider = cls.of_width(half_width, rate_hz)
            if wider.gain(bandwidth_hz) < _PASS_BAND_GAIN:
                break
            chosen = wider
        return chosen

    @classmethod
    def of_width(cls, half_width: int, rate_hz: float) -> VelocityFilter:
        """The filter with `half_width` samples on each side."""
        weights = savgol_coeffs(2 * half_width + 1, _POLYNOMIAL, deriv=1, delta=1.0 / rate_hz, use="dot")
        # Exact antisymmetry removes scipy's rounding, so that a constant gives exactly 0.
        weights = (weights - weights[::-1]) / 2.0
        return cls(rate_hz=rate_hz, half_width=half_width, coefficients=weights)

    @property
    def delay_s(self) -> float:
        """Time by which every result trails the newest sample."""
        return self.half_width / self.rate_hz

    @property
    def noise_gain(self) -> float:
        """Velocity noise (mm/s) per mm of white position noise."""
        return float(np.sqrt(np.sum(self.coefficients**2)))

    def gain(self, frequency_hz: float) -> float:
        """Ratio of the filter's response to a true derivative's at `frequency_hz`; 1 at 0 Hz."""
        if frequency_hz == 0:
            return 1.0
        angle = 2.0 * np.pi * frequency_hz / self.rate_hz
        steps = np.arange(1, self.half_width + 1)
        response = 2.0 * np.sum(self.coefficients[self.half_width + 1 :] * np.sin(angle * steps))
        return float(response / (2.0 * np.pi * frequency_hz))

    def apply(self, travel_mm: Floats) -> Floats:
        """Velocity of the middle samples: shape (n, c) in, (n - 2 half_width, c) out; empty when too short."""
        width = 2 * self.half_width
        if len(travel_mm) <= width:
            return np.empty((0, travel_mm.shape[1]), order="F")
        # Along a contiguous channel; every output is the same sum of the same terms wherever a chunk was cut.
        channels = correlate1d(travel_mm.T, self.coefficients, axis=1, mode="constant")
        return channels[:, self.half_width : -self.half_width].T


class VelocityStage:
    """Turns travel into aligned travel and velocity, stretch by stretch.

    Parameters
    ----------
    velocity_filter : VelocityFilter
        The derivative.
    side_roles : tuple of str
        Side channels that every chunk carries.
    largest_block : int
        Most samples in one call to `process`.
    stride : int
        Samples between rows of the car's grid, which lies at multiples of it.
    """

    def __init__(
        self, velocity_filter: VelocityFilter, side_roles: tuple[str, ...], largest_block: int, stride: int = 1
    ) -> None:
        self.filter = velocity_filter
        self.stride = stride
        self._roles = side_roles
        self._ring = RingBuffer(largest_block + 2 * velocity_filter.half_width + 2 * stride, 4 + len(side_roles))
        # Counted as the buffer counts: where the stretch begins, and up to where it was handed out.
        self._begins = 0
        self._emitted = 0
        self._next_sample = 0
        self._gap_before = 0
        self._restart = False
        self._starts = True

    @property
    def delay_samples(self) -> int:
        """Samples by which what comes out trails what went in."""
        return self.filter.half_width + self.stride

    def reset(self) -> None:
        """Begin a new stretch; what was not emitted is lost, so `flush` first."""
        self._ring.reset()
        self._begins = self._emitted = self._ring.written
        self._starts = True

    def process(self, chunk: Chunk, travel_mm: Floats) -> list[Aligned]:
        """Take a chunk and its calibrated travel (n_samples, 4); return what is now aligned, oldest first."""
        results = []
        if chunk.breaks:
            results += self.flush()
            self._gap_before += chunk.gap_before
            self._restart = self._restart or chunk.restart
        if len(chunk) == 0:
            return results
        self._next_sample = chunk.first_sample + len(chunk)
        columns = [travel_mm, *(chunk.side[role][:, np.newaxis] for role in self._roles)]
        self._ring.push(np.concatenate(columns, axis=1) if self._roles else travel_mm)
        return results + self._emit(self._ring.written - self.delay_samples)

    def flush(self) -> list[Aligned]:
        """Emit the samples still held, with unknown velocity, and begin a new stretch."""
        results = self._emit(self._ring.written)
        self.reset()
        return results

    def _emit(self, until: int) -> list[Aligned]:
        """Samples `_emitted` to `until`, as the buffer counts them."""
        count = until - self._emitted
        if count <= 0:
            return []
        half, stride = self.filter.half_width, self.stride
        written = self._ring.written
        values = self._ring.newest(written - self._emitted)[:count]
        # One grid step more on each side, from which velocity's change is taken.
        velocity = np.full((count + 2 * stride, 4), np.nan, order="F")
        first, last = max(self._emitted - stride, self._begins + half), min(until + stride, written - half)
        if first < last:
            around = self._ring.newest(written - (first - half))[: last - first + 2 * half, :4]
            start = first - (self._emitted - stride)
            velocity[start : start + last - first] = self.filter.apply(around)
        first_sample = self._next_sample - (written - self._emitted)
        row = -first_sample % stride
        change = velocity[row + 2 * stride :: stride] - velocity[row:count:stride]
        block = Aligned(
            first_sample=first_sample,
            rate_hz=self.filter.rate_hz,
            travel_mm=np.array(values[:, :4], order="F"),
            velocity_mm_s=velocity[stride : stride + count],
            stride=stride,
            acceleration_mm_s2=change * (self.filter.rate_hz / (2 * stride)),
            side={role: values[:, 4 + i].copy() for i, role in enumerate(self._roles)},
            gap_before=self._gap_before if self._starts else 0,
            restart=self._restart and self._starts,
            starts_stretch=self._starts,
        )
        self._emitted = until
        self._starts = False
        self._gap_before = 0
        self._restart = False
        return [block]
