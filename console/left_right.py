"""Left against right for screens, as the left/right rule sees it: the circuit's share off, and the rule's own verdict.

In: laps of a monitor's frames. Out: `Sides` of a lap, per place of PLACES. What is beyond a limit is decided by the
rule itself (`alerts.asymmetry`), told to be content with one lap; nothing here has a limit of its own. Never raises on
unknown values: they are NaN, and not beyond.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from alerts.asymmetry import LeftRightAsymmetry
from alerts.asymmetry_verdict import views
from alerts.monitor import Monitor
from dsp.asymmetry import DIRECTIONS, PLACES, of_corners
from dsp.pipeline import Frame
from dsp.statistics import Tally
from ingest.chunk import AXLE_CORNERS, CORNERS

_EQUAL = 1e-9  # of a per cent: two computations of one number


@dataclass(frozen=True)
class Sides:
    """Left against right of one lap, or of the stint so far.

    Attributes
    ----------
    percent : dict of place to float
        What is an axle's own, in per cent, positive when the left damper is faster: less what it shares with the other
        axle, or less the reference stint.
    circuit : dict of axle to float
        What was taken off as the circuit's, in per cent.
    beyond : dict of place to str
        Places that the rule found beyond its limits, with the faster corner (empty when only the distributions differ).
    basis : str
        Which lap, in words.
    judged : bool
        Whether the rule has judged it.
    """

    percent: dict[str, float] = field(default_factory=lambda: dict.fromkeys(PLACES, math.nan))
    circuit: dict[str, float] = field(default_factory=dict)
    beyond: dict[str, str] = field(default_factory=dict)
    basis: str = ""
    judged: bool = False


class LapJudge:
    """The left/right rule, content with one lap; silent when the sheet switches the rule off."""

    def __init__(self, monitor: Monitor) -> None:
        sheet, limits = monitor.sheet, monitor.sheet.alerts.asymmetry
        single = limits.model_copy(update={"laps_beyond": 1, "laps_watched": 1})
        alone = sheet.model_copy(update={"alerts": sheet.alerts.model_copy(update={"asymmetry": single})})
        self._monitor = monitor
        self._rule = LeftRightAsymmetry(alone, monitor.pipeline.rate_hz, monitor.reference)
        self._enabled = limits.enabled

    def take(self, frame: Frame) -> dict[int, Sides]:
        """The timed laps that ended in a frame, by their index."""
        if not self._enabled or not frame.laps:
            return {}
        beyond: dict[int, dict[str, tuple[float, str]]] = {}
        for seen in self._rule.observe(frame, []):
            if seen.condition and seen.evidence is not None:
                ended = next(lap.index for lap in frame.laps if lap.end_sample == seen.sample)
                beyond.setdefault(ended, {})[seen.where] = (seen.evidence.measured, seen.evidence.unit)
        found = {}
        for lap in frame.laps:
            if lap.verdict.kind == "timed":
                told = beyond.get(lap.index, {})
                found[lap.index] = sides_of_tally(self._monitor, lap.share.tally, f"lap {lap.name}", told)
        return found


def sides_of_tally(
    monitor: Monitor, tally: Tally, basis: str, beyond: dict[str, tuple[float, str]] | None = None
) -> Sides:
    """Left against right of what was counted; `beyond` holds what the rule measured where it was beyond a limit."""
    limits, reference = monitor.sheet.alerts.asymmetry, monitor.reference
    least = limits.least_time_per_lap_s * monitor.pipeline.rate_hz if beyond is not None else 0.0
    known = tally.paired.sum(axis=1)
    excess = {}
    for place, one in of_corners(tally.paired).items():
        enough = min(int(known[corner]) for corner in AXLE_CORNERS[place.split()[0]]) >= least
        less = 0.0 if reference is None else reference[place].log_ratio
        excess[place] = one.log_ratio - less if enough else math.nan
    trip = limits.trip_balance_percent if reference is None else limits.trip_balance_percent_from_reference
    seen = views(excess, balance_limit=trip / 100.0, against_reference=reference is not None)
    percent, names = {}, {}
    for axle, view in seen.items():
        balances = {"compression": view.own.balance, "rebound": -view.own.balance}
        for direction in DIRECTIONS:
            place, ratio = f"{axle} {direction}", view.ratio(direction)
            percent[place] = 100.0 * ratio
            if beyond is not None and place in beyond:
                names[place] = _faster(axle, beyond[place], 100.0 * ratio, 100.0 * balances[direction])
    return Sides(percent, {axle: 100.0 * view.circuit for axle, view in seen.items()}, names, basis, beyond is not None)


def _faster(axle: str, told: tuple[float, str], ratio: float, balance: float) -> str:
    """The corner that the rule found faster: by the ratio or by the balance, whichever it has measured."""
    measured, unit = told
    left, right = (CORNERS[corner] for corner in AXLE_CORNERS[axle])
    for value in (ratio, balance):
        if unit == "%" and abs(abs(value) - measured) < _EQUAL:
            return left if value > 0.0 else right
    return ""
