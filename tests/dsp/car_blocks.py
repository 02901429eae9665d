"""Car blocks made from closed-form motion, and cut in any way; nothing here repeats the package's own arithmetic."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from dsp.frame import CarBlock
from ingest.chunk import Floats

RATE_HZ = 250.0
STRIDE = 2
_FOUR = ("damper_mm", "damper_velocity_mm_s", "wheel_mm", "stop_n", "suspension_n", "load_n", "tyre_mm")
_ONE = (
    "warp_mm",
    "speed_m_s",
    "acceleration_x_m_s2",
    "acceleration_y_m_s2",
    "acceleration_z_m_s2",
    "place_m",
)


def car_block(rows: int, first_row: int = 0, *, starts_stretch: bool = True, **values: Floats | float) -> CarBlock:
    """A block of a car that stands: loads of 2000 N, all else 0 and vertical acceleration not logged, but `values`."""
    given: dict[str, Floats | float] = {"load_n": 2000.0, "acceleration_z_m_s2": np.nan, **values}
    four = {name: np.array(np.broadcast_to(given.get(name, 0.0), (rows, 4)), order="F") for name in _FOUR}
    one = {name: np.array(np.broadcast_to(given.get(name, 0.0), (rows,))) for name in _ONE}
    return CarBlock(
        first_sample=first_row * STRIDE,
        stride=STRIDE,
        rate_hz=RATE_HZ,
        starts_stretch=starts_stretch,
        heights_mm=np.empty((rows, 0)),
        regime=np.zeros(rows, dtype=np.int8),
        **four,
        **one,
    )


def on_axles(front_n: Floats, rear_n: Floats) -> Floats:
    """Axle forces shared out to their two wheels, unevenly, shape (n_rows, 4)."""
    return np.stack([0.6 * front_n, 0.4 * front_n, 0.45 * rear_n, 0.55 * rear_n], axis=1)


def part(block: CarBlock, start: int, stop: int) -> CarBlock:
    """Rows of a block, as a block."""
    cut = {name: getattr(block, name)[start:stop] for name in (*_FOUR, *_ONE, "heights_mm", "regime")}
    starts = block.starts_stretch and start == 0
    return replace(block, first_sample=block.first_sample + start * STRIDE, starts_stretch=starts, **cut)


def cut_at(block: CarBlock, places: Iterable[int]) -> list[CarBlock]:
    """A block cut at rows; a place named twice makes an empty block, also at the ends."""
    bounds = [0, *sorted(min(place, len(block)) for place in places), len(block)]
    return [part(block, start, stop) for start, stop in itertools.pairwise(bounds)]
