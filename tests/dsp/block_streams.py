"""Streams of car blocks made from arrays, cut anywhere, with gaps; what a test does not give is unknown or 0.

Nothing here repeats a computation of the package under test.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import fields, replace

import numpy as np

from dsp.frame import CarBlock, Codes
from ingest.chunk import Floats

_NUMBERS = {"first_sample", "stride", "rate_hz", "starts_stretch"}


def block_stream(
    damper_mm: Floats,
    rate_hz: float = 250.0,
    *,
    stride: int = 1,
    first_sample: int = 0,
    gaps: dict[int, int] | None = None,
    cuts: Iterable[int] = (),
    regime: Codes | None = None,
    points: int = 0,
    **channels: Floats,
) -> list[CarBlock]:
    """Return blocks of the rows of `damper_mm`, array of shape (n_rows, 4), one stretch unless there are gaps.

    Parameters
    ----------
    rate_hz : float
        Rows a second.
    stride, first_sample : int
        Of the grid; the first sample must lie on it.
    gaps : dict of row to int
        Rows of the grid missing before a row; a new stretch begins there.
    cuts : iterable of int
        Rows before which to cut; one given twice makes an empty block.
    regime : array of shape (n_rows,), int8
        "unknown" when not given.
    points : int
        Named points, whose heights are unknown unless `heights_mm` is given.
    channels : arrays
        Any other attribute of `CarBlock`. Wheel travel is the damper's, damper velocity its difference, tyres and
        stops 0 when not given; the rest is NaN.
    """
    rows = len(damper_mm)
    unknown = {"load_n": 4, "suspension_n": 4, "heights_mm": points}
    values: dict[str, Floats] = {
        "wheel_mm": damper_mm,
        "damper_velocity_mm_s": np.gradient(damper_mm, 1.0 / rate_hz, axis=0) if rows > 1 else np.zeros((rows, 4)),
        "stop_n": np.zeros((rows, 4)),
        "tyre_mm": np.zeros((rows, 4)),
    }
    for field in fields(CarBlock):
        if field.name not in _NUMBERS | {"damper_mm", "regime"}:
            shape = (rows, unknown[field.name]) if field.name in unknown else (rows,)
            values.setdefault(field.name, np.full(shape, np.nan))
    if first_sample % stride:
        raise ValueError("the first sample must lie on the grid")
    if extra := set(channels) - set(values):
        raise ValueError(f"a car block has no {sorted(extra)}")
    values = {name: np.asfortranarray(value) for name, value in (values | channels).items()}
    whole = CarBlock(
        first_sample=first_sample,
        stride=stride,
        rate_hz=rate_hz,
        starts_stretch=True,
        damper_mm=np.asfortranarray(damper_mm),
        regime=np.zeros(rows, dtype=np.int8) if regime is None else regime,
        **values,
    )
    gaps = gaps or {}
    cuts = sorted(cuts)
    blocks = []
    missing = 0
    for start, stop in itertools.pairwise([0, *sorted(gaps), rows]):
        missing += gaps.get(start, 0)
        bounds = [start, *(place for place in cuts if start <= place < stop), stop]
        for begin, end in itertools.pairwise(bounds):
            first = first_sample + (begin + missing) * stride
            # The flag goes with the stretch's first row; an empty piece carries none.
            leads = begin == start and end > begin
            blocks.append(replace(whole.part(begin, end), first_sample=first, starts_stretch=leads))
    return blocks
