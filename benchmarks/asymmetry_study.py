"""How well a mis-set damper is told from a circuit's asymmetry: `python -m benchmarks.asymmetry_study`.

Simulates stints on circuits that turn mostly one way, have kerbs on one side and rougher tracks under one wheel, with
set-ups and days of their own (`benchmarks.asymmetry_stints`); sends their timed laps through the program's rule with
and without a reference stint, and through plain limits on left against right beside it. Prints false alarms, what was
found and named by size, and what look-alikes are called, with intervals after Clopper and Pearson. Stints are kept in
a folder, so that a second run is quick.
"""

from __future__ import annotations

import argparse
import math
import pickle
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

from benchmarks.asymmetry_stints import SCALES, Case, Counts, simulated  # first: it holds numpy to one thread

from scipy.stats import beta  # isort: skip

from alerts.alert import Observation
from alerts.asymmetry import LeftRightAsymmetry
from alerts.asymmetry_verdict import Verdict
from dsp.asymmetry import Asymmetry, of_corners, with_travel
from dsp.statistics import Tally
from ingest.chunk import CORNERS
from ingest.sheet import Sheet, load_sheet
from replay_logs.simulate import SHEET

SEED: Final = 83
RATE_HZ: Final = 500.0


@dataclass(frozen=True)
class Outcome:
    """Places that were announced, and what they were called."""

    verdicts: dict[str, Verdict]

    @property
    def corners(self) -> set[str]:
        """Every corner named."""
        return {one.corner for one in self.verdicts.values()} - {""}

    @property
    def causes(self) -> set[str]:
        """Every cause given."""
        return {one.cause for one in self.verdicts.values()}


def reference_of(case: Case) -> dict[str, Asymmetry]:
    """What a reference stint's results hold."""
    return with_travel(of_corners(case.velocity.sum(axis=0)), case.travel.sum(axis=0))


def judged(sheet: Sheet, case: Case, reference: dict[str, Asymmetry] | None) -> Outcome:
    """The program's rule on one stint's timed laps."""
    rule = LeftRightAsymmetry(sheet, RATE_HZ, reference)
    seen: list[Observation] = []
    for number, (velocity, travel) in enumerate(zip(case.velocity, case.travel, strict=True)):
        lap: Any = SimpleNamespace(
            verdict=SimpleNamespace(kind="timed"),
            share=SimpleNamespace(tally=_tally(velocity, travel)),
            first_sample=number,
            end_sample=number + 1,
        )
        frame: Any = SimpleNamespace(laps=[lap])
        seen += rule.observe(frame, [])
    return Outcome({one.where: rule.verdicts[one.where] for one in seen if one.condition})


def _tally(velocity: Counts, travel: Counts) -> Tally:
    tally = Tally()
    tally.paired += velocity
    tally.travel += travel
    return tally


def by_plain_limits(sheet: Sheet, case: Case, reference: dict[str, Asymmetry] | None) -> set[str]:
    """Places at which left against right alone is beyond the limit in every lap."""
    limits = sheet.alerts.asymmetry
    trip = limits.trip_percent if reference is None else limits.trip_percent_from_reference
    places: list[set[str]] = []
    for velocity in case.velocity:
        beyond = set()
        for place, one in of_corners(velocity).items():
            known = Asymmetry(0.0, 0.0) if reference is None else reference[place]
            percent, distance = one.percent - known.percent, one.distance - known.distance
            if abs(percent) > trip or distance > limits.trip_distance:
                beyond.add(place)
        places.append(beyond)
    return set.intersection(*places)


def interval(hits: int, count: int) -> str:
    """A share with its 95 % interval after Clopper and Pearson.

    Examples
    --------
    >>> interval(1, 20)
    '1 of 20 (0 to 25 %)'
    """
    if count == 0:
        return "none"
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, count - hits + 1))
    high = 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))
    return f"{hits} of {count} ({100 * low:.0f} to {100 * high:.0f} %)"


