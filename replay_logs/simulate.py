"""Writes the shipped logs and the truth beside them: `python -m replay_logs.simulate`.

In: the car sheet of this folder, and a seed. Out: one Parquet log and one truth file per stint, in the folder given
(this one unless said otherwise). The same seed gives the same files. Fails with a message for an unknown name.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.errors import DamperwatchError
from ingest.sheet import load_sheet
from replay_logs.sensors import Readings
from replay_logs.stint import Stint, simulate
from replay_logs.stints import SHIPPED
from replay_logs.truth import truth_of

SEED: Final = 2  # the shipped files are from this one; with it the circuit itself differs by at most 5 % left to right
HERE: Final = Path(__file__).parent
SHEET: Final = HERE / "car.toml"


def log_table(readings: Readings) -> pa.Table:
    """The log as it is shipped: whole numbers, an empty cell where nothing was written."""
    columns: dict[str, pa.Array[Any]] = {
        "time_ms": pa.array((readings.sample * 1000 // readings.rate_hz).astype(np.int32)),
    }
    for corner, name in enumerate(("damper_fl", "damper_fr", "damper_rl", "damper_rr")):
        columns[name] = pa.array(readings.counts[:, corner].astype(np.int16), mask=readings.missing[:, corner])
    columns["speed"] = pa.array(readings.speed.astype(np.int16))
    columns["acceleration_x"] = pa.array(readings.acceleration_x.astype(np.int16))
    columns["acceleration_y"] = pa.array(readings.acceleration_y.astype(np.int16))
    columns["lap"] = pa.array(readings.lap.astype(np.int8))
    columns["lap_distance"] = pa.array(readings.lap_distance.astype(np.int16))
    return pa.table(columns)


def write_stint(stint: Stint, truth: dict[str, object], folder: Path) -> Path:
    """Write one stint's log and truth; returns the log's path."""
    table = log_table(stint.readings)
    path = folder / f"{stint.settings.name}.parquet"
    pq.write_table(
        table,
        path,
        compression="zstd",
        compression_level=12,
        use_dictionary=False,
        # Neighbouring samples differ by little: differences packed to few bits are half the size of plain values.
        column_encoding=dict.fromkeys(table.column_names, "DELTA_BINARY_PACKED"),
        row_group_size=65536,  # so that a reader can hold a small part at a time
    )
    text = json.dumps(truth, indent=1)
    (folder / f"{stint.settings.name}.truth.json").write_text(text + "\n", encoding="utf-8")
    return path


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    names = [one.name for one in SHIPPED]
    parser = argparse.ArgumentParser(prog="python -m replay_logs.simulate", description=__doc__.split("\n\n")[0])
    parser.add_argument("--out", type=Path, default=HERE, help="folder for the files (default: this package's)")
    parser.add_argument("--seed", type=int, default=SEED, help=f"seed of road, pace and noise (default {SEED})")
    parser.add_argument("--only", action="append", choices=names, help="simulate only this stint (may be repeated)")
    given = parser.parse_args(arguments)
    try:
        sheet = load_sheet(SHEET)
        wanted = [one for one in SHIPPED if given.only is None or one.name in given.only]
        given.out.mkdir(parents=True, exist_ok=True)
        for stint in simulate(sheet, wanted, given.seed):
            path = write_stint(stint, truth_of(sheet, stint), given.out)
            print(f"{path.name}: {stint.readings.sample.size} rows, {path.stat().st_size / 1e6:.2f} MB")
    except (DamperwatchError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
