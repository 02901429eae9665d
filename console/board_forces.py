"""The view of forces: wheel loads now and over the stint, how they are shared, and downforce or why it is not known.

In: a `BoardView` and a size. Out: the answer in words, and lines of text. As room shrinks these go, in this order:
loads of the air by speed, what the reader must know of the numbers, windows refused, shares; of the table's columns
the bar, means, time unloaded. Never raises on unknown values.
"""

from __future__ import annotations

import math

from rich.style import Style
from rich.text import Text

from console.board_table import Column, stacked, table
from console.car_panels import half_width
from console.paint import LIMIT, LOW_SPEED, STRONG, Glyphs, number, pieces, safe, title, wrap
from console.view import BoardView
from dsp.downforce import Downforce

_HEAVY_N = 1000.0  # a static load from which hundredths of a kN tell enough
_SCALE = 2.5
_LEAST_BAR = 16
_SHOWN_SPEED_M_S = 200.0 / 3.6


def answer(view: BoardView, glyphs: Glyphs) -> tuple[str, bool]:
    """Downforce and its balance, or why there is none."""
    found = view.car_now.downforce
    if found is None:
        return "downforce not known: nothing has been driven", False
    if found.reason:
        return f"downforce not known: {safe(found.reason, glyphs)}", False
    total, share = found.total_m2, found.front_share
    force_kn = 0.5 * found.air_density_kg_m3 * _SHOWN_SPEED_M_S**2 * total.value / 1000.0
    at = f"downforce {force_kn:.1f} kN at 200 km/h"
    return f"{at}, aero balance {100.0 * share.value:.1f} {half_width(share, 100.0, 1, glyphs)} % front", False


