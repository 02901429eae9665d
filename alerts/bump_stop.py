"""Bump-stop contact: one contact longer than the limit, or too many or too much contact in a lap.

See `alerts.stroke_end` for when it trips and clears.
"""

from __future__ import annotations

from alerts.alert import Observation
from alerts.stroke_end import StrokeEnd, StrokeEndRule
from dsp.faults import FaultChange
from dsp.pipeline import Frame

_BUMP = StrokeEnd(
    kind="bump_stop",
    droop=False,
    priority="medium",
    at="on the bump stop",
    of_lap="on the bump stop",
    contacts="bump-stop contacts",
    check_first="ride height and spring platforms, then springs and bump-stop packers at this corner",
)


class BumpStopContact(StrokeEndRule):
    """One alarm a corner."""

    kind = _BUMP.kind
    _end = _BUMP

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Long contacts in this frame, and verdicts on the laps that ended in it."""
        contacts = [*frame.contacts, *frame.open_contacts]
        return self._judge(frame, contacts, [(lap, lap.share.stops) for lap in frame.laps])
