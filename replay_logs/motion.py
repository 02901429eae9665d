"""Integrates any number of stints side by side: road and outside forces in, wheel and body motion out.

The model is piecewise linear, so a step is: two small matrix products and a clip (semi-implicit Euler at 0.5 ms, well
below the 10 ms of a wheel's own motion). All stints advance together; shorter ones stand still at their end.
`integrate` keeps everything and multiplies stint by stint; `integrate_damper_travel` does the same sums for all
stints in one product, keeps damper travel alone, and agrees to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay_logs.vehicle import Element

Floats = NDArray[np.float64]

RATE_HZ: Final = 1000.0  # of inputs and results
STEPS_PER_SAMPLE: Final = 2
_BLOCK: Final = 500  # samples between updates of the damper's state of health


@dataclass(frozen=True)
class Inputs:
    """What drives one stint, at `RATE_HZ`.

    Attributes
    ----------
    road_mm : array of shape (n, 4)
        Elevation under each wheel.
    forces : array of shape (n, 7), N and N m
        Generalised outside forces.
    shift : array of shape (n_elements,) or (n_blocks, n_elements), m
        Added to what each element reads, the whole stint or block by block of `_BLOCK` samples.
    slopes : array of shape (n_blocks, n_elements)
        Each element's slope, block by block.
    lightness : array of shape (n_blocks, 7), or None for 1 throughout
        Each degree of freedom's mass as the model has it, over the mass it has now.
    """

    road_mm: Floats | NDArray[np.float32]
    forces: Floats | NDArray[np.float32]
    shift: Floats
    slopes: Floats
    lightness: Floats | None = None

    def shift_in(self, block: int) -> Floats:
        """What is added to each element's reading in one block, shape (n_elements,), m."""
        return self.shift if self.shift.ndim == 1 else np.asarray(self.shift[_held(block, len(self.shift))])

    def slopes_in(self, block: int) -> Floats:
        """Each element's slope in one block, shape (n_elements,)."""
        return np.asarray(self.slopes[_held(block, len(self.slopes))])

    def lightness_in(self, block: int) -> Floats:
        """What accelerations are multiplied by in one block, shape (7,)."""
        return np.ones(7) if self.lightness is None else np.asarray(self.lightness[_held(block, len(self.lightness))])


def _held(block: int, blocks: int) -> int:
    """The block itself, or the nearest there is."""
    return min(max(block, 0), blocks - 1)


