"""How well downforce is found where the truth is known: `python -m benchmarks.downforce_study`.

Simulates stints (out-lap, three timed laps, in-lap) of the car of `replay_logs`, each with a downforce, an air and a
road of its own, sends what its sensors said through the chain, and compares coefficients with the truth: error, share
within 5 %, and how often the 95 % interval holds the truth. Then the same readings again with something wrong or
missing in the sheet or the log. Some two minutes for 40 stints on one core.
"""

from __future__ import annotations

import argparse
import copy
import os
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np

from dsp.downforce import Downforce, Estimate
from dsp.pipeline import Pipeline
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet, parse_sheet
from replay_logs.sensors import ACCELERATION_NOISE_G, GRAVITY_M_S2, SLOW_CHANNELS_HZ, Readings
from replay_logs.settings import StintSettings
from replay_logs.simulate import SHEET
from replay_logs.stint import Stint, simulate_each

SEED: Final = 20
CLOSE: Final = 0.05  # an error up to this share of the truth counts as found
_SIDE: Final = ("speed", "acceleration_longitudinal", "acceleration_lateral", "lap_number", "lap_distance")

Change = Callable[[dict[str, Any]], None]


@dataclass(frozen=True)
class Variant:
    """What is wrong, missing or added: a change of the sheet, channels left out, an offset of the FL sensor."""

    name: str
    change: Change | None = None
    without: tuple[str, ...] = ()
    zero_error_mm: float = 0.0
    vertical: bool = False


def _stiffer(raw: dict[str, Any]) -> None:
    """The car's springs are 3 % stiffer than this sheet says."""
    for axle in raw["axle"].values():
        axle["spring"]["rate_n_mm"] /= 1.03


def _no_dampers(raw: dict[str, Any]) -> None:
    for axle in raw["axle"].values():
        del axle["damper"]


def _no_height(raw: dict[str, Any]) -> None:
    del raw["car"]["centre_of_gravity_height_mm"]


def _higher(raw: dict[str, Any]) -> None:
    raw["car"]["centre_of_gravity_height_mm"] *= 1.1


def _heavier(raw: dict[str, Any]) -> None:
    raw["car"]["mass_kg"] += 20.0


VARIANTS: Final = (
    Variant("as it is"),
    Variant("FL zero 0.3 mm wrong", zero_error_mm=0.3),
    Variant("springs 3 % stiffer than the sheet", _stiffer),
    Variant("mass 20 kg wrong in the sheet", _heavier),
    Variant("centre of gravity 10 % too high in the sheet", _higher),
    Variant("no height of the centre of gravity", _no_height),
    Variant("no damper curves", _no_dampers),
    Variant("no longitudinal acceleration", without=("acceleration_longitudinal",)),
    Variant("no lateral acceleration", without=("acceleration_lateral",)),
    Variant("no lap distance", without=("lap_distance", "lap_number")),
    Variant("vertical acceleration logged too", vertical=True),
)


@dataclass
class Tally:
    """Relative errors, intervals' hits and widths of one variant; columns front, rear, total, share."""

    errors: list[list[float]] = field(default_factory=list)
    inside: list[list[bool]] = field(default_factory=list)
    standard_errors: list[list[float]] = field(default_factory=list)
    intercepts_n: list[list[float]] = field(default_factory=list)
    windows: list[int] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def add(self, found: Downforce, front_m2: float, rear_m2: float) -> None:
        """Take one stint's result and its truth."""
        if found.reason:
            self.refused.append(found.reason)
            return
        pairs = (
            (found.front_m2, front_m2),
            (found.rear_m2, rear_m2),
            (found.total_m2, front_m2 + rear_m2),
            (found.front_share, front_m2 / (front_m2 + rear_m2)),
        )
        self.errors.append([one.value / truth - 1.0 for one, truth in pairs])
        self.inside.append([holds(one, truth) for one, truth in pairs])
        self.standard_errors.append([one.standard_error / truth for one, truth in pairs])
        self.intercepts_n.append([found.front_intercept_n.value, found.rear_intercept_n.value])
        self.windows.append(found.windows_used)


def holds(estimate: Estimate, truth: float) -> bool:
    """True when the interval holds the truth."""
    return estimate.low <= truth <= estimate.high


def study_settings(count: int, seed: int = SEED) -> list[StintSettings]:
    """Stints whose downforce, air and road differ at random; pace and noise follow the name."""
    random = np.random.default_rng(seed)
    return [
        StintSettings(
            f"study_{number}",
            "Part of the downforce study.",
            timed_laps=3,
            downforce_area_front_m2=float(random.uniform(0.6, 1.5)),
            downforce_area_rear_m2=float(random.uniform(0.8, 2.0)),
            air_density_kg_m3=float(random.uniform(1.10, 1.28)),
            road_seed=int(random.integers(1, 2**31)),
        )
        for number in range(count)
    ]


