"""What the sensor checks report: a fault on one corner begins or ends. Plain data."""

from __future__ import annotations

from dataclasses import dataclass

FAULTS = ("open circuit", "short circuit", "out of range", "no reading", "spike", "step", "stuck")


@dataclass(frozen=True)
class FaultChange:
    """A fault on one corner begins or ends at a sample; a spike only begins.

    `measured` is the reading or travel that showed it, in `unit`, and `limit` what it was held against.
    """

    sample: int
    corner: int
    fault: str
    begins: bool
    measured: float
    limit: float
    unit: str
