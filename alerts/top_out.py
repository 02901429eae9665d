"""Top-out: a damper at its full length for too long, or too often or too long in a lap.

See `alerts.stroke_end` for when it trips and clears. A car on stands hangs on all four, which without a speed channel
looks like running: so of whole laps only timed ones are judged, since a stop in the pits makes a lap slow.
"""

from __future__ import annotations

from alerts.alert import Observation
from alerts.stroke_end import StrokeEnd, StrokeEndRule
from dsp.faults import FaultChange
from dsp.pipeline import Frame

_DROOP = StrokeEnd(
    kind="top_out",
    droop=True,
    priority="low",
    at="at full droop",
    of_lap="at full droop",
    contacts="top-outs",
    check_first=(
        "droop travel and droop limiter, then rebound damping (too strong, it jacks the car down) "
        "and spring preload at this corner"
    ),
    judged=frozenset({"timed"}),
)


class TopOut(StrokeEndRule):
    """One alarm a corner."""

    kind = _DROOP.kind
    _end = _DROOP

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Long top-outs in this frame, and verdicts on the laps that ended in it."""
        contacts = [*frame.top_outs, *frame.open_top_outs]
        return self._judge(frame, contacts, [(lap, lap.share.top_outs) for lap in frame.laps])
