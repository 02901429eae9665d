"""The results directory: alerts.jsonl, laps.jsonl and summary.json, the contract with scripts.

Every line is written and flushed as it comes, so an interrupted run leaves complete lines; summary.json is written
to a temporary name and renamed, so it is whole or absent. Unknown numbers are null. Fields are documented in
README.md. Raises ResultsError when the directory can't be used.
"""

from __future__ import annotations

import json
import math
import os
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from alerts.alert import Transition
from alerts.drift_reference import DriftReference
from alerts.monitor import Monitor, Step
from console.along_lap import AlongLap
from console.describe import Context, describe_lap, describe_stint, describe_transition
from console.drift_file import save_drift_reference
from dsp.summary import LapSummary
from ingest.errors import ResultsError
from ingest.text import clean

ALERTS, LAPS, SUMMARY = "alerts.jsonl", "laps.jsonl", "summary.json"
REHEARSAL = "rehearsal.json"


class ResultsWriter:
    """Writes one run's results.

    Parameters
    ----------
    directory : Path
        Made if it does not exist. Results of an earlier run in it are refused unless `overwrite`.
    overwrite : bool
        Replace earlier results.
    """

    def __init__(self, directory: Path, *, overwrite: bool = False) -> None:
        self._directory = directory
        self._shown = clean(directory, 200)
        self._along_lap = AlongLap()
        self._points: tuple[str, ...] = ()
        try:
            earlier = [name for name in (ALERTS, LAPS, SUMMARY, REHEARSAL) if (directory / name).exists()]
        except OSError as error:  # a name that no file can have, or a directory that may not be looked into
            raise self._failed(error) from None
        if earlier and not overwrite:
            raise ResultsError(f"{self._shown}: already holds {earlier[0]}; name another directory or add --overwrite")
        self._files: dict[str, IO[str]] = {}
        try:
            directory.mkdir(parents=True, exist_ok=True)
            for name in earlier:
                (directory / name).unlink()
            for name in (ALERTS, LAPS):
                self._files[name] = (directory / name).open("w", encoding="utf-8")
        except OSError as error:
            self.close()
            raise self._failed(error) from None

    @property
    def directory(self) -> Path:
        """Where the results go."""
        return self._directory

    def transition(self, transition: Transition) -> None:
        """Append one alert transition."""
        self._line(ALERTS, describe_transition(transition))

    def lap(self, lap: LapSummary, context: Any) -> None:
        """Append one lap; `context` is what `describe_lap` needs besides it."""
        self._line(LAPS, describe_lap(lap, context))

    def step(self, step: Step, context: Context) -> None:
        """Append the transitions and laps that one step brought."""
        self._points = context.points
        for frame in step.frames:
            self._along_lap.add(frame.car, context.sheet.statistics.slowest_counted_m_s)
        for transition in step.transitions:
            self.transition(transition)
        for lap in step.laps:
            self.lap(lap, context)

    def summary(self, monitor: Monitor, *arguments: Any, **keywords: Any) -> None:
        """Write what later stints are held against, then summary.json; each whole or not at all.

        Arguments as of `describe_stint`.
        """
        # One that was given is kept where it came from; beside this stint's own asymmetry it would mislead.
        own = monitor.drift.reference if monitor.drift.reference_from == "this stint" else DriftReference()
        save_drift_reference(self._directory, own, monitor.sheet)
        temporary = self._directory / (SUMMARY + ".part")
        try:
            with temporary.open("w", encoding="utf-8") as file:
                content = describe_stint(monitor, *arguments, **keywords)
                content["along_lap"] = self._along_lap.record(self._points)
                file.write(dump(content, indent=1) + "\n")
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(self._directory / SUMMARY)
        except OSError as error:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise self._failed(error) from None

    def close(self) -> None:
        """Close the files; closing twice does no harm, and a full disk was reported when the line was written."""
        for file in self._files.values():
            with suppress(OSError):
                file.close()

    def _line(self, name: str, record: dict[str, Any]) -> None:
        try:
            self._files[name].write(dump(record) + "\n")
            self._files[name].flush()
        except OSError as error:
            raise self._failed(error) from None

    def _failed(self, error: OSError) -> ResultsError:
        return ResultsError(f"{self._shown}: results can't be written: {clean(error.strerror or error)}")


def dump(record: Any, indent: int | None = None) -> str:
    """JSON text in which every NaN or infinity is null."""
    return json.dumps(_plain(record), indent=indent, allow_nan=False, ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
