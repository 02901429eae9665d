"""A stream of bytes cut at a delimiter into frames of bounded length. No input or output.

In: bytes, in pieces of any size. Out: the frames between delimiters; empty ones are left out. A frame longer than the
limit is counted once, the moment it exceeds the limit, and skipped up to the next delimiter, so a stream without
delimiters takes no memory. Where the stream is cut changes neither frames nor counts. Never raises.
"""

from __future__ import annotations

from ingest.link_block import LinkCounts


class Splitter:
    r"""Cuts a stream at a delimiter.

    Parameters
    ----------
    delimiter : bytes
        One byte.
    longest : int
        Most bytes of a frame, without its delimiter.
    counts : LinkCounts
        Long frames and garbage are counted here.
    joins : bool
        What stands before the first delimiter may be the rest of a frame and is garbage.

    Examples
    --------
    >>> splitter = Splitter(b"\n", 10, LinkCounts())
    >>> splitter.feed(b"one\ntw"), splitter.feed(b"o\n\nthree")
    ([b'one'], [b'two'])
    """

    def __init__(self, delimiter: bytes, longest: int, counts: LinkCounts, *, joins: bool = False) -> None:
        self._delimiter = delimiter
        self._longest = longest
        self._counts = counts
        self._joins = joins
        self._joining = joins
        self._skipping = False
        self._carry = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes; return the frames that they complete."""
        if self._joining:
            before, delimiter, data = data.partition(self._delimiter)
            self._counts.garbage_bytes += len(before)
            if not delimiter:
                return []
            self._joining = False
        # Only new bytes are searched, so that a long frame in small pieces costs no more than in one.
        *ended, rest = data.split(self._delimiter)
        frames = []
        for piece in ended:
            self._grow(piece)
            frame = self.end()
            if frame:
                frames.append(frame)
        self._grow(rest)
        return frames

    def _grow(self, piece: bytes) -> None:
        if self._skipping:
            return
        if len(self._carry) + len(piece) > self._longest:
            self._counts.long_frames += 1
            self._skipping = True
            self._carry.clear()
        else:
            self._carry += piece

    def end(self) -> bytes:
        """End a frame here, as at a delimiter; return it (empty when it was too long)."""
        frame = bytes(self._carry)
        self._carry.clear()
        self._skipping = False
        return frame

    def reset(self) -> None:
        """The rest of a frame will not come: what is carried becomes garbage."""
        self._counts.garbage_bytes += len(self.end())
        self._joining = self._joins
