"""Rows of the car's grid made by hand; what a test does not give is unknown, stops and warp 0."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from dsp.frame import CarBlock

_FOUR = {"damper_mm", "damper_velocity_mm_s", "wheel_mm", "stop_n", "suspension_n", "load_n", "tyre_mm"}
_NONE = {"stop_n", "warp_mm"}


def car_rows(
    rows: int, first_sample: int = 0, *, stride: int = 4, rate_hz: float = 250.0, starts: bool = True, **columns: Any
) -> CarBlock:
    """Return `rows` rows, 4 samples apart at 250 rows a second; columns are spread over rows and corners.

    `regime` is a code, or one a row; `heights_mm` has shape (rows, n_points).
    """
    columns.setdefault("heights_mm", np.empty((rows, 0)))
    columns["regime"] = np.broadcast_to(np.asarray(columns.get("regime", 0), dtype=np.int8), (rows,)).copy()
    for field in fields(CarBlock):
        name = field.name
        if name in {"first_sample", "stride", "rate_hz", "starts_stretch", "heights_mm", "regime"}:
            continue
        values = np.asarray(columns.get(name, 0.0 if name in _NONE else np.nan), dtype=np.float64)
        shape = (rows, 4) if name in _FOUR else (rows,)
        columns[name] = np.asfortranarray(np.broadcast_to(values, shape))
    return CarBlock(first_sample=first_sample, stride=stride, rate_hz=rate_hz, starts_stretch=starts, **columns)
