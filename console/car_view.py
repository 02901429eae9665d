"""The car as a whole for the board: wheel loads and rake of now, and downforce as far as it is known.

In: a pipeline. Out: a frozen `CarView`, NaN where a value is not known. Reads the pipeline, never changes it. Loads and
rake are the newest row's; downforce comes from a fit that costs some milliseconds, so it is not worked out for each
frame (see `DownforceKept`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from dsp.downforce import Downforce
from dsp.pipeline import Pipeline
from dsp.wheel_loads import LoadTally
from ingest.chunk import CORNERS

# Between laps, and where nobody can tell laps apart: a few new steady windows at most come in this time.
_RENEWED_AFTER_S = 20.0

Four = tuple[float, float, float, float]
_UNKNOWN: Four = (math.nan,) * 4


@dataclass(frozen=True)
class CarView:
    """The whole car.

    Attributes
    ----------
    load_n, static_n : tuple of four float
        Wheel loads now, and on the flat patch.
    front_share : float
        Front axle's share of the load now, 0 to 1.
    rake_deg, rake_mm : float
        Rake now, positive when the rear stands higher; in mm over the wheelbase. NaN without ride heights.
    with_tyres : bool
        Whether heights and rake include the deflection of all four tyres.
    downforce : Downforce or None
        As last worked out; None before the first time.
    lowest_n, highest_n, mean_n : tuple of four float
        Wheel loads over the stint.
    unloaded_s : tuple of four float
        Time that each wheel carried next to nothing.
    stint_front_share, cross_share : float
        Mean share of the front axle, and of FR and RL, over the stint, 0 to 1.
    left_shares : tuple of two float
        Mean share of the left wheel of the front and of the rear axle.
    """

    load_n: Four = _UNKNOWN
    static_n: Four = _UNKNOWN
    front_share: float = math.nan
    rake_deg: float = math.nan
    rake_mm: float = math.nan
    with_tyres: bool = False
    downforce: Downforce | None = None
    lowest_n: Four = _UNKNOWN
    highest_n: Four = _UNKNOWN
    mean_n: Four = _UNKNOWN
    unloaded_s: Four = _UNKNOWN
    stint_front_share: float = math.nan
    cross_share: float = math.nan
    left_shares: tuple[float, float] = (math.nan, math.nan)


class DownforceKept:
    """Downforce as it was last worked out: anew when another lap is under way, and every 20 s of sample time."""

    def __init__(self) -> None:
        self._result: Downforce | None = None
        self._of: tuple[Pipeline, int] | None = None
        self._sample = 0

    def of(self, pipeline: Pipeline) -> Downforce | None:
        """What is known, at most so long ago; None before the first row."""
        car, lap = pipeline.newest_car, pipeline.laps.current
        if car is None:
            return None
        run = (pipeline, -1 if lap is None else lap.index)
        sample = car.sample(len(car) - 1)
        # A clock set back counts as time that has passed.
        old = abs(sample - self._sample) >= _RENEWED_AFTER_S * pipeline.rate_hz
        if self._of is None or self._of[0] is not run[0] or self._of[1] != run[1] or old:
            self._result, self._of, self._sample = pipeline.counting.downforce.result(), run, sample
        return self._result


def take_car(pipeline: Pipeline, kept: DownforceKept, *, stale: bool, loads: LoadTally | None = None) -> CarView:
    """The car of now, nothing of now when the link is `stale`; and of the stint, where its `loads` are given."""
    sheet = pipeline.sheet
    fl, fr, rl, rr = (float(load) for load in pipeline.car.loads.static_n)
    with_tyres = all(sheet.suspension(corner).tyre_rate_n_mm is not None for corner in CORNERS)
    always = CarView(static_n=(fl, fr, rl, rr), with_tyres=with_tyres, downforce=kept.of(pipeline))
    if loads is not None:
        always = _of_stint(always, loads, pipeline.car.row_rate_hz)
    if stale or pipeline.newest_car is None:
        return always
    row = pipeline.newest_car.part(len(pipeline.newest_car) - 1, len(pipeline.newest_car))
    fl, fr, rl, rr = row.load_n[0].tolist()
    total = fl + fr + rl + rr
    # Nose down closes the front and opens the rear: rake is the static one plus pitch.
    rake_deg = pipeline.counting.body.static_rake_deg + float(pipeline.counting.body.process(row)[0, 1])
    return replace(
        always,
        load_n=(fl, fr, rl, rr),
        front_share=(fl + fr) / total if total > 0.0 else math.nan,
        rake_deg=rake_deg,
        rake_mm=math.tan(math.radians(rake_deg)) * sheet.car.wheelbase_mm,
    )


def _of_stint(view: CarView, loads: LoadTally, row_rate_hz: float) -> CarView:
    known = [loads.known(corner) > 0 for corner in range(4)]
    unloaded = [int(rows) / row_rate_hz if one else math.nan for rows, one in zip(loads.unloaded, known, strict=True)]
    return replace(
        view,
        lowest_n=_four(loads.lowest_n.tolist()),
        highest_n=_four(loads.highest_n.tolist()),
        mean_n=_four([loads.mean_n(corner) for corner in range(4)]),
        unloaded_s=_four(unloaded),
        stint_front_share=loads.front_share,
        cross_share=loads.cross_weight_share,
        left_shares=(loads.left_share(0), loads.left_share(1)),
    )


def _four(values: list[float]) -> Four:
    first, second, third, fourth = values
    return first, second, third, fourth