def body(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The view below its answer, at most `height` lines of `width` cells."""
    found = view.car_now.downforce
    spaced = height >= 24
    groups = [_loads(view, width, glyphs), _air(found, width, glyphs), _shares(view, width, glyphs)]
    if found is not None:
        groups += [_windows(found, width, glyphs), _notes(found, width, glyphs), _bands(found, width, glyphs)]
    return stacked(groups, height, spaced=spaced)


def _unit(view: BoardView) -> tuple[str, float, int]:
    heaviest = max((value for value in view.car_now.static_n if math.isfinite(value)), default=math.nan)
    return ("kN", 1000.0, 2) if not heaviest < _HEAVY_N else ("N", 1.0, 0)


def _loads(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    now = view.car_now
    unit, per, decimals = _unit(view)
    heaviest = max((value for value in now.static_n if math.isfinite(value)), default=math.nan)
    full = _SCALE * heaviest / per
    full = math.ceil(full) if unit == "kN" and math.isfinite(full) else full

    def shown(values: tuple[float, ...]) -> list[str]:
        return [number(value / per, 6, decimals, glyphs) for value in values]

    columns = [
        Column("wheel", [(safe(corner.name), STRONG) for corner in view.corners], 20, 5, left=True),
        Column("now", shown(now.load_n), 10),
        Column("lowest", shown(now.lowest_n), 9),
        Column("highest", shown(now.highest_n), 8),
        Column("static", shown(now.static_n), 6),
        Column("mean", shown(now.mean_n), 3),
        Column("unloaded", [_seconds(value, glyphs) for value in now.unloaded_s], 5),
        Column(
            "",
            width=_LEAST_BAR,
            paint=lambda row, cells: _bar(now.load_n[row] / per, now.static_n[row] / per, full, cells, glyphs),
            heading=lambda cells: _scale(full, unit, cells, glyphs),
        ),
    ]
    return [title("WHEEL LOAD", width, glyphs, f"{unit}, extremes of the stint"), *table(columns, 4, width, glyphs)]


def _seconds(value: float, glyphs: Glyphs) -> str:
    return number(value, 6, 1, glyphs) + (" s" if math.isfinite(value) else "  ")


def _scale(full: float, unit: str, cells: int, glyphs: Glyphs) -> str:
    end = f"{full:.0f} {unit}" if math.isfinite(full) else ""
    words = f"now, {glyphs.tick} static"
    if len(words) + len(end) + 4 <= cells:
        return "0 " + words.center(cells - 3 - len(end)) + " " + end
    return "0" + end.rjust(cells - 1)


def _bar(load: float, static: float, full: float, cells: int, glyphs: Glyphs) -> Text:
    def place(value: float) -> int:
        return max(0, min(cells, round(cells * value / full))) if math.isfinite(value / full) else 0

    length = place(load)
    marks = [(glyphs.heavy, LOW_SPEED)] * length + [(" ", Style())] * (cells - length)
    if math.isfinite(static) and math.isfinite(full):
        marks[min(cells - 1, place(static))] = (glyphs.tick, LIMIT)
    return pieces(*marks)


def _shares(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    now = view.car_now

    def percent(value: float) -> str:
        return number(100.0 * value, 5, 1, glyphs) + " %"

    rows = (
        ("front of all", now.front_share, now.stint_front_share),
        ("left of front", _part(now.load_n[0], now.load_n[1]), now.left_shares[0]),
        ("left of rear", _part(now.load_n[2], now.load_n[3]), now.left_shares[1]),
        ("FR and RL of all", _part(now.load_n[1] + now.load_n[2], now.load_n[0] + now.load_n[3]), now.cross_share),
    )
    columns = [
        Column("share", [name for name, _, _ in rows], 20, left=True),
        Column("now", [percent(value) for _, value, _ in rows], 9),
        Column("stint mean", [percent(value) for _, _, value in rows], 8),
    ]
    return [title("LOAD SHARES", width, glyphs), *table(columns, len(rows), width, glyphs)]


def _part(one: float, other: float) -> float:
    return one / (one + other) if one + other > 0.0 else math.nan


def _air(found: Downforce | None, width: int, glyphs: Glyphs) -> list[Text]:
    if found is None or found.reason:
        reason = "nothing has been driven" if found is None else safe(found.reason, glyphs)
        return [
            title("DOWNFORCE", width, glyphs, "not known"),
            *(pieces(line) for line in wrap(reason, width, glyphs)),
        ]
    rows = (
        ("C_z A front", found.front_m2, 1.0, 2, "m2"),
        ("C_z A rear", found.rear_m2, 1.0, 2, "m2"),
        ("C_z A total", found.total_m2, 1.0, 2, "m2"),
        ("aero balance, front", found.front_share, 100.0, 1, "%"),
    )
    columns = [
        Column("", [name for name, *_ in rows], 20, left=True),
        Column("value", [number(e.value * k, 7, d, glyphs) + f" {u:<2}" for _, e, k, d, u in rows], 9),
        Column("95 % from", [number(e.low * k, 7, d, glyphs) for _, e, k, d, _ in rows], 7),
        Column("to", [number(e.high * k, 7, d, glyphs) for _, e, k, d, _ in rows], 7),
        Column("half width", [half_width(e, k, d, glyphs) for _, e, k, d, _ in rows], 4),
    ]
    told = f"{found.windows_used} steady windows of {found.windows_judged}"
    return [title("DOWNFORCE", width, glyphs, told), *table(columns, len(rows), width, glyphs)]


def _windows(found: Downforce, width: int, glyphs: Glyphs) -> list[Text]:
    refused = [f"{count} {gate.replace('_', ' ')}" for gate, count in found.windows_refused.items() if count]
    speeds = ""
    if math.isfinite(found.slowest_m_s):
        speeds = f" from {found.slowest_m_s * 3.6:.0f} to {found.fastest_m_s * 3.6:.0f} km/h at {found.places} places"
    words = f"steady windows: {found.windows_used} used{speeds}"
    words += f"; refused: {', '.join(refused)}" if refused else ""
    if math.isfinite(found.air_density_kg_m3):
        words += f"; air {found.air_density_kg_m3:.3f} kg/m3, {safe(found.air_density_how, glyphs)}"
    return [pieces(line) for line in wrap(words, width, glyphs, 0, 2)]


def _notes(found: Downforce, width: int, glyphs: Glyphs) -> list[Text]:
    return [
        pieces((line, Style())) for note in found.notes for line in wrap(safe(note, glyphs, 300), width, glyphs, 0, 2)
    ]


def _bands(found: Downforce, width: int, glyphs: Glyphs) -> list[Text]:
    if not found.bands:
        return []
    bands = found.bands

    def force(value_n: float) -> str:
        return number(value_n, 7, 0, glyphs) + " N"

    columns = [
        Column("speed", [f"{one.from_km_h:3.0f} to {one.to_km_h:3.0f} km/h" for one in bands], 20, left=True),
        Column("windows", [f"{one.windows:d}" for one in bands], 5),
        Column("front", [force(one.front_n) for one in bands], 9),
        Column("error", [force(one.front_standard_error_n) for one in bands], 6),
        Column("rear", [force(one.rear_n) for one in bands], 8),
        Column("error", [force(one.rear_standard_error_n) for one in bands], 6),
    ]
    return [
        title("LOAD OF THE AIR", width, glyphs, "by speed, standard errors"),
        *table(columns, len(bands), width, glyphs),
    ]
