"""HDF5 files that may be cut off, damaged or hostile: opened, searched for tables, and read within bounds.

In: a path. Out: the tables in the file (a group of one-dimensional datasets, or one dataset of records), and numbers
of their columns, some rows at a time. Nothing outside the file is ever opened: external links, external storage and
virtual datasets are refused, and so is what would need much memory. Needs h5py. Raises `LogError` for what can't be
used.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ingest.errors import LogError
from ingest.hdf5_columns import DAMAGE, DEFLATE, FLETCHER32, SHUFFLE, Columns, Source
from ingest.text import clean

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
# By the format's definition the signature lies at 0, 512, 1024, 2048 ...; what may stand before it is seldom long.
_SIGNATURE_PLACES = (0, *(512 << n for n in range(8)))
# Where the superblock says how long the file is, by its version, counted from the signature.
_LENGTH_AT = {0: 40, 1: 44, 2: 28, 3: 28}

# A log has some dozens of channels, in groups that are seldom nested at all.
_MOST_LINKS = 4096
_DEEPEST_GROUP = 4
_MOST_SOFT_STEPS = 16  # of one link that leads to another
_MOST_STEPS_IN_ALL = 65_536  # links whose paths hold links multiply
_LONGEST_NAME = 200  # as in the car sheet
_WIDEST_RECORD_BYTES = 65_536
# An hour at 1 kHz in one chunk is 29 MB.
_LARGEST_CHUNK_BYTES = 64 << 20
_LARGEST_CHUNKS_BYTES = 512 << 20  # of all columns in use, which are held at the same time
_MOST_CHUNKS = 1 << 20


def is_hdf5(path: str) -> bool:
    """Whether a file is HDF5, by its signature."""
    with open(path, "rb") as file:
        for place in _SIGNATURE_PLACES:
            file.seek(place)
            if file.read(len(_SIGNATURE)) == _SIGNATURE:
                return True
    return False


class _CutFile:
    """A file that is shorter than it says, as h5py reads from it: what is missing can't be read."""

    def __init__(self, path: str, length: int) -> None:
        self._file = open(path, "rb")  # noqa: SIM115 - closed by `close`
        self._held = os.path.getsize(path)
        self._length = length
        self._position = 0

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        self._position = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._length}[whence]
        return self._position

    def tell(self) -> int:
        return self._position

    def readinto(self, buffer: Any) -> int:
        if self._position + len(buffer) > self._held:
            raise OSError("this part of the file is missing")
        self._file.seek(self._position)
        count = self._file.readinto(buffer)
        self._position += count
        return count

    def read(self, size: int = -1) -> bytes:
        raise OSError(f"reads of {size} bytes go to readinto")

    def write(self, content: bytes) -> int:
        raise OSError(f"{len(content)} bytes can't be written: it is open for reading")

    def flush(self) -> None:
        return

    def close(self) -> None:
        self._file.close()


@dataclass
class Table:
    """Columns that stand beside each other.

    Attributes
    ----------
    path : str
        The group, or the dataset of records; "" for the file's root.
    names : list of str
        Names of its columns.
    refused : dict of str to str
        Names that stand there but are not read, and why.
    """

    path: str
    names: list[str] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)
    records: bool = False
    _places: dict[str, tuple[Any, bytes]] = field(default_factory=dict)


