"""One damper drifts: a corner moves faster or slower than in the reference, and the other three do not.

The reference is the stint's own first clean laps, or an earlier stint's; it is frozen, so the alarm stays until a
person who has acknowledged it resets it: then the next laps make a new one. Judged as each stretch of the lap ends and
at the end of each timed lap. Before there is a reference the condition is unknown. See `alerts.drift_chart` for the
statistics.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.drift_chart import LAP_ALLOWANCE, WINDOWS, WORSE_PERCENT, DriftChart, DriftSettings
from alerts.drift_limits import DriftLimits
from alerts.drift_reference import DriftReference
from alerts.drift_verdict import NEIGHBOURS, Verdict
from alerts.rule import sensor_key
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.position_scales import PositionScales
from ingest.chunk import CORNERS
from ingest.sheet import Sheet

UNDECIDED = "undecided"
# Where an alarm may stand, and which sensors it rests on.
PLACES: dict[str, tuple[str, ...]] = {
    **{corner: (corner,) for corner in CORNERS},
    "front axle": ("FL", "FR"),
    "rear axle": ("RL", "RR"),
    "left side": ("FL", "RL"),
    "right side": ("FR", "RR"),
    UNDECIDED: CORNERS,
}
# What to look at for each candidate of `alerts.drift_witness`.
_CHECKS = {
    "damper lost force": "damper {corner} for oil and heat",
    "damper stiffer or seizing": "damper {corner} for heat and a bent shaft",
    "friction or binding in the strut or its joints": "joints and bushes of {corner}",
    "tyre losing pressure": "tyre pressure of {corner}",
    "slow puncture": "tyre pressure of {corner}",
    "spring platform or pushrod slipped": "spring platform and pushrod of {corner}",
    "a spring or its platform": "springs and platforms",
    "sensor's gain changed": "sensor of {corner} and its mount",
    "sensor loose on its mount": "sensor of {corner} and its mount",
    "sensor's zero moved": "sensor of {corner} and its mount",
    "anti-roll bar disconnected or changed": "anti-roll bars and their links",
    "tyre pressures": "tyre pressures",
    "tyre pressures of a side": "tyre pressures",
    "both dampers of the axle": "dampers of the axle",
    "both dampers of the side": "dampers of the side",
}
_SHOWN_PERCENT = 10.0  # the change in the statement of what could be seen


class DamperDrift:
    """One alarm a corner, an axle, a side, and one for what can't be told apart.

    Parameters
    ----------
    sheet : Sheet
        Laps of `alerts.drift`.
    rate_hz : float
        Sample rate.
    reference : DriftReference or None
        Of an earlier stint of the same car, circuit and set-up.
    limits : DriftLimits or None
        Limits of the charts; the shipped ones by default.
    """

    kind = "drift"

    def __init__(
        self,
        sheet: Sheet,
        rate_hz: float,
        reference: DriftReference | None = None,
        limits: DriftLimits | None = None,
    ) -> None:
        settings = sheet.alerts.drift
        self._rate_hz = rate_hz
        self._settings = DriftSettings(settings.reference_laps, settings.warm_up_laps)
        self._limits = DriftLimits.shipped() if limits is None else limits
        self._chart = DriftChart(self._settings, self._limits, reference)
        self._from_stint = reference is not None
        self._scales = PositionScales()
        self._kinds: dict[int, str] = {}
        self._lap = 0
        self._past: list[Verdict] = []  # told before a person asked for a new reference
        self._resumed: set[str] = set()

    @property
    def definitions(self) -> list[Definition]:
        """Alarms of medium priority that stay until a person resets them, silenced by the sensors they rest on."""
        return [
            Definition(
                self.kind,
                place,
                "medium",
                latches=True,
                suppressed_by=tuple(sensor_key(corner) for corner in corners),
                caution=UNDER_THE_CAR,
            )
            for place, corners in PLACES.items()
        ]

    @property
    def reference(self) -> DriftReference:
        """The reference as far as it has grown; what a later stint can be held against."""
        return self._chart.reference

    @property
    def reference_from(self) -> str:
        """Where the reference is from: "an earlier stint" or "this stint"."""
        return "an earlier stint" if self._from_stint else "this stint"

    @property
    def learning(self) -> bool:
        """Whether there is nothing to compare with yet."""
        return not self._chart.charting and not self.verdicts

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """What was told, at most two to a reference; the newest word on each."""
        return (*self._past, *self._chart.verdicts)

    def resume(self, where: str) -> None:
        """A run before left this alarm standing: it stands, and no reference is learnt, until a person resets it."""
        self._resumed.add(where)
        self._chart.may_learn = False

    def renew(self, sample: int, places: Collection[str]) -> list[Observation]:
        """Forget the reference and what was told; the next clean laps make a new one.

        Normal at the `places` whose alarms a person is done with, unknown everywhere else.
        """
        self._past += self._chart.verdicts
        self._chart = DriftChart(self._settings, self._limits)
        self._from_stint = False
        self._resumed.clear()
        done = [Observation(sample, self.kind, place, False) for place in places]
        return done + [Observation(sample, self.kind, place, None, learning=True) for place in PLACES]

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Verdicts on the stretches and laps that ended in this frame."""
        self._kinds.update((lap.index, lap.verdict.kind) for lap in frame.laps)
        before = self._scales.under_way
        ended = self._scales.process(frame.car, [sample for sample, _ in frame.lap_starts], last=frame.last)
        after = self._scales.under_way
        seen: list[Observation] = []
        for lap, members in itertools.groupby(enumerate(ended), key=lambda one: one[1].lap):
            places, stretches = zip(*members, strict=True)
            seen += self._close_laps(lap, stretches[0].first_sample)
            for place, verdict in self._chart.take(stretches):
                number = places[place]
                following = ended[number + 1] if number + 1 < len(ended) else after
                # A stretch is over at the next one's first row; before a gap, where the stream goes on.
                interrupted = ended[number] is before and number == 0 and frame.car.starts_stretch
                known = frame.block.first_sample if interrupted or following is None else following.first_sample
                seen.append(self._said(verdict, known))
        if after is not None:
            seen += self._close_laps(after.lap, after.first_sample)
        elif frame.last:
            seen += self._close_laps(self._lap + len(self._kinds), frame.next_sample)
        return seen

    def _close_laps(self, lap: int, sample: int) -> list[Observation]:
        """End every lap before `lap`, whose first row is at `sample`."""
        seen: list[Observation] = []
        while self._lap < lap:
            kind = self._kinds.pop(self._lap, None)
            if kind is None:
                break
            self._lap += 1
            verdict = self._chart.end_lap(timed=kind == "timed", invalid=kind == "invalid")
            if verdict is not None:
                seen.append(self._said(verdict, sample))
            seen += self._elsewhere(sample, counts=kind in {"timed", "invalid"})
        return seen

    def _elsewhere(self, sample: int, *, counts: bool) -> list[Observation]:
        """What a lap says of every place that has no verdict: normal only where enough of it was compared."""
        chart = self._chart
        learning = chart.reference.laps == 0
        if not counts and not learning:
            return []
        told = {one.where for one in chart.verdicts}
        compared = chart.charting and chart.blind_laps == 0
        return [
            Observation(sample, self.kind, place, None, learning=learning)
            if place in self._resumed or not compared
            else Observation(sample, self.kind, place, False)
            for place in PLACES
            if place not in told
        ]

    def _said(self, verdict: Verdict, sample: int) -> Observation:
        return Observation(sample, self.kind, verdict.where, True, self._evidence(verdict))

    def _evidence(self, verdict: Verdict) -> Evidence:
        chart = self._chart
        laps = chart.reference.laps
        percent = abs(verdict.percent)
        way = "faster" if verdict.percent > 0 else "slower"
        one = verdict.best if verdict.where in (UNDECIDED, verdict.best) else verdict.where
        limit = self.smallest_percent()
        where = f"damper {one} has lost force: it moves" if verdict.damper else f"{one} moves"
        where += f" {percent:.0f} % {way} than on {laps} reference {'lap' if laps == 1 else 'laps'}"
        by = f"compression {verdict.compression_percent:+.0f} %, rebound {verdict.rebound_percent:+.0f} %"
        over = f"over {verdict.stretches} stretches of {_laps(verdict, chart)}"
        sentence = f"{where} ({by}), {over}"
        if verdict.where == UNDECIDED:
            sentence += f"; {verdict.best} or {verdict.second}, not told apart"
        if not verdict.damper:
            sentence += "; may be: " + ", ".join(verdict.suspects)
        return Evidence(
            percent,
            limit,
            "%",
            verdict.since_sample,
            sentence,
            _check_first(verdict),
            severity=percent,
            worse_by=WORSE_PERCENT,
        )

    def smallest_percent(self) -> float:
        """The smallest change of a damper's speed that the charts find sooner or later, in per cent."""
        return 100.0 * math.expm1(LAP_ALLOWANCE / self._score_of(1.0, self._chart.reference.places))

    def _score_of(self, log: float, stretches: int) -> float:
        """Score of one corner's change over so many stretches of a lap."""
        reference = self._chart.reference
        growth = 1.0 + 1.0 / max(1, reference.laps)
        own_share = NEIGHBOURS / max(1, stretches)
        variances = [
            growth * (lap + own * own_share)
            for lap, own in zip(reference.lap_variances(), reference.pooled_variances(), strict=True)
        ]
        return log / 4.0 * math.sqrt(sum(1.0 / one for one in variances))

    def laps_until_seen(self, percent: float) -> float:
        """About how many laps a change of a damper's speed by so much needs to show; inf when it is lost in scatter."""
        reference = self._chart.reference
        if not reference.places:
            return math.inf
        log = math.log1p(percent / 100.0)
        if self._score_of(log, max(WINDOWS)) > self._limits.of_stretches(reference.laps):
            return 1.0
        score = self._score_of(log, reference.places)
        if score <= LAP_ALLOWANCE:
            return math.inf
        return max(1.0, math.ceil(self._limits.of_laps(reference.laps) / (min(score, 5.0) - LAP_ALLOWANCE)))

    def statement(self) -> str:
        """What could be seen so far, in one line."""
        chart = self._chart
        laps, blind = chart.reference.laps, chart.blind_laps
        past = f"{blind} {'lap' if blind == 1 else 'laps'}"
        if laps == 0:
            if not chart.may_learn:
                return "an alarm of the run before stands: no reference is learnt before a person resets it"
            given = "the reference given is of another road or pace; " if chart.misfit else ""
            if blind:
                return f"{given}learning: no reference after {past}: {chart.refused.words}"
            return f"{given}learning: the reference begins after {self._settings.warm_up_laps} timed laps of warm-up"
        laps_until = self.laps_until_seen(_SHOWN_PERCENT)
        shows = "does not show" if math.isinf(laps_until) else f"shows in about {laps_until:.0f} laps"
        if laps_until == 1.0:
            shows = "shows within a lap"
        known = f"{laps} reference {'lap' if laps == 1 else 'laps'}"
        if self._from_stint:
            known += " of an earlier stint"
        elif not chart.frozen:
            known += f" of {self._settings.reference_laps} so far"
        if chart.misfit:
            known += " (the one given is of another road or pace)"
        seen = f"; nothing compared for {past}: {chart.refused.words}" if blind else ""
        return f"with {known}, a {_SHOWN_PERCENT:.0f} % change of one damper's speed {shows}{seen}"


def _laps(verdict: Verdict, chart: DriftChart) -> str:
    share = verdict.stretches / max(1, chart.reference.places)
    return "the lap" if share < 1.5 else f"{share:.0f} laps"


def _check_first(verdict: Verdict) -> str:
    if verdict.damper:
        directions = {
            "compression": abs(verdict.compression_percent),
            "rebound": abs(verdict.rebound_percent),
        }
        more, less = sorted(directions, key=lambda name: -directions[name])
        first = more if directions[more] > 1.5 * directions[less] else "both"
        adjusters = f"{first} adjuster" if first != "both" else "adjusters"
        return f"damper {verdict.where} for oil, gas pressure and heat; its {adjusters}; its mounts and shaft"
    # In the order of the candidates, and what is quickest to see first.
    return "; ".join(
        dict.fromkeys(_CHECKS[one].format(corner=verdict.best) for one in verdict.suspects if one in _CHECKS)
    )
