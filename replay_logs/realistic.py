"""Stints with the scatter of real laps: sizes drawn from plausible ranges by the stint's own seed.

In: a name, a number of laps, a seed. Out: settings for the simulator. Pure; the same arguments give the same stint.
"""

from __future__ import annotations

from dataclasses import replace

from replay_logs.disturbances import Scatter
from replay_logs.settings import StintSettings


def realistic(name: str, timed_laps: int, seed: int) -> StintSettings:
    """A healthy stint whose laps differ as they do on a race day without rain; `replace` puts faults in."""
    stint = StintSettings(name, "A healthy car on a real day.", timed_laps=timed_laps)
    draw = stint.generator(seed, 31).uniform
    fuel = draw(1.4, 2.2)  # kg a lap of this length, at 60 to 95 l per 100 km
    return replace(
        stint,
        scatter=Scatter(
            pace=draw(0.003, 0.008),
            line=draw(0.2, 0.5),
            kerbs=draw(0.12, 0.3),
            fuel_start_kg=fuel * (0.5 * (timed_laps + 2)),  # the sheet's mass has half the fuel
            fuel_per_lap_kg=fuel,
            damping_cold=draw(0.03, 0.12),  # oil gets thinner by some per cent until it is warm
            damping_warm_laps=draw(1.0, 3.0),
            tyre_cold=draw(0.04, 0.1),  # pressures rise by a fifth to a third, rates by less
            tyre_warm_laps=draw(1.0, 2.5),
            damping_fade=draw(0.0, 0.05),
            damping_fade_laps=draw(6.0, 15.0),
            traffic=draw(0.05, 0.25),
            strut_friction_n=draw(15.0, 50.0),  # seals, bushes and joints at the damper
        ),
    )