class Hdf5File:
    """An open file. `tables` says what is in it; `columns` makes some columns readable.

    Attributes
    ----------
    size_bytes, says_bytes : int
        How long the file is, and how long it says it is.

    Raises
    ------
    LogError
        h5py is not installed, or the file can't be opened.
    """

    def __init__(self, path: str) -> None:
        self._place = clean(path, 200)
        try:
            import h5py  # type: ignore[import-untyped,import-not-found,unused-ignore]
        except ImportError:
            raise LogError(
                f'{self._place}: is an HDF5 file, which needs h5py: install it with pip install "damperwatch[hdf5]"'
            ) from None
        self._h5: Any = h5py
        self.size_bytes = os.path.getsize(path)
        self.says_bytes = _length_said(path) or self.size_bytes
        self._steps_left = _MOST_STEPS_IN_ALL
        self._cut = _CutFile(path, self.says_bytes) if self.says_bytes > self.size_bytes else None
        try:
            self._file: Any = h5py.File(path if self._cut is None else self._cut, "r")
        except DAMAGE as error:
            self._file = None
            self.close()
            raise LogError(f"{self._place}: {self._why_not(error)}") from None

    @property
    def cut(self) -> str:
        """In words, that the file is shorter than it says; empty when it is not."""
        return "" if self._cut is None else f"the file is cut off at {self.size_bytes} of {self.says_bytes} bytes"

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        try:
            if self._file is not None:
                self._file.close()
        except DAMAGE:
            pass
        finally:
            self._file = None
            if self._cut is not None:
                self._cut.close()

    def tables(self) -> list[Table]:
        """All groups with datasets, and all datasets of records, as far as they may be looked for."""
        try:
            return self._walk()
        except DAMAGE as error:
            raise LogError(f"{self._place}: {self._why_not(error)}") from None

    def columns(self, table: Table, names: Iterable[str]) -> Columns:
        """Make columns of one table readable; raises LogError when one can't be used."""
        names = list(names)
        if table.records:
            place = next(iter(table._places.values()))
            sources = [self._source(table.path, *place, names)]
        else:
            sources = [self._source(name, *table._places[name], None) for name in names]
        rows = {source.rows for source in sources}
        if len(rows) > 1:
            lengths = ", ".join(f"{clean(s.shown, 60)} {s.rows}" for s in sources[:12])
            raise LogError(f"{self._place}: its datasets differ in length ({lengths}); export it again")
        chunks_bytes = sum(source.chunk_bytes for source in sources)
        if chunks_bytes > _LARGEST_CHUNKS_BYTES:
            raise LogError(
                f"{self._place}: the chunks of its columns take {chunks_bytes >> 20} MB together, more than "
                f"{_LARGEST_CHUNKS_BYTES >> 20}; export it with smaller chunks"
            )
        return Columns(sources)

    # ------------------------------------------------------------ looking

    def _walk(self) -> list[Table]:
        h5 = self._h5
        found: list[Table] = []
        seen: set[Any] = set()
        waiting: list[tuple[str, Any, int]] = [("", self._file["/"].id, 0)]
        left = _MOST_LINKS
        while waiting:
            path, group, depth = waiting.pop(0)
            info = h5.h5o.get_info(group)
            if (info.fileno, info.addr) in seen:  # groups may hold themselves
                continue
            seen.add((info.fileno, info.addr))
            table = Table(path)
            for raw in self._names_in(group, left):
                left -= 1
                name = raw.decode("utf-8", "replace")
                full = f"{path}/{name}" if path else name
                target = self._target(group, raw)
                if isinstance(target, str):
                    table.refused[name] = target
                    continue
                # Opened, not asked for what it is: that would read the lists of all its chunks.
                opened = h5.h5o.open(*target)
                if isinstance(opened, h5.h5g.GroupID) and depth < _DEEPEST_GROUP and target == (group, raw):
                    waiting.append((full, opened, depth + 1))
                elif isinstance(opened, h5.h5d.DatasetID):
                    table.names.append(name)
                    table._places[name] = target
                    found += self._records(full, target, opened)
            if table.names or table.refused:
                found.append(table)
        return found

    def _names_in(self, group: Any, left: int) -> list[bytes]:
        names: list[bytes] = []

        def take(name: bytes) -> bool | None:
            if len(names) >= left:
                return True
            if len(name) <= _LONGEST_NAME * 4:
                names.append(name)
            return None

        if left > 0:
            group.links.iterate(take)
        return names

    def _target(self, group: Any, name: bytes, steps: int = _MOST_SOFT_STEPS) -> tuple[Any, bytes] | str:
        """The group and name of what a name stands for, or why it is not followed. Opens nothing on the way out."""
        self._steps_left -= 1
        if self._steps_left <= 0:
            return "is a link behind too many others"
        links = self._h5.h5l
        kind = group.links.get_info(name).type
        if kind == links.TYPE_HARD:
            return group, name
        if kind != links.TYPE_SOFT:
            return "is a link to another file"
        if steps <= 0:
            return "is a link that leads in circles"
        path = group.links.get_val(name)
        parts = [part for part in path.split(b"/") if part not in {b"", b"."}]
        at = self._file["/"].id if path.startswith(b"/") else group
        for number, part in enumerate(parts):
            try:
                target = self._target(at, part, steps - 1)
            except DAMAGE:
                return "is a link that leads nowhere"
            if isinstance(target, str) or number == len(parts) - 1:
                return target
            at = self._h5.h5o.open(*target)
            if not isinstance(at, self._h5.h5g.GroupID):
                break
        return "is a link that leads nowhere"

    def _records(self, path: str, place: tuple[Any, bytes], opened: Any) -> list[Table]:
        """The table that a dataset of records is; nothing when it is none, or can't be looked at."""
        try:
            held = opened.get_type()
            if held.get_class() != self._h5.h5t.COMPOUND:
                return []
            names = [held.get_member_name(k).decode("utf-8", "replace") for k in range(held.get_nmembers())]
        except DAMAGE:
            return []
        return [Table(path, names[:_MOST_LINKS], records=True, _places={"": place})]

    # ------------------------------------------------------------ one dataset

    def _source(self, shown: str, group: Any, name: bytes, fields: list[str] | None) -> Source:
        try:
            # A first look; then it is opened with room for one of its chunks.
            opened = self._h5.h5d.open(group, name)
            chunk_rows = self._checked(shown, opened)
            dtype, width = self._types(shown, opened.get_type(), fields)
            access = self._h5.h5p.create(self._h5.h5p.DATASET_ACCESS)
            if chunk_rows is not None:
                self._check_chunks(shown, opened, chunk_rows, width)
                access.set_chunk_cache(521, chunk_rows * width, 1.0)
            opened = self._h5.h5d.open(group, name, access)
            return Source(self._h5, opened, shown, dtype, width, chunk_rows, self.size_bytes)
        except DAMAGE as error:
            raise LogError(f"{self._place}: {clean(shown, 60)} can't be read: {clean(error, 120)}") from None

    def _refuse(self, shown: str, why: str) -> LogError:
        return LogError(f"{self._place}: {clean(shown, 60)} {why}")

    def _checked(self, shown: str, opened: Any) -> int | None:
        """Refuse what is not stored in this file as one row of values; returns the rows of a chunk."""
        plist = opened.get_create_plist()
        layout = plist.get_layout()
        if layout == self._h5.h5d.VIRTUAL:
            raise self._refuse(shown, "is put together from other datasets; export it as a plain one")
        if layout == self._h5.h5d.CONTIGUOUS and plist.get_external_count():
            raise self._refuse(shown, "is stored in another file; export it into one")
        if opened.rank != 1:
            raise self._refuse(shown, f"has {opened.rank} dimensions; a channel is a dataset of one dimension")
        codes = [plist.get_filter(k)[0] for k in range(plist.get_nfilters())]
        if not set(codes) <= {DEFLATE, SHUFFLE, FLETCHER32} or len(codes) != len(set(codes)):
            raise self._refuse(shown, "is compressed in a way that is not read here; export it with gzip, or without")
        return int(plist.get_chunk()[0]) if layout == self._h5.h5d.CHUNKED else None

    def _check_chunks(self, shown: str, opened: Any, chunk_rows: int, width: int) -> None:
        if chunk_rows * width > _LARGEST_CHUNK_BYTES:
            raise self._refuse(
                shown,
                f"is stored in chunks of {chunk_rows * width >> 20} MB, more than {_LARGEST_CHUNK_BYTES >> 20}; "
                "export it with smaller chunks",
            )
        if chunk_rows * _MOST_CHUNKS < min(opened.shape[0], self.size_bytes):
            raise self._refuse(shown, f"is cut into chunks of {chunk_rows} rows; export it with larger chunks")

    def _types(self, shown: str, held: Any, fields: list[str] | None) -> tuple[np.dtype[Any], int]:
        """The type to read numbers as, one or a record of them, and the bytes of a row in the file."""
        width = int(held.get_size())
        if width > _WIDEST_RECORD_BYTES:
            raise self._refuse(shown, f"has rows of {width} bytes")
        if fields is None:
            return np.dtype(self._number(shown, held)), width
        members = {held.get_member_name(k).decode("utf-8", "replace"): k for k in range(held.get_nmembers())}
        numbers = [(name, self._number(name, held.get_member_type(members[name]))) for name in fields]
        return np.dtype(numbers), width

    def _number(self, shown: str, held: Any) -> str:
        kinds = self._h5.h5t
        kind = held.get_class()
        if kind in {kinds.FLOAT, kinds.INTEGER}:
            return "f8"
        if kind == kinds.ENUM:  # truths among others
            return "?" if held.dtype.kind == "b" else "i8"
        raise self._refuse(shown, "does not hold numbers; export it as numbers")

    def _why_not(self, error: object) -> str:
        if self._cut is not None:
            return f"{self.cut}, and what is left of it holds no whole table. Copy or export it again"
        return (
            f"is damaged or not complete ({clean(error, 120)}). An HDF5 file whose program was killed, or still "
            "writes, may have no table of contents: export it again"
        )


def _length_said(path: str) -> int | None:
    """How long a file says it is, where its first block is of the usual kind."""
    with open(path, "rb") as file:
        head = file.read(64)
    # Behind a block of the user's own lengths are counted in more than one way.
    if len(head) < 64 or not head.startswith(_SIGNATURE):
        return None
    at = _LENGTH_AT.get(head[8])
    offset_size = head[13 if head[8] < 2 else 9]
    if at is None or offset_size != 8:
        return None
    (length,) = struct.unpack_from("<Q", head, at)
    return min(int(length), 2**62)
