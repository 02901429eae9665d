"""Windows in which the car runs steadily enough to weigh the air, and the load of the air on each axle in them.

In: car blocks of one stream, in any cutting. Out: accepted windows in a bounded store (the oldest are overwritten),
and how many windows each gate refused. Windows lie at multiples of their length on the device's counter and are judged
when they are complete and of one stretch, by arithmetic on the same rows in the same order, so that no cut changes a
decision. Nothing raises; what is unknown in any row refuses the window.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from dsp.air import density_of
from dsp.corner_loads import GRAVITY_M_S2, LinkLoads
from dsp.frame import CarBlock
from ingest.chunk import AXLE_CORNERS, CORNERS, Floats, Ints
from ingest.sheet import Sheet

MOST_WINDOWS: Final = 20_000  # of 0.5 s: nearly three hours of nothing but steady running; 1 MB
# The same bump comes every lap at the same place: errors within such a length of the lap are taken as related.
PLACE_M: Final = 100.0
RUN_S: Final = 10.0  # without a place, neighbours in time are taken as related

# Why a window is refused, in the order in which the gates are asked; the first that refuses counts.
GATES: Final = (
    "speed_unknown",
    "unknown",
    "slow",
    "cornering",
    "accelerating",
    "rough",
    "kerb",
    "bump_stops",
)
# Columns of the store.
PRESSURE, FRONT, REAR, SPEED, FORWARD, CLUSTER = range(6)

# Channels of a row: those that are averaged over a window, then the warp (its peak) and the place (in the middle).
_SUM_FRONT, _SUM_REAR, _STOP_FRONT, _STOP_REAR, _LOAD_FRONT, _LOAD_REAR, _VELOCITY_SQUARE = range(7)
_SPEED, _SPEED_SQUARE, _FORWARD, _BACKWARD, _LATERAL, _VERTICAL, _WARP, _PLACE = range(7, 15)
_CHANNELS = 15
# Of a complete window, beside its channels: its number, the speed's change, and which channels it does not have.
_NUMBER, _SPEED_CHANGE, _NO_FORWARD, _NO_LATERAL, _NO_VERTICAL = range(15, 20)
_WINDOW_VALUES = 20
_NEEDED = (*range(_VELOCITY_SQUARE + 1), _SPEED_SQUARE, _WARP)
_WAITING = 256  # windows judged at once: a call of numpy costs as much for one as for hundreds


class SteadyWindows:
    """Collects steady windows.

    With bars denoting the mean over a window, the load of the air on an axle is

        front: S - m_s z'' + (1 - d) (m h - m_u h_u) a_x / L
        rear:  S - m_s z'' - (1 - e) (m h - m_u h_u) a_x / L

    S is the axle's change of suspension force from static (both wheels), m_s its sprung mass, z'' the body's vertical
    acceleration (left out when it is not logged), m the car's mass with its centre of gravity at h, m_u h_u the sum of
    the unsprung masses times their centres' heights, L the wheelbase, and a_x the forward acceleration. d is the
    anti-dive share when a_x < 0 and 0 otherwise; e is the anti-lift share when a_x < 0 and the anti-squat share
    otherwise: what the links carry, a spring does not show, and neither does it show the unsprung masses' own transfer
    m_u h_u a_x / L. With h_u = 0 and no anti shares the whole m h a_x / L goes through the springs. The drag's moment
    about the road is part of what is found, as it is on a balance in a wind tunnel.

    Without a height of the centre of gravity the last term is left out here (see `transfer_known`). Without z'' a
    window's load is off by the mean inertia, which comes from the road: some 60 N for the front and 85 N for the rear
    axle of a 1300 kg car in 0.5 s. A body velocity from wheel travel and tyre deflection was tried for it and left
    out: the road's own height is missing from it, and it made the front's scatter larger and the rear's little smaller.

    Parameters
    ----------
    sheet : Sheet
        Masses, geometry, gates and air.
    row_rate_hz : float
        Rows of a block a second.
    stride : int
        Samples from row to row.
    """

    def __init__(self, sheet: Sheet, row_rate_hz: float, stride: int) -> None:
        self.settings = sheet.downforce
        self.density_kg_m3, self.density_how = density_of(sheet.air)
        # 0 is the sheet's way to say that the height is not given.
        self.transfer_known = sheet.car.centre_of_gravity_height_mm > 0.0
        self._links = LinkLoads(sheet)
        self._sprung_kg = [
            sum(
                sheet.static_load_n(CORNERS[corner]) / GRAVITY_M_S2 - sheet.suspension(CORNERS[corner]).unsprung_mass_kg
                for corner in corners
            )
            for corners in AXLE_CORNERS.values()
        ]
        self._kerb_warp_mm = sheet.alerts.platform_low.kerb_warp_mm
        self._row_rate_hz = row_rate_hz
        self._stride = stride
        self.window_rows = max(2, round(self.settings.window_s * row_rate_hz))
        self._run_windows = max(1, round(RUN_S * row_rate_hz / self.window_rows))
        # These counts are those of judged windows; `settle` first.
        self.refused = dict.fromkeys(GATES, 0)
        self.judged = 0
        self.accepted = 0
        # Accepted windows without a channel: lateral is not gated then, longitudinal is the speed's change.
        self.without = {"lateral": 0, "longitudinal": 0, "vertical": 0, "place": 0}
        # Vertical acceleration over the accepted windows that have it: a sensor that holds gravity shows here.
        self._vertical_sum = 0.0
        self._store = np.empty((MOST_WINDOWS, 6))
        self._rows = np.empty((_CHANNELS, self.window_rows))
        self._held = 0  # rows of a window that is not yet complete, at the front of the array
        self._next_sample: int | None = None
        self._waiting = np.empty((_WINDOW_VALUES, _WAITING))
        self._waits = 0

    @property
    def dropped(self) -> int:
        """Accepted windows that were overwritten by newer ones."""
        return max(0, self.accepted - MOST_WINDOWS)

    def windows(self) -> Floats:
        """Accepted windows that are still held, oldest first, shape (n, 6); columns PRESSURE to CLUSTER."""
        self.settle()
        if self.accepted <= MOST_WINDOWS:
            return self._store[: self.accepted].copy()
        return np.roll(self._store, -(self.accepted % MOST_WINDOWS), axis=0)

    @property
    def mean_vertical_m_s2(self) -> float:
        """Mean vertical acceleration over the accepted windows that have one; NaN when none has."""
        self.settle()
        count = self.accepted - self.without["vertical"]
        return self._vertical_sum / count if count else math.nan

    def process(self, block: CarBlock) -> None:
        """Take the next block of the stream."""
        if block.starts_stretch or block.first_sample != self._next_sample:
            self._held = 0
        self._next_sample = block.first_sample + len(block) * self._stride
        # Rows before the next window's first one are of a window whose beginning is missing.
        first = block.first_sample // self._stride
        skipped = 0 if self._held else min(-first % self.window_rows, len(block))
        stop = self._held + len(block) - skipped
        if stop > self._rows.shape[1]:
            larger = np.empty((_CHANNELS, stop))
            larger[:, : self._held] = self._rows[:, : self._held]
            self._rows = larger
        # A logger may write any number; what overflows is not finite, and refuses its window.
        with np.errstate(over="ignore", invalid="ignore"):
            self._fill(block, first, skipped, stop)

    def _fill(self, block: CarBlock, first: int, skipped: int, stop: int) -> None:
        """Take the block from row `skipped` on, up to `stop` rows held, and reduce what is complete."""
        if skipped < len(block):
            self._take(block, skipped, self._rows[:, self._held : stop])
        window = (first + skipped - self._held) // self.window_rows
        self._held = stop
        count = stop // self.window_rows
        if count:
            for start in range(0, count, _WAITING):
                some = min(_WAITING, count - start)
                begin = start * self.window_rows
                rows = self._rows[:, begin : begin + some * self.window_rows]
                self._complete(rows.reshape(_CHANNELS, some, self.window_rows), window + start)
            self._held = stop - count * self.window_rows
            self._rows[:, : self._held] = self._rows[:, stop - self._held : stop].copy()

    def settle(self) -> None:
        """Judge the windows that are complete and wait for it."""
        if self._waits:
            with np.errstate(over="ignore", invalid="ignore"):
                self._judge(self._waiting[:, : self._waits])
            self._waits = 0

    @staticmethod
    def _take(block: CarBlock, start: int, rows: Floats) -> None:
        """Fill `rows`, shape (15, n), each channel one contiguous run, from row `start` of the block on."""
        part = slice(start, None)
        for axle, (left, right) in enumerate(AXLE_CORNERS.values()):
            for first, values in (
                (_SUM_FRONT, block.suspension_n),
                (_STOP_FRONT, block.stop_n),
                (_LOAD_FRONT, block.load_n),
            ):
                np.add(values[part, left], values[part, right], out=rows[first + axle])
        velocity, square = block.damper_velocity_mm_s[part], rows[_VELOCITY_SQUARE]
        np.multiply(velocity[:, 0], velocity[:, 0], out=square)
        for corner in range(1, 4):
            np.multiply(velocity[:, corner], velocity[:, corner], out=rows[_PLACE])
            square += rows[_PLACE]
        speed = block.speed_m_s[part]
        rows[_SPEED] = speed
        np.multiply(speed, speed, out=rows[_SPEED_SQUARE])
        np.clip(block.acceleration_x_m_s2[part], 0.0, np.inf, out=rows[_FORWARD])
        np.clip(block.acceleration_x_m_s2[part], -np.inf, 0.0, out=rows[_BACKWARD])
        np.abs(block.acceleration_y_m_s2[part], out=rows[_LATERAL])
        rows[_VERTICAL] = block.acceleration_z_m_s2[part]
        np.abs(block.warp_mm[part], out=rows[_WARP])
        rows[_PLACE] = block.place_m[part]

    def _complete(self, rows: Floats, first_window: int) -> None:
        """Reduce complete windows, shape (15, n, window_rows), the first of them with this number since sample 0."""
        count = rows.shape[1]
        if self._waits + count > _WAITING:
            self.settle()
        values = self._waiting[:, self._waits : self._waits + count]
        self._waits += count
        np.divide(rows[:_WARP].sum(axis=2), self.window_rows, out=values[:_WARP])
        rows[_WARP].max(axis=1, out=values[_WARP])
        values[_PLACE] = rows[_PLACE, :, self.window_rows // 2]
        values[_NUMBER] = first_window + np.arange(count)
        np.subtract(rows[_SPEED, :, -1], rows[_SPEED, :, 0], out=values[_SPEED_CHANGE])
        values[_NO_FORWARD:] = 0.0
        # A channel without one known value in the window is not logged; single missing ones are a fault.
        for channel, absent in ((_FORWARD, _NO_FORWARD), (_LATERAL, _NO_LATERAL), (_VERTICAL, _NO_VERTICAL)):
            unknown = np.isnan(values[channel])
            if unknown.any():
                values[absent, unknown] = np.isnan(rows[channel, unknown]).all(axis=1)

    def _judge(self, values: Floats) -> None:
        """Ask the gates about complete windows, shape (20, n), and keep what they let through."""
        forward, backward, lateral, vertical = values[[_FORWARD, _BACKWARD, _LATERAL, _VERTICAL]]
        absent = values[[_NO_FORWARD, _NO_LATERAL, _NO_VERTICAL]] > 0.0
        change = values[_SPEED_CHANGE] * (self._row_rate_hz / (self.window_rows - 1))
        forward = np.where(absent[0], np.maximum(change, 0.0), forward)
        backward = np.where(absent[0], np.minimum(change, 0.0), backward)
        lateral, vertical = np.where(absent[1], 0.0, lateral), np.where(absent[2], 0.0, vertical)
        gates = self._gates(values, forward + backward, lateral, vertical)
        self.judged += len(gates)
        for gate, refused in zip(GATES, np.bincount(gates, minlength=len(GATES)).tolist(), strict=False):
            self.refused[gate] += refused
        taken = np.flatnonzero(gates == len(GATES))
        if len(taken) == 0:
            return
        values, forward, backward, absent = values[:, taken], forward[taken], backward[taken], absent[:, taken]
        no_place = np.isnan(values[_PLACE])
        for name, missing in zip(("longitudinal", "lateral", "vertical", "place"), [*absent, no_place], strict=True):
            self.without[name] += int(np.count_nonzero(missing))
        self._vertical_sum = float(np.cumsum(np.concatenate(([self._vertical_sum], vertical[taken])))[-1])
        kept = np.empty((len(taken), 6))
        kept[:, PRESSURE] = 0.5 * self.density_kg_m3 * values[_SPEED_SQUARE]
        kept[:, SPEED] = values[_SPEED]
        kept[:, FORWARD] = forward + backward
        for axle in range(2):
            load = values[_SUM_FRONT + axle] - self._sprung_kg[axle] * vertical[taken]
            if self.transfer_known:
                load -= self._links.through_springs_n(forward, axle)
                load -= self._links.through_springs_n(backward, axle)
            kept[:, FRONT + axle] = load
        runs = -1.0 - values[_NUMBER] // self._run_windows
        kept[:, CLUSTER] = np.where(no_place, runs, np.floor(np.maximum(values[_PLACE], 0.0) / PLACE_M))
        self._keep(kept)

    def _gates(self, values: Floats, along: Floats, lateral: Floats, vertical: Floats) -> Ints:
        """For every window the place in `GATES` of the first gate that refuses it, or their number for none."""
        settings = self.settings
        needed = values[list(_NEEDED)].sum(axis=0) + along + lateral + vertical
        carried = np.maximum(
            values[_STOP_FRONT] - settings.most_stop_share * values[_LOAD_FRONT],
            values[_STOP_REAR] - settings.most_stop_share * values[_LOAD_REAR],
        )
        # Each is written so that an unknown value refuses.
        passed = (
            np.isfinite(values[_SPEED]),
            np.isfinite(needed),
            values[_SPEED] >= settings.slowest_m_s,
            lateral <= settings.most_lateral_m_s2,
            np.abs(along) <= settings.most_longitudinal_m_s2,
            values[_VELOCITY_SQUARE] <= 4.0 * settings.most_damper_speed_mm_s**2,
            values[_WARP] <= self._kerb_warp_mm,
            carried <= 0.0,
        )
        gates = np.full(values.shape[1], len(GATES))
        for number in range(len(GATES) - 1, -1, -1):
            gates[~passed[number]] = number
        return gates

    def _keep(self, kept: Floats) -> None:
        """Store accepted windows in turn, over the oldest ones when the store is full."""
        self._store[(self.accepted + np.arange(len(kept))) % MOST_WINDOWS] = kept
        self.accepted += len(kept)