def vertical_m_s2(stint: Stint) -> Floats:
    """What an accelerometer at the centre of gravity would have written at the log's rate, noise included."""
    every = round(stint.rate_hz / stint.readings.rate_hz)
    lifted = np.gradient(np.gradient(stint.body[:, 0])) * stint.rate_hz**2
    held = np.arange(len(stint.readings.sample))
    held -= held % (stint.readings.rate_hz // SLOW_CHANNELS_HZ)
    noise = stint.settings.generator(stint.seed, 90).normal(0.0, ACCELERATION_NOISE_G * GRAVITY_M_S2, len(held))
    return np.asarray(lifted[::every][stint.readings.sample][held] + noise[held], dtype=np.float64)


def stream(
    readings: Readings,
    without: tuple[str, ...] = (),
    extra: dict[str, Floats] | None = None,
    chunk_samples: int = 5000,
) -> Iterator[Chunk]:
    """What the logger wrote, as chunks; `without` names roles that are left out, `extra` holds further channels."""
    scaled = (
        readings.speed * (0.01 / 3.6),
        readings.acceleration_x * (0.001 * GRAVITY_M_S2),
        readings.acceleration_y * (0.001 * GRAVITY_M_S2),
        readings.lap.astype(np.float64),
        readings.lap_distance * 0.1,
    )
    named = zip(_SIDE, scaled, strict=True)
    side = {role: np.asarray(values, dtype=np.float64) for role, values in named if role not in without}
    side |= extra or {}
    counts = readings.counts.astype(np.float64)
    for start in range(0, len(counts), chunk_samples):
        part = slice(start, start + chunk_samples)
        yield Chunk(
            first_sample=int(readings.sample[start]),
            rate_hz=float(readings.rate_hz),
            sensors=np.asfortranarray(counts[part]),
            side={role: values[part] for role, values in side.items()},
        )


def find(
    sheet: Sheet, readings: Readings, without: tuple[str, ...] = (), extra: dict[str, Floats] | None = None
) -> Downforce:
    """Downforce of one stint's readings, through the whole chain."""
    roles = (*(role for role in _SIDE if role not in without), *(extra or {}))
    pipeline = Pipeline(sheet, float(readings.rate_hz), roles)
    for chunk in stream(readings, without, extra):
        pipeline.process(chunk)
    pipeline.finish()
    return pipeline.counting.downforce.result()


def sheet_for(raw: dict[str, Any], settings: StintSettings, variant: Variant) -> Sheet:
    """The sheet a person would have for this stint: the day's air, and the variant's mistake."""
    changed = copy.deepcopy(raw)
    changed["air"] = {"density_kg_m3": settings.air_density_kg_m3}
    changed["corner"]["FL"]["sensor"]["zero_mm"] -= variant.zero_error_mm
    if variant.change is not None:
        variant.change(changed)
    return parse_sheet(changed)


def report(tallies: dict[str, Tally]) -> None:
    """Print the tables."""
    for name, tally in tallies.items():
        count = len(tally.errors)
        print(f"\n{name}: {count} of {count + len(tally.refused)} stints gave numbers", end="")
        if not count:
            print(f" ({tally.refused[0]})")
            continue
        errors, inside = np.array(tally.errors), np.array(tally.inside)
        intercepts = np.array(tally.intercepts_n)
        print(f"; windows {min(tally.windows)} to {max(tally.windows)}; intercepts ", end="")
        print(" and ".join(f"{intercepts[:, i].mean():+.0f} +- {intercepts[:, i].std():.0f} N" for i in range(2)))
        print(f"{'':8}{'mean':>9}{'RMS':>9}{'worst':>9}{'std. err.':>11}{'within 5 %':>12}{'in interval':>13}")
        for column, label in enumerate(("front", "rear", "total", "share")):
            error = errors[:, column]
            print(
                f"{label:8}{error.mean():>+9.2%}{np.sqrt((error**2).mean()):>9.2%}{np.abs(error).max():>9.2%}"
                f"{np.array(tally.standard_errors)[:, column].mean():>11.2%}"
                f"{np.mean(np.abs(error) <= CLOSE):>12.0%}{inside[:, column].mean():>13.1%}"
            )


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stints", type=int, default=40)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--plain", action="store_true", help="nothing wrong or missing; no variants")
    options = parser.parse_args()
    raw = tomllib.loads(SHEET.read_text(encoding="utf-8"))
    settings = study_settings(options.stints, options.seed)
    variants = VARIANTS[:1] if options.plain else VARIANTS
    tallies = {variant.name: Tally() for variant in variants}
    for stint in simulate_each(sheet_for(raw, settings[0], variants[0]), settings, options.seed):
        one = stint.settings
        for variant in variants:
            extra = {"acceleration_vertical": vertical_m_s2(stint)} if variant.vertical else None
            found = find(sheet_for(raw, one, variant), stint.readings, variant.without, extra)
            tallies[variant.name].add(found, one.downforce_area_front_m2, one.downforce_area_rear_m2)
    report(tallies)


if __name__ == "__main__":
    main()
