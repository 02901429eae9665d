"""What every rule is: definitions of its alarms, and observations from frames.

A rule sees frames in order and answers with observations at samples before the frame's end. It may look at
nothing later, so that any split of the stream gives the same observations.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from alerts.alert import Definition, Observation
from dsp.faults import FaultChange
from dsp.frame import CarBlock
from dsp.pipeline import Frame
from ingest.chunk import Bools


class Rule(Protocol):
    """One kind of alert."""

    @property
    def definitions(self) -> list[Definition]:
        """Every alarm this rule may observe."""
        ...

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:
        """Conditions that changed in this frame; `faults` are the sensor fault changes of its samples."""
        ...


def sensor_key(corner: str) -> tuple[str, str]:
    """Key of the sensor alarm of a corner: what silences the alarms that depend on it."""
    return "sensor", corner


def standing_still(frame: Frame, stopped_below_m_s: float) -> Bools:
    """Mask, shape (n_samples,), of samples at which the car is known to stand: parked or jacked, it tells no heights.

    Without a speed channel, or where it is unknown, the car counts as running: a dead channel silences nothing.
    """
    if "speed" not in frame.block.side:
        return np.zeros(len(frame.block), dtype=bool)
    still: Bools = frame.block.side["speed"] < stopped_below_m_s
    return still


def rows_standing_still(car: CarBlock, stopped_below_m_s: float) -> Bools:
    """Mask, shape (n_rows,), of rows of the car's grid at which the car is known to stand, as `standing_still`."""
    still: Bools = car.speed_m_s < stopped_below_m_s
    return still
