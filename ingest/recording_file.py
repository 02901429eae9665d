"""One file of a recording as the operating system sees it: made new, appended to, synced, closed, given its name.

`NewFile` makes such files and can be replaced by one that fails, which is how full and broken disks are rehearsed.
Every method may raise OSError; nothing else.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from ingest.recording_block import PART_SUFFIX, SUFFIX

# File systems that can't sync a directory say so with one of these; they need no such sync, or offer none.
_NO_DIRECTORY_SYNC = {errno.EINVAL, errno.EACCES, errno.EPERM, errno.ENOTSUP, errno.EBADF}


class AppendFile(Protocol):
    """A file that can only grow."""

    def write(self, data: bytes) -> None:
        """Hand all of `data` to the operating system."""
        ...

    def sync(self) -> None:
        """Return when all that was written before the call is on the disk; called from another thread than `write`."""
        ...

    def close(self) -> None:
        """Close the file."""
        ...


NewFile = Callable[[Path], AppendFile]


class DiskFile:
    """A real file. Opening fails when the name is taken, so that no two recorders share a file."""

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        self._directory = path.parent
        self._new = True
        self._descriptor = os.open(path, flags, 0o666)

    def write(self, data: bytes) -> None:
        """Write without a buffer of ours: what is written outlives this process."""
        written = os.write(self._descriptor, data)
        while written < len(data):
            written += os.write(self._descriptor, data[written:])

    def sync(self) -> None:
        """Sync data and size; the first time the directory, too, or the file might lose its name."""
        getattr(os, "fdatasync", os.fsync)(self._descriptor)
        if self._new:
            sync_directory(self._directory)
            self._new = False

    def close(self) -> None:
        """Close the descriptor."""
        os.close(self._descriptor)


def sync_directory(directory: Path) -> None:
    """Make the names in a directory outlive a power loss, where the system can."""
    try:
        descriptor = os.open(directory, os.O_RDONLY)
    except PermissionError:  # some systems can't open a directory at all
        return
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NO_DIRECTORY_SYNC:
            raise
    finally:
        os.close(descriptor)


def give_final_name(part: Path) -> Path:
    """Take the ".part" off a closed file's name; the random part of names keeps this from hitting another file.

    Raises
    ------
    OSError
        The name is taken, or can't be given.
    """
    final = part.with_name(part.name.removesuffix(PART_SUFFIX) + SUFFIX)
    if final.exists():
        raise FileExistsError(errno.EEXIST, "a file of that name exists", str(final))
    part.rename(final)
    sync_directory(final.parent)
    return final