def right_places(case: Case) -> set[str]:
    """Where a mis-set damper belongs."""
    axle = "front" if case.corner[0] == "F" else "rear"
    return {f"{axle} {one}" for one in ("compression", "rebound") if case.direction in (one, "both")}


def report(sheet: Sheet, cases: list[Case], *, with_reference: bool) -> None:
    """Everything for one way of running."""
    references = {case.circuit: reference_of(case) for case in cases if case.what == "reference"}
    known = {number: one if with_reference else None for number, one in references.items()}
    print(f"--- {'with' if with_reference else 'without'} a reference stint, {len(known)} circuits")
    healthy = [case for case in cases if case.what == "healthy" or (case.what == "reference" and not with_reference)]
    plain = sum(bool(by_plain_limits(sheet, case, known[case.circuit])) for case in healthy)
    told = [judged(sheet, case, known[case.circuit]) for case in healthy]
    false = sum(bool(one.verdicts) for one in told)
    print(f"healthy stints alarmed: plain limits {interval(plain, len(healthy))}; rule {interval(false, len(healthy))}")
    wild = {case.circuit for case, one in zip(healthy, told, strict=True) if one.verdicts}
    print(f"circuits with a false alarm: {interval(len(wild), len(known))}")
    for ways in (("compression", "rebound"), ("both",)):
        print(f"mis-set, {' or '.join(ways)}:")
        for scale in SCALES:
            chosen = [case for case in cases if case.what == "mis-set" and case.direction in ways]
            _report_size([case for case in chosen if case.scale == scale], sheet, known, scale)
    for what in sorted({case.what for case in cases} - {"healthy", "reference", "mis-set"}):
        called_as = Counter[str]()
        for case in cases:
            if case.what == what:
                outcome = judged(sheet, case, known[case.circuit])
                called_as[" + ".join(sorted(outcome.causes)) or "nothing"] += 1
        print(f"{what}: {dict(called_as)}")


def _report_size(
    cases: Iterable[Case], sheet: Sheet, known: dict[int, dict[str, Asymmetry] | None], scale: float
) -> None:
    count = found = plain_only = axle = direction = named = right = 0
    causes = Counter[str]()
    for case in cases:
        count += 1
        places = right_places(case)
        plain_only += by_plain_limits(sheet, case, known[case.circuit]) == places
        outcome = judged(sheet, case, known[case.circuit])
        found += bool(outcome.verdicts)
        causes.update([" + ".join(sorted(outcome.causes)) or "nothing"])
        axles = {place.split()[0] for place in outcome.verdicts}
        axle += axles == {next(iter(places)).split()[0]}
        direction += set(outcome.verdicts) == places
        named += bool(outcome.corners)
        right += outcome.corners == {case.corner}
        assert outcome.corners <= set(CORNERS)
    print(
        f"  force x {scale:.2f} ({100 * math.log(scale):+.0f} %): alarmed {interval(found, count)}; "
        f"right axle {axle}; exactly its places {interval(direction, count)}, by plain limits {plain_only}; "
        f"corner named {interval(named, count)}, of these right {interval(right, named)}; "
        f"called {dict(causes)}"
    )


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0] if __doc__ else "")
    parser.add_argument("--circuits", type=int, default=12)
    parser.add_argument(
        "--first", type=int, default=300, help="number of the first circuit; limits were chosen on 0 to 205"
    )
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--keep", type=Path, help="folder that keeps what was simulated")
    options = parser.parse_args()
    sheet = load_sheet(SHEET)
    cases: list[Case] = []
    for number in range(options.first, options.first + options.circuits):
        file = None if options.keep is None else options.keep / f"circuit-{options.seed}-{number}.pickle"
        if file is not None and file.exists():
            cases += pickle.loads(file.read_bytes())
            continue
        found = list(simulated(sheet, 1, options.seed, number))
        if file is not None:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(pickle.dumps(found))
        cases += found
    for with_reference in (False, True):
        report(sheet, cases, with_reference=with_reference)


if __name__ == "__main__":
    main()
