"""A log's part from what its replay gave: rows of the tables, and what the stint is worth as a reference.

In: records as in laps.jsonl, alerts.jsonl and summary.json, and the stretches of all laps. Out: a part. Clean is a
stint that is complete, no rehearsal, and had no alarm of a sensor, of left against right, or of drift; of it count the
timed laps after the warm-up with no sample lost. Runs where the log is computed, so that whoever gathers the parts has
less to do. Pure computation.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, Final

from console.results import dump
from console.survey_part import Gist, Part
from console.survey_scatter import Lap, own_scatter
from console.survey_table import Row, flat, table_of
from dsp.position_scales import Stretch

Record = dict[str, Any]

_UNCLEAN: Final = {"sensor": "a sensor alarm", "asymmetry": "an alarm of left against right", "drift": "a drift alarm"}


class StintRecords:
    """Takes a stint's records as they come; each is flattened at once.

    Parameters
    ----------
    warm_up_laps : int
        Timed laps at the stint's beginning that count for no reference.
    """

    def __init__(self, warm_up_laps: int) -> None:
        self._warm_up_laps = warm_up_laps
        self._laps: list[Row] = []
        self._alerts: list[Row] = []
        self._kinds: list[str] = []
        # Index of each timed lap, and the samples lost in it.
        self._timed: list[tuple[int, int]] = []

    def lap(self, record: Record) -> None:
        """Take a lap's record."""
        self._laps.append(flat(record))
        if record["kind"] == "timed":
            self._timed.append((int(record["index"]), int(record["samples_lost"])))

    def alert(self, record: Record) -> None:
        """Take the record of an alert's change."""
        self._alerts.append(flat(record))
        if record["change"] == "occurs":
            self._kinds.append(str(record["kind"]))

    def part(self, summary: Record, stretches: Iterable[Stretch]) -> Part:
        """The part, when all records are there."""
        plain = json_of(summary)
        unclean = why_not_clean(summary, self._kinds)
        laps = [] if unclean else clean_laps(self._timed[self._warm_up_laps :], stretches)
        tables = table_of(self._laps), table_of(self._alerts)
        gist = Gist(
            car=str(summary["car"]),
            rehearsal=bool(summary["rehearsal"]),
            laps=len(self._laps),
            alerts=len(self._alerts),
            lap_columns=tuple(tables[0].column_names),
            alert_columns=tuple(tables[1].column_names),
            unclean=unclean,
            own=own_scatter(laps),
            asymmetry=json.loads(dump(summary["asymmetry"])),
        )
        return Part.made(gist, *tables, plain.encode("utf-8", "replace"), (one for lap in laps for one in lap))


def why_not_clean(summary: Record, kinds: Iterable[str]) -> str:
    """Why a stint can't be a reference, in words; empty when it can. `kinds` are those of the alerts that occurred."""
    if not summary["complete"]:
        return "it is not complete"
    if summary["rehearsal"]:
        return "it is a rehearsal"
    found = [kind for kind in kinds if kind in _UNCLEAN]
    return f"it had {_UNCLEAN[found[0]]}" if found else ""


def clean_laps(timed: Iterable[tuple[int, int]], stretches: Iterable[Stretch]) -> list[Lap]:
    """Stretches of each lap that lost no sample, in order; `timed` has each lap's index and how many it lost."""
    laps: dict[int, Lap] = {index: [] for index, lost in sorted(timed) if not lost}
    for one in stretches:
        if one.lap in laps:
            laps[one.lap].append(one)
    return [lap for lap in laps.values() if lap]


def json_of(record: Record) -> str:
    """JSON text as `console.results.dump` gives it, sooner where all is known: a summary is mostly long lists."""
    try:
        return json.dumps(record, allow_nan=False, ensure_ascii=False, default=_listed)
    except ValueError:  # something is not finite
        return dump(record)


def _listed(value: Any) -> Any:
    """A number or an array of numpy as Python's."""
    return value.tolist()
