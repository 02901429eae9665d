"""Reads a recording from start to end and says what is in it and what is wrong with it.

In: a file. Out: a `Report`. Raises `LogError` for what is no recording; the file is never changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from ingest.recording_block import Kind
from ingest.recording_reader import Damage, open_recording

Verdict = Literal["clean", "damaged"]
_BLOCKS_A_REPORT = 1000  # some hundredths of a second


@dataclass
class Report:
    """What a recording holds.

    Attributes
    ----------
    path : str
        The file.
    size_bytes, payload_bytes : int
        Of the file; of the received payloads in it.
    header : dict of str to object
        What the recorder said of the run; empty when lost.
    blocks : dict of kind to int
        Whole blocks of each kind.
    closed : bool
        Whether the recorder closed the file. A file with ".part" in its name that was not closed is not damaged for
        that: its run was killed, or is still going on.
    first_wall_ns, last_wall_ns : int or None
        When the first and the last payload came.
    longest_silence_s : float
        The longest time between two payloads.
    damage : Damage
        What is wrong.
    """

    path: str
    size_bytes: int
    payload_bytes: int = 0
    header: dict[str, object] = field(default_factory=dict)
    blocks: dict[Kind, int] = field(default_factory=lambda: {"header": 0, "data": 0, "event": 0})
    closed: bool = False
    first_wall_ns: int | None = None
    last_wall_ns: int | None = None
    longest_silence_s: float = 0.0
    damage: Damage = field(default_factory=Damage)

    @property
    def verdict(self) -> Verdict:
        """Whether every byte was accounted for."""
        return "damaged" if self.damage else "clean"


def verify(path: str | Path, report_share: Callable[[float], None] | None = None) -> Report:
    """Read all of a recording; `report_share` is told how much of it has been read, 0 to 1, now and then.

    Raises
    ------
    LogError
        It can't be read or is no recording.
    """
    with open_recording(path) as recording:
        report = Report(recording.path, recording.size_bytes, header=recording.header, damage=recording.damage)
        report.blocks["header"] = int(bool(recording.header))
        before_ns: int | None = None
        for number, entry in enumerate(recording):
            if report_share is not None and number % _BLOCKS_A_REPORT == 0:
                report_share(recording.progress())
            report.blocks[entry.kind] += 1
            if entry.kind != "data":
                continue
            report.payload_bytes += len(entry.payload)
            if report.first_wall_ns is None:
                report.first_wall_ns = entry.wall_ns
            report.last_wall_ns = entry.wall_ns
            if before_ns is not None:
                silence_s = (entry.monotonic_ns - before_ns) / 1e9
                report.longest_silence_s = max(report.longest_silence_s, silence_s)
            before_ns = entry.monotonic_ns
        report.closed = recording.closed
    return report