def blocks_of(samples: int) -> int:
    """How many blocks of slopes a stint of so many samples needs."""
    return -(-samples // _BLOCK)


def block_starts(samples: int) -> NDArray[np.int64]:
    """First sample of every block."""
    return np.arange(blocks_of(samples), dtype=np.int64) * _BLOCK


def block_of(samples: int) -> NDArray[np.int64]:
    """Number of the block that every sample is in, shape (samples,)."""
    return np.arange(samples, dtype=np.int64) // _BLOCK


def _matrices(elements: list[Element], masses: Floats) -> tuple[float, Floats, Floats, Floats, Floats]:
    """Time step, what the elements read (19, n) and push (n, 7) in a step, and their limits (n,), both."""
    step = 1.0 / RATE_HZ / STEPS_PER_SAMPLE
    reads = np.stack([element.reads for element in elements], axis=1)
    # Velocities are carried as velocity x step, so that a position advances by a plain addition.
    reads[7:14] /= step
    pushes = np.stack([element.pushes for element in elements]) / masses * step * step
    low = np.array([element.low for element in elements])
    high = np.array([element.high for element in elements])
    return step, reads, pushes, low, high


def integrate(elements: list[Element], masses: Floats, stints: list[Inputs]) -> list[NDArray[np.float32]]:
    """Motion of every stint, from rest at its first sample's inputs.

    Returns
    -------
    list of arrays of shape (n, 14)
        Positions (m, rad) and velocities (m/s, rad/s) of the seven degrees of freedom at `RATE_HZ`.
    """
    count, longest = len(stints), max(len(stint.forces) for stint in stints)
    step, reads, pushes, low, high = _matrices(elements, masses)
    per_stint = np.repeat(reads[None], count, axis=0)
    lighter = any(stint.lightness is not None for stint in stints)

    state = np.zeros((count, 1, 19))
    state[:, 0, 18] = 1.0
    position, moved, road_in = state[:, 0, :7], state[:, 0, 7:14], state[:, 0, 14:18]
    force = np.empty((count, 1, len(elements)))
    change = np.empty((count, 1, 7))
    change_flat = change[:, 0]
    results = [np.zeros((len(stint.forces), 14), dtype=np.float32) for stint in stints]
    settle = 3000  # samples to come to rest before the first one
    for begin in range(-settle, longest, _BLOCK):
        rows = np.arange(begin, begin + _BLOCK + 1)
        fine = np.arange(_BLOCK * STEPS_PER_SAMPLE) / STEPS_PER_SAMPLE
        road = np.empty((fine.size, count, 4))
        outside = np.empty((fine.size, count, 7))
        slopes = np.empty((count, 1, len(elements)))
        lightness = np.ones((count, 7))
        for i, stint in enumerate(stints):
            held = np.clip(rows, 0, len(stint.forces) - 1)
            road[:, i] = _between(stint.road_mm[held].astype(np.float64) / 1000.0, fine)
            outside[:, i] = _between(stint.forces[held].astype(np.float64) / masses * step * step, fine)
            slopes[i, 0] = stint.slopes_in(begin // _BLOCK)
            per_stint[i, 18] = reads[18] + stint.shift_in(begin // _BLOCK)
            lightness[i] = stint.lightness_in(begin // _BLOCK)
        if lighter:
            outside *= lightness
        kept = np.empty((_BLOCK, count, 14))
        for k in range(fine.size):
            road_in[...] = road[k]
            np.matmul(state, per_stint, out=force)
            np.maximum(force, low, out=force)
            np.minimum(force, high, out=force)
            np.multiply(force, slopes, out=force)
            if k % STEPS_PER_SAMPLE == 0:
                kept[k // STEPS_PER_SAMPLE] = state[:, 0, :14]
            np.matmul(force, pushes, out=change)
            if lighter:
                np.multiply(change_flat, lightness, out=change_flat)
            np.add(moved, change_flat, out=moved)
            np.add(moved, outside[k], out=moved)
            np.add(position, moved, out=position)
        kept[..., 7:] /= step
        if begin >= 0:
            for i, result in enumerate(results):
                stop = min(begin + _BLOCK, len(result))
                if stop > begin:
                    result[begin:stop] = kept[: stop - begin, i]
    return results


def integrate_damper_travel(
    elements: list[Element], masses: Floats, stints: list[Inputs], travel_of: Floats
) -> list[NDArray[np.float32]]:
    """Damper travel alone of every stint, as `integrate` moves it, for less time and memory.

    Parameters
    ----------
    travel_of : array of shape (7, 4), mm/m and mm/rad
        Damper travel = positions @ `travel_of`.

    Returns
    -------
    list of arrays of shape (n, 4), mm, at `RATE_HZ`
        The same to rounding whatever stints run beside.
    """
    count, longest = len(stints), max(len(stint.forces) for stint in stints)
    step, reads, pushes, low, high = _matrices(elements, masses)
    fine = np.arange(_BLOCK * STEPS_PER_SAMPLE) / STEPS_PER_SAMPLE
    state = np.zeros((count, 18))
    position, moved, road_in = state[:, :7], state[:, 7:14], state[:, 14:18]
    force = np.empty((count, len(elements)))
    change = np.empty((count, 7))
    lightness = np.ones((count, 7))
    lighter = any(stint.lightness is not None for stint in stints)
    lows, highs, slopes = (np.empty((count, len(elements))) for _ in range(3))
    road = np.empty((fine.size, count, 4))
    outside = np.empty((fine.size, count, 7))
    kept = np.empty((_BLOCK, count, 7))
    results = [np.zeros((len(stint.forces), 4), dtype=np.float32) for stint in stints]
    free, row = np.ascontiguousarray(reads[:18]), reads[18]
    settle = 3000  # samples to come to rest before the first one, as in `integrate`
    for begin in range(-settle, longest, _BLOCK):
        rows = np.arange(begin, begin + _BLOCK + 1)
        block = begin // _BLOCK
        for i, stint in enumerate(stints):
            # clip(x + s, low, high) = clip(x, low - s, high - s) + s: what is constant goes to the outside forces.
            shift, slope = row + stint.shift_in(block), stint.slopes_in(block)
            lows[i], highs[i], slopes[i] = low - shift, high - shift, slope
            lightness[i] = stint.lightness_in(block)
            held = np.clip(rows, 0, len(stint.forces) - 1)
            given = stint.forces[held].astype(np.float64) / masses * step * step
            outside[:, i] = (_between(given, fine) + (shift * slope) @ pushes) * lightness[i]
            road[:, i] = _between(stint.road_mm[held].astype(np.float64) / 1000.0, fine)
        for k in range(fine.size):
            road_in[...] = road[k]
            np.matmul(state, free, out=force)
            np.maximum(force, lows, out=force)
            np.minimum(force, highs, out=force)
            np.multiply(force, slopes, out=force)
            if k % STEPS_PER_SAMPLE == 0:
                kept[k // STEPS_PER_SAMPLE] = position
            np.matmul(force, pushes, out=change)
            if lighter:
                np.multiply(change, lightness, out=change)
            np.add(moved, change, out=moved)
            np.add(moved, outside[k], out=moved)
            np.add(position, moved, out=position)
        if begin >= 0:
            for i, result in enumerate(results):
                stop = min(begin + _BLOCK, len(result))
                if stop > begin:
                    result[begin:stop] = kept[: stop - begin, i] @ travel_of
    return results


def _between(values: Floats, places: Floats) -> Floats:
    """Rows of `values` at fractional row numbers, linearly."""
    whole = places.astype(np.int64)
    part = (places - whole)[:, None]
    return np.asarray(values[whole] * (1.0 - part) + values[whole + 1] * part, dtype=np.float64)
