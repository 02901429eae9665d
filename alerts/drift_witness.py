"""What mean travel says when a corner moves faster or slower: a damper changes speed alone, other things change both.

In: the stretches since something began. Out: by how much a corner's travel is scaled against the other three, how far
it stands from where it stood, how the body's lean is split between the axles, each with its error; and from these what
the cause may be. Pure functions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from alerts.drift_reference import Looks
from ingest.chunk import Floats

# Travel must have spread so much over the stretches before its scale says anything.
_LEAST_SPREAD_MM: Final = 1.5
_LEAST_STRETCHES: Final = 4
# A shift of one corner beside the other three that is more than fuel, tyres and temperature make.
_POSITION_MM: Final = 0.8
# Change of one axle's travel over the other's: laps of one set-up agree to 1 %; without a bar it is 8 to 15 %.
_LEAN_CHANGED: Final = 0.04
_LEAN_ERROR: Final = 0.015
# Of the gain, as a share of the change of speed: half of it lies between a damper and a sensor.
_GAIN_ERROR: Final = 1.0 / 3.0
_STANDS: Final = ("slow puncture", "spring platform or pushrod slipped", "sensor's zero moved")
_BAR: Final = "anti-roll bar disconnected or changed"


@dataclass(frozen=True)
class TravelWitness:
    """Travel now against the reference, stretch by stretch.

    Attributes
    ----------
    gain, gain_error : float
        Scale of the corner's travel over that of its partner on the axle, and its standard error; NaN when the road
        didn't move it enough.
    position_mm : float
        How far the corner stands from where it stood, beside what heave, pitch and roll explain.
    lean, lean_error : float
        Logarithm of the scale of its partner's travel over that of the other axle, and its standard error: a bar or a
        spring changes how the body leans at one axle, a sensor only what itself says.
    """

    gain: float
    gain_error: float
    position_mm: float
    lean: float
    lean_error: float


def travel_witness(looks: Looks, corner: int) -> TravelWitness:
    """Ask travel; everything is NaN with too few stretches or with a sensor whose position is not known."""
    now, before = looks.travel_mm, looks.reference_mm
    known = ~np.isnan(now + before).any(axis=1)
    now, before = now[known], before[known]
    if len(now) < _LEAST_STRETCHES:
        return TravelWitness(*(math.nan,) * 5)
    slopes, errors = _slopes(now, before)
    partner, other = corner ^ 1, [2, 3] if corner < 2 else [0, 1]
    gain, axle = float(slopes[corner] / slopes[partner]), float(slopes[other].mean())
    lean = math.log(slopes[partner] / axle) if slopes[partner] > 0.0 and axle > 0.0 else math.nan
    moved = (now - before).mean(axis=0)
    return TravelWitness(
        gain=gain,
        gain_error=float(math.hypot(errors[corner], gain * errors[partner]) / abs(slopes[partner])),
        position_mm=float(moved[0] - moved[1] - moved[2] + moved[3]),
        lean=lean,
        lean_error=float(math.hypot(errors[partner] / slopes[partner], math.hypot(*errors[other]) / 2.0 / axle)),
    )


def _slopes(now: Floats, before: Floats) -> tuple[Floats, Floats]:
    """Slope of each column on what it was, and its standard error; NaN where it hardly varied."""
    spread = before - before.mean(axis=0)
    square = (spread**2).sum(axis=0)
    square[np.sqrt(square / len(now)) < _LEAST_SPREAD_MM] = np.nan
    slopes = (spread * now).sum(axis=0) / square
    rest = now - now.mean(axis=0) - slopes * spread
    return slopes, np.sqrt((rest**2).sum(axis=0) / max(1, len(now) - 2) / square)


def suspects(shift: float, seen: TravelWitness) -> tuple[tuple[str, ...], bool, bool]:
    """What may be behind a corner that moves at exp(`shift`) times its speed.

    Returns
    -------
    candidates : tuple of str
        Likeliest first.
    damper : bool
        Whether the first is a damper that lost force.
    settled : bool
        Whether travel could be asked; before that nothing is told apart.
    """
    # A damper that binds, friction in the strut's joints and a soft tyre all slow a corner down.
    slower = ("friction or binding in the strut or its joints", "damper stiffer or seizing", "tyre losing pressure")
    own = ("damper lost force",) if shift > 0.0 else slower
    moved = abs(seen.position_mm) > _POSITION_MM
    stands = _STANDS if moved else ()
    unsure = math.isnan(seen.gain) or math.isnan(seen.lean) or shift == 0.0
    # As a share of the shift: 0 when travel is as it was (a damper), 1 when it is scaled as velocity is (a sensor).
    scaled = math.nan if unsure else math.log(max(seen.gain, 1e-3)) / shift
    error = math.nan if unsure else seen.gain_error / abs(shift)
    if scaled > 0.5 and error <= _GAIN_ERROR:
        return ("sensor's gain changed", "sensor loose on its mount", *own), False, True
    if not unsure and abs(seen.lean) > max(_LEAN_CHANGED, 2.0 * seen.lean_error):
        return (_BAR, "a spring or its platform", *stands, *own), False, True
    if not (abs(scaled) + error <= 0.5 and error <= _GAIN_ERROR and seen.lean_error <= _LEAN_ERROR):
        return (*own, "sensor's gain changed", *stands, _BAR), False, False
    if moved:
        return (*stands, *own), False, True
    return own, shift > 0.0, True


def suspects_of_pair(name: str) -> tuple[str, ...]:
    """What may be behind an axle or a side that moves faster than the other."""
    if "axle" in name:
        return (_BAR, "both dampers of the axle", "tyre pressures", "fuel or balance moved")
    return ("tyre pressures of a side", "another line on the road", "both dampers of the side")
