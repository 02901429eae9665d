"""One journal, one monitor: a lock on a small file beside the journal, held until it is released or the process dies.

In: the journal's path. Out: a lock that any second holder is refused, in this process or another. The operating
system holds it, not the file's content or existence: after `kill -9` or a power cut nothing is left to clean up. The
file stays where it is, because taking it away would let two processes lock two files of the same name. Raises OSError
when there can be no such file, and `InUse` when somebody holds it.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path


class InUse(Exception):  # noqa: N818 - said of a file, not a fault of the program
    """Somebody else holds the lock."""


class JournalLock:
    """Held from the moment it is made.

    Parameters
    ----------
    journal : Path
        The file that is to have one writer. It is replaced by renames, so the lock is on another file beside it.
    """

    def __init__(self, journal: Path) -> None:
        path = journal.with_name(journal.name + ".lock")
        # Python lets no program that is started from here inherit it.
        self._descriptor: int | None = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            _lock(self._descriptor)
        except BaseException:
            self.release()
            raise

    def release(self) -> None:
        """Let another have it; releasing twice does no harm."""
        if self._descriptor is not None:
            with suppress(OSError):
                os.close(self._descriptor)  # the lock goes with it
            self._descriptor = None


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise InUse from error
else:
    import fcntl

    def _lock(descriptor: int) -> None:
        # `flock` belongs to this opening of the file, so that a second one in the same process is refused as well;
        # a lock by `lockf` would be the whole process's, and lost when any other opening of the file is closed.
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InUse from error
