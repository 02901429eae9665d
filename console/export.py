"""Exports a recording as a table: damper travel and side channels, or with `raw` the values as they were received.

In: a recording, and the car sheet (given, or the one that the recording holds). Out: a CSV, Parquet or HDF5 file with
one row a sample, and lines for people. Constant memory. Raises LogError, SheetError or ResultsError.

Calibrated, in the order of the sample counter: `sample` (the counter), `time_s` (sample time from the first sample),
travel in mm and side channels in house units. Missing samples have no row. Raw, in the order of arrival, doubled
samples and all: `counter` (as sent), `arrival_s` (of the bytes, from the first payload), `device_time_us` (on the
first row of a frame), values before scale, offset and unit.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from console.export_file import Columns, TableWriter, new_table
from console.stopping import Stopping
from console.verify import damage_lines
from ingest.calibration import Calibration
from ingest.chunk import CORNERS, SIDE_UNITS, Chunk
from ingest.errors import LogError
from ingest.framing import make_decoder
from ingest.link_block import LinkCounts, SampleBlock
from ingest.recording_log import RecordingLog, payloads
from ingest.recording_reader import Damage, open_recording
from ingest.sheet import Sheet, load_sheet, parse_sheet
from ingest.sheet_link import LinkLayout
from ingest.text import clean

_STEPS_A_REPORT = 100  # some hundredths of a second
_UNIT_SUFFIXES = {"m/s": "_m_s", "m/s2": "_m_s2", "m": "_m", "": ""}


@dataclass(frozen=True)
class ExportOptions:
    """What the command line chose. `sheet` None takes the one in the recording."""

    to: Path
    sheet: Path | None = None
    raw: bool = False
    overwrite: bool = False


def export(path: Path, options: ExportOptions, report: Callable[[float], None] | None = None) -> tuple[list[str], int]:
    """Write the table; returns lines to print and the exit code: 0, or 128 plus a signal's number.

    `report` is told how much of the recording has been read, 0 to 1.

    Raises
    ------
    LogError, SheetError, ResultsError
        The recording, the sheet or the file to write can't be used; no file is left then.
    """
    with open_recording(path) as recording:
        header = recording.header
    sheet = _sheet_in(header, path) if options.sheet is None else load_sheet(options.sheet)
    with Stopping() as stopping:
        try:
            with new_table(options.to, overwrite=options.overwrite) as table:
                write = _write_raw if options.raw else _write_calibrated
                lines = write(path, sheet, table, _Watch(stopping, report))
        except _StoppedError:
            return [], stopping.exit_code
    return [f"{clean(options.to, 200)}: {lines[0]}", *(f"  {line}" for line in lines[1:])], 0


class _StoppedError(Exception):
    """A signal asked to end."""


class _Watch:
    """Looked at between two steps: ends the export when a signal asks for it, and tells how far it is."""

    def __init__(self, stopping: Stopping, report: Callable[[float], None] | None) -> None:
        self._stopping, self._report = stopping, report
        self._steps = 0

    def check(self, progress: Callable[[], float]) -> None:
        if self._stopping.signal is not None:
            raise _StoppedError
        if self._report is not None and self._steps % _STEPS_A_REPORT == 0:
            self._report(progress())
        self._steps += 1


def _write_calibrated(path: Path, sheet: Sheet, table: TableWriter, watch: _Watch) -> list[str]:
    calibration = Calibration(sheet)
    with RecordingLog(str(path), sheet) as log:
        first: int | None = None
        for chunk in log:
            watch.check(log.progress)
            if chunk.silent:
                continue
            first = chunk.first_sample if first is None else first
            table.write(_calibrated_columns(chunk, first, calibration))
        counts = log.counts
        lines = [f"{counts.samples} samples at {log.rate_hz:g} Hz"]
        if counts.missing_samples:
            lines.append(f"{counts.missing_samples} samples are missing, in {counts.gaps} gaps; they have no rows")
        if counts.restarts:
            lines.append(f"the counter started again {counts.restarts} times; sample and time count on")
        return [*lines, *log.notes, *_account(log.link_counts, log.damage)]


def _calibrated_columns(chunk: Chunk, first: int, calibration: Calibration) -> Columns:
    sample = chunk.first_sample + np.arange(len(chunk), dtype=np.int64)
    travel_mm = calibration.process(np.asfortranarray(chunk.sensors))
    columns: dict[str, Any] = {"sample": sample, "time_s": (sample - first) / chunk.rate_hz}
    for index, corner in enumerate(CORNERS):
        columns[f"damper_{corner}_mm"] = travel_mm[:, index]
    for role, values in chunk.side.items():
        columns[role + _UNIT_SUFFIXES[SIDE_UNITS[role]]] = values
    return columns


def _write_raw(path: Path, sheet: Sheet, table: TableWriter, watch: _Watch) -> list[str]:
    counts = LinkCounts()
    decoder = make_decoder(_link_of(sheet, path), counts)
    roles: tuple[str, ...] | None = None
    rows = other = 0
    arrival_s = 0.0

    def take(block: SampleBlock) -> None:
        nonlocal roles, rows, other
        roles = block.roles if roles is None else roles
        other += set(block.roles) != set(roles)
        rows += len(block.values)
        table.write(_raw_columns(block, roles, arrival_s))

    with open_recording(path) as recording:
        began_ns: int | None = None
        for entry in payloads(recording, decoder):
            watch.check(recording.progress)
            began_ns = entry.monotonic_ns if began_ns is None else began_ns
            arrival_s = (entry.monotonic_ns - began_ns) / 1e9
            for block in decoder.feed(entry.payload):
                take(block)
        for block in decoder.finish():
            take(block)
        damage = recording.damage
    if roles is None:
        raise LogError(
            f"{clean(path, 200)}: not one sample can be decoded; does the sheet's [link] fit this recording?"
        )
    lines = [f"{rows} samples as received"]
    if other:
        lines.append(f"{other} frames held other channels than the first; only those of the first are in the table")
    return [*lines, *_account(counts, damage)]


def _raw_columns(block: SampleBlock, roles: tuple[str, ...], arrival_s: float) -> Columns:
    count = len(block.values)
    counter = block.counter + np.arange(count, dtype=np.int64)
    if block.wraps_at is not None:
        counter %= block.wraps_at
    time_us = block.device_time_us
    times_us = [time_us if time_us is not None and 0 <= time_us < 2**63 else None, *[None] * (count - 1)][:count]
    columns: dict[str, Any] = {
        "counter": counter,
        "arrival_s": np.full(count, arrival_s),
        "device_time_us": pa.array(times_us, pa.int64()),
    }
    for role in roles:
        known = role in block.roles
        columns[role] = block.values[:, block.roles.index(role)] if known else np.full(count, np.nan)
    return columns


def _account(counts: LinkCounts, damage: Damage) -> list[str]:
    """What could not be used, on the link and in the file."""
    lines = []
    if counts.refused:
        lines.append(f"{counts.refused} frames were refused")
    return lines + damage_lines(damage)


def _link_of(sheet: Sheet, path: Path) -> LinkLayout:
    if sheet.link is None:
        raise LogError(f"{clean(path, 200)}: the car sheet has no [link] that says how its bytes are laid out")
    return sheet.link


def _sheet_in(header: dict[str, object], path: Path) -> Sheet:
    """The sheet that the recorder wrote into the header."""
    shown = clean(path, 200)
    text = header.get("sheet")
    if not isinstance(text, str) or not text:
        raise LogError(f"{shown}: holds no car sheet that can still be read; name one with --car")
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, RecursionError):
        raise LogError(f"{shown}: the car sheet in it can't be read; name one with --car") from None
    return parse_sheet(raw, f"{shown} (the car sheet in it)")
