"""Tables as HDF5 files: one dataset of one dimension a column, all of one length, in the file's root. Needs h5py.

In: batches of columns. Out: the file, which is read as a log again (`ingest.log_hdf5`). Each dataset says its unit in
the attribute "unit"; a value that is not known is NaN. Constant memory. Raises ResultsError without h5py, and what h5py
raises when the file can't be written.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from ingest.chunk import Floats, Ints
from ingest.errors import ResultsError

# 64 kB of a column: what a chunk costs is little beside it, and a reader holds one of each column.
_CHUNK_ROWS = 8192
_UNITS = {"_mm": "mm", "_s": "s", "_us": "us", "_m_s": "m/s", "_m_s2": "m/s2", "_m": "m"}


class Hdf5Table:
    """Collects batches to whole chunks and writes them.

    Parameters
    ----------
    path : Path
        The file, which is written anew.
    """

    def __init__(self, path: Path) -> None:
        try:
            import h5py  # type: ignore[import-untyped,import-not-found,unused-ignore]
        except ImportError:
            raise ResultsError(
                'writing HDF5 needs h5py: install it with pip install "damperwatch[hdf5]", or write .parquet or .csv'
            ) from None
        self._file: Any = h5py.File(path, "w")
        self._waiting: list[dict[str, Floats | Ints]] = []
        self._rows = 0

    def write(self, columns: Mapping[str, Any]) -> None:
        """Append rows: columns of one length by name."""
        self._waiting.append({name: _plain(values) for name, values in columns.items()})
        self._rows += len(next(iter(columns.values())))
        if self._rows >= _CHUNK_ROWS:
            self._hand_over(self._rows // _CHUNK_ROWS * _CHUNK_ROWS)

    def finish(self) -> None:
        """Write what is left, and close."""
        self._hand_over(self._rows)
        self._file.close()

    def abandon(self) -> None:
        """Close the file, whole or not; the disk may well be full."""
        with suppress(OSError, RuntimeError, ValueError):
            self._file.close()

    def _hand_over(self, rows: int) -> None:
        if not self._waiting:
            return
        joined = {name: np.concatenate([part[name] for part in self._waiting]) for name in self._waiting[0]}
        for name, values in joined.items():
            if name not in self._file:
                self._begin(name, values.dtype)
            dataset = self._file[name]
            dataset.resize((len(dataset) + rows,))
            dataset[len(dataset) - rows :] = values[:rows]
        self._rows -= rows
        self._waiting = [{name: values[rows:] for name, values in joined.items()}]

    def _begin(self, name: str, dtype: np.dtype[Any]) -> None:
        dataset = self._file.create_dataset(
            name,
            shape=(0,),
            maxshape=(None,),
            chunks=(_CHUNK_ROWS,),
            dtype=dtype,
            compression="gzip",
            compression_opts=1,
            shuffle=True,
            fletcher32=True,
        )
        dataset.attrs["unit"] = next((_UNITS[end] for end in sorted(_UNITS, key=len)[::-1] if name.endswith(end)), "")


def _plain(values: Any) -> Floats | Ints:
    """A numpy column; whole numbers some of which may be unknown become floats, in which those are NaN."""
    if isinstance(values, pa.Array):
        floats: Floats = values.cast(pa.float64()).to_numpy(zero_copy_only=False)
        return floats
    array: Floats | Ints = np.asarray(values)
    return array
