"""What `damperwatch verify` says of a recording: lines for people or JSON for scripts, and an exit code.

In: a recording's path. Out: lines, and 0 when every byte is accounted for, 1 when something is damaged. What is no
recording raises LogError, which the command line turns into 2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from console.results import dump
from ingest.recording_reader import Damage
from ingest.recording_verify import Report, verify
from ingest.text import clean

_LATEST_NS = 253_402_300_799 * 1_000_000_000  # the last second of the year 9999; later is no date


def verify_recording(
    path: Path, *, as_json: bool, report: Callable[[float], None] | None = None
) -> tuple[list[str], int]:
    """Read a recording to its end; returns lines to print and the exit code (0 clean, 1 damaged).

    `report` is told how much has been read, 0 to 1.

    Raises
    ------
    LogError
        The file can't be read or is no recording.
    """
    found = verify(path, report)
    lines = [dump(report_record(found), indent=1)] if as_json else list(report_lines(found))
    return lines, 1 if found.damage else 0


def report_record(report: Report) -> dict[str, Any]:
    """The report as a record: fields with units in their names."""
    header = {key: value for key, value in report.header.items() if key != "sheet"}
    return {
        "recording": clean(report.path, 200),
        "verdict": report.verdict,
        "closed": report.closed,
        "size_bytes": report.size_bytes,
        "payload_bytes": report.payload_bytes,
        "blocks": report.blocks,
        "first_utc": _utc(report.first_wall_ns),
        "last_utc": _utc(report.last_wall_ns),
        "longest_silence_s": report.longest_silence_s,
        "damage": asdict(report.damage),
        "header": header,
    }


def report_lines(report: Report) -> list[str]:
    """The report in lines, the verdict first."""
    shown = clean(report.path, 200)
    blocks = report.blocks
    lines = [
        f"{shown}: {report.verdict}" + ("" if report.closed else _not_closed(report.damage)),
        f"  {blocks['data']} payloads ({report.payload_bytes} bytes), {blocks['event']} events, "
        f"{blocks['header']} header; file of {report.size_bytes} bytes",
    ]
    if report.first_wall_ns is not None:
        lines.append(
            f"  from {_utc(report.first_wall_ns)} to {_utc(report.last_wall_ns)}, "
            f"longest silence {report.longest_silence_s:.3g} s"
        )
    if report.header:
        lines.append(f"  car {clean(report.header.get('car'), 80)}, run {clean(report.header.get('run'), 20)}")
    return lines + [f"  {line}" for line in damage_lines(report.damage)]


def damage_lines(damage: Damage) -> list[str]:
    """What is wrong, one line each; none when nothing is."""
    lines = []
    if damage.first_bad_offset is not None:
        lines.append(f"first bad byte at offset {damage.first_bad_offset}")
    if damage.bad_places:
        places = "1 place" if damage.bad_places == 1 else f"{damage.bad_places} places"
        lines.append(f"{damage.bad_bytes} bytes in {places} are no whole block and were passed over")
    if damage.missing_blocks:
        ranges = ", ".join(str(first) if first == last else f"{first} to {last}" for first, last in damage.missing)
        more = sum(last - first + 1 for first, last in damage.missing) < damage.missing_blocks
        lines.append(f"{damage.missing_blocks} blocks are missing: sequence {ranges}{', ...' if more else ''}")
    if damage.repeated_blocks:
        lines.append(f"{damage.repeated_blocks} blocks are there a second time and were passed over")
    if damage.torn_tail_bytes:
        lines.append(f"torn tail: the last {damage.torn_tail_bytes} bytes are no whole block")
    if damage.unreadable_bytes:
        lines.append(f"the disk could not read {damage.unreadable_bytes} bytes: copy what is left, replace the disk")
    if damage.header_lost:
        lines.append("the header is lost: what car and what link it was is not known")
    if damage.end_lost:
        lines.append("the end is missing: the file was cut, or renamed before it was closed")
    return lines


def _not_closed(damage: Damage) -> str:
    return "" if damage.end_lost else ", not closed (its run was killed, or still goes on)"


def _utc(wall_ns: int | None) -> str | None:
    if wall_ns is None or not 0 <= wall_ns <= _LATEST_NS:
        return None
    return datetime.fromtimestamp(wall_ns / 1e9, UTC).isoformat(timespec="milliseconds")
