"""Guesses which column of a log holds which role, by its name alone: a proposal for a person to check.

Pure functions on names. What is not clearly named after one role is not guessed at all.
"""

from __future__ import annotations

import re

_WORDS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_UNITS = frozenset(
    {"km", "h", "kmh", "kph", "mph", "m", "s", "ms", "us", "ns", "sec", "mm", "deg", "v", "mv", "counts"}
)
_CORNERS = {
    "FL": ({"fl"}, {"lf"}, {"front", "left"}),
    "FR": ({"fr"}, {"rf"}, {"front", "right"}),
    "RL": ({"rl"}, {"lr"}, {"rear", "left"}),
    "RR": ({"rr"}, {"rear", "right"}),
}
_DAMPER = frozenset({"damper", "dampers", "shock", "susp", "suspension", "pot", "potentiometer", "lvdt"})
_POSITION = frozenset({"travel", "pos", "position", "displacement", "disp", "stroke", "sensor", "raw"})
_ACCELERATION = frozenset({"acc", "accel", "acceleration", "g"})
_DIRECTIONS = {
    "acceleration_longitudinal": frozenset({"long", "longitudinal", "x", "ax", "inline"}),
    "acceleration_lateral": frozenset({"lat", "lateral", "y", "ay"}),
    "acceleration_vertical": frozenset({"vert", "vertical", "z", "az"}),
}
_NUMBER = frozenset({"number", "no", "nr", "num", "n", "count", "counter", "index"})
# Whole names, units left out, with how well they fit.
_WHOLE: dict[str, tuple[tuple[frozenset[str], int], ...]] = {
    "speed": (
        (frozenset({"speed"}), 3),
        (frozenset({"ground", "speed"}), 3),
        (frozenset({"car", "speed"}), 3),
        (frozenset({"vehicle", "speed"}), 3),
        (frozenset({"velocity"}), 2),
        (frozenset({"gps", "speed"}), 2),
        (frozenset({"car"}), 2),  # v_car, whose v is left out
    ),
    "lap_distance": (
        (frozenset({"lap", "distance"}), 3),
        (frozenset({"lap", "dist"}), 3),
        (frozenset({"distance"}), 1),
        (frozenset({"dist"}), 1),
    ),
    "lap_marker": (
        (frozenset({"lap", "marker"}), 3),
        (frozenset({"lap", "beacon"}), 3),
        (frozenset({"lap", "trigger"}), 3),
        (frozenset({"beacon"}), 2),
        (frozenset({"marker"}), 1),
    ),
    "time": (
        (frozenset({"time"}), 3),
        (frozenset({"timestamp"}), 3),
        (frozenset({"elapsed", "time"}), 2),
        (frozenset({"log", "time"}), 2),
        (frozenset({"t"}), 1),
    ),
    "counter": (
        (frozenset({"sample"}), 3),
        (frozenset({"counter"}), 3),
        (frozenset({"sample", "number"}), 3),
        (frozenset({"sample", "counter"}), 3),
        (frozenset({"samples"}), 2),
        (frozenset({"sequence"}), 2),
        (frozenset({"index"}), 1),
    ),
}


def guesses(names: list[str]) -> dict[str, str]:
    """The column proposed for each role: dampers and side roles as in `[log.columns]`, "time" and "counter".

    Examples
    --------
    >>> guesses(["Time", "Damper Pos FL", "FL temp", "Ground Speed"])
    {'time': 'Time', 'damper_FL': 'Damper Pos FL', 'speed': 'Ground Speed'}
    """
    best: dict[str, tuple[int, str]] = {}
    for name in names:
        for role, fit in _fits(name).items():
            if role not in best or fit > best[role][0]:
                best[role] = (fit, name)
    return {role: name for role, (_, name) in best.items()}


def _fits(name: str) -> dict[str, int]:
    words = {word.lower() for word in _WORDS.findall(name)}
    for corner, spellings in _CORNERS.items():
        for spelling in spellings:
            if spelling <= words:
                fit = _damper_fit(words - spelling - _UNITS)
                return {f"damper_{corner}": fit} if fit else {}
    bare = words - _UNITS
    found = {role: fit for role, wholes in _WHOLE.items() for whole, fit in wholes if bare == whole}
    if bare == {"car"} and "v" not in words:
        found.pop("speed", None)
    if "lap" in bare and bare <= {"lap"} | _NUMBER:
        found["lap_number"] = 3 if bare == {"lap"} else 2
    for role, directions in _DIRECTIONS.items():
        if bare <= _ACCELERATION | directions | {"car", "body"} and len(bare & directions) == 1:
            alone = (
                bare
                & directions
                & {"x", "y", "z", "long", "lat", "vert", "longitudinal", "lateral", "vertical", "inline"}
            )
            if bare & _ACCELERATION or not alone:
                found[role] = 2
    return found


def _damper_fit(words: set[str]) -> int:
    """How well words beside the corner's name speak of a damper's position; 0 for anything else."""
    if words - _DAMPER - _POSITION:
        return 0
    return 1 + 2 * bool(words & _DAMPER) + bool(words & _POSITION)
