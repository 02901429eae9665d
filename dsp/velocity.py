"""Damper velocity from damper travel: a centred Savitzky-Golay derivative, chosen by bandwidth and rate.

In: travel (mm) with NaN where unknown. Out: the same samples, all channels aligned to the filter's delay of
`half_width` samples and one grid step more, with velocity (mm/s), and its change at the samples of the car's grid
(mm/s2). Velocity is NaN within half a window of a gap, an unknown sample or the end of the stream: nothing is
invented at an edge. Method: Savitzky & Golay, Anal. Chem. 36 (1964) 1627.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from dsp.frame import Aligned
from ingest.chunk import Chunk, Floats

# Of a cubic (equal to a quartic for a centred derivative): it keeps a flat pass band for its noise gain.
_NARROWEST = 2  # half width of the 5-point filter, the narrowest that a cubic needs
_WIDEST = 400  # a window of 801 samples; wider ones would smooth at rates no damper sensor is read at
_PASS_BAND_GAIN = 0.95
_LONGEST_PIECE = 11  # of weights that `numpy.correlate` takes in a loop of its own; longer ones cost four times as much
_FEW_SAMPLES, _MANY_SAMPLES = 512, 16_000


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
        """The filter with `half_width` samples on each side.

        The cubic that fits best has the slope a sum(i x) + b sum(i^3 x) at its centre, with whole numbers but for one
        division: each weight is rounded once, and the two sides are exactly opposite, so that a constant gives 0.
        """
        second, fourth, sixth = (2 * sum(i**power for i in range(1, half_width + 1)) for power in (2, 4, 6))
        divisor = second * sixth - fourth**2
        weights = [i * (sixth - fourth * i * i) / divisor for i in range(-half_width, half_width + 1)]
        return cls(rate_hz=rate_hz, half_width=half_width, coefficients=np.array(weights) * rate_hz)

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
        count = len(travel_mm) - width
        channels = travel_mm.shape[1]
        velocity = np.empty((count, channels), order="F")
        # Of few samples it is the calls that cost, so all channels go in one row; of many it is room in the cache.
        together = channels if count <= _FEW_SAMPLES else 1
        for first in range(0, channels, together):
            for start in range(0, count, _MANY_SAMPLES):
                stop = min(count, start + _MANY_SAMPLES)
                rows = travel_mm[start : stop + width, first : first + together].T
                row = rows.ravel()
                ahead = self._half(row[self.half_width :])
                behind = self._half(row[::-1].copy()[self.half_width :])[::-1]
                for channel in range(together):
                    here = slice(channel * rows.shape[1], channel * rows.shape[1] + stop - start)
                    np.subtract(ahead[here], behind[here], out=velocity[start:stop, first + channel])
        return velocity

    def _half(self, values: Floats) -> Floats:
        """What the samples from the centre on add to each output: always the same sum of the same terms, in order.

        The other side is the same sum over the samples read backwards: what is constant cancels exactly, and an unknown
        centre (its weight is 0) stays unknown.
        """
        count = len(values) - self.half_width
        begin = self.half_width
        total: Floats | None = None
        for part in self._pieces:
            place = begin - self.half_width
            some = np.correlate(values[place : place + count + len(part) - 1], part, "valid")
            total = some if total is None else np.add(total, some, out=total)
            begin += len(part)
        assert total is not None
        return total

    @cached_property
    def _pieces(self) -> tuple[Floats, ...]:
        """The centre's weight and those ahead of it, cut so short that numpy has a loop made for each length."""
        weights = self.coefficients[self.half_width :]
        return tuple(np.array_split(weights, -(-len(weights) // _LONGEST_PIECE)))


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
        self.largest_block = largest_block
        self.stride = stride
        self._roles = side_roles
        # What the next chunk's results need of the samples before it, those not handed out yet and as many again, of
        # shape (channels, n_samples); and how many of them were handed out.
        self._held = np.empty((4 + len(side_roles), 0))
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
        self._held = self._held[:, :0]
        self._emitted = 0
        self._starts = True

    def process(self, chunk: Chunk, travel_mm: Floats) -> list[Aligned]:
        """Take a chunk and its calibrated travel (n_samples, 4); return what is now aligned, oldest first."""
        results = []
        if chunk.breaks:
            results += self.flush()
            self._gap_before += chunk.gap_before
            self._restart = self._restart or chunk.restart
        count = len(chunk)
        if count == 0:
            return results
        if count > self.largest_block:
            raise ValueError(f"{count} samples at once; at most {self.largest_block} are taken")
        self._next_sample = chunk.first_sample + count
        samples = self._with_held(chunk, travel_mm)
        return results + self._emit(samples, samples.shape[1] - self.delay_samples)

    def flush(self) -> list[Aligned]:
        """Emit the samples still held, with unknown velocity, and begin a new stretch."""
        results = self._emit(self._held, self._held.shape[1])
        self.reset()
        return results

    def _with_held(self, chunk: Chunk, travel_mm: Floats) -> Floats:
        """A chunk behind what is held, shape (channels, n_samples): an array that nobody writes to again."""
        held = self._held.shape[1]
        # One row a channel, so that one channel is one contiguous run.
        samples = np.empty((len(self._held), held + len(chunk)))
        samples[:, :held] = self._held
        samples[:4, held:] = travel_mm.T
        for channel, role in enumerate(self._roles, start=4):
            samples[channel, held:] = chunk.side[role]
        return samples

    def _emit(self, samples: Floats, until: int) -> list[Aligned]:
        """Samples `_emitted` to `until` of what is there; the block holds views of them."""
        begin = self._emitted
        count = until - begin
        written = samples.shape[1]
        if count <= 0:
            self._held = samples
            return []
        stride = self.stride
        velocity = self._velocity(samples, begin - stride, until + stride)
        first_sample = self._next_sample - (written - begin)
        row = -first_sample % stride
        change = velocity[row + 2 * stride :: stride] - velocity[row:count:stride]
        change *= self.filter.rate_hz / (2 * stride)
        values = samples[:, begin:until]
        block = Aligned(
            first_sample=first_sample,
            rate_hz=self.filter.rate_hz,
            travel_mm=values[:4].T,
            velocity_mm_s=velocity[stride : stride + count],
            stride=stride,
            acceleration_mm_s2=change,
            side={role: values[channel] for channel, role in enumerate(self._roles, start=4)},
            gap_before=self._gap_before if self._starts else 0,
            restart=self._restart and self._starts,
            starts_stretch=self._starts,
        )
        needed_from = max(0, until - self.delay_samples)
        # Copied, so that a long chunk is not kept for its last samples.
        self._held, self._emitted = samples[:, needed_from:].copy(), until - needed_from
        self._starts = False
        self._gap_before = 0
        self._restart = False
        return [block]

    def _velocity(self, samples: Floats, begin: int, end: int) -> Floats:
        """Velocity at places `begin` to `end`; unknown at the stretch's ends, also beyond them."""
        half = self.filter.half_width
        first, last = max(begin, half), min(end, samples.shape[1] - half)
        if first == begin and last == end:
            return self.filter.apply(samples[:4, first - half : last + half].T)
        velocity = np.full((end - begin, 4), np.nan, order="F")
        if first < last:
            around = samples[:4, first - half : last + half].T
            velocity[first - begin : last - begin] = self.filter.apply(around)
        return velocity
