"""A CBOR item looked over before it is decoded: only plain data, shallow, one map, nothing behind it.

In: the bytes of a message (RFC 8949). Out: how many pairs the map holds. Raises `ValueError` for anything else: tags
(dates, references, patterns, numbers of any size), byte strings, keys that are no texts, simple values other than
false, true and null, depth beyond a sample message's, lengths beyond the message. What passes costs a decoder no more
than its own size.
"""

from __future__ import annotations

# A map that holds a list of lists is three deep; one more for what a sender may add for others.
_DEEPEST = 4
_BREAK = 0xFF
# Major types, RFC 8949 section 3.1.
_POSITIVE, _NEGATIVE, _TEXT, _LIST, _MAP, _SIMPLE = 0, 1, 3, 4, 5, 7
_FALSE, _TRUE, _NULL = 20, 21, 22
_INDEFINITE = 31
_ARGUMENT_BYTES = {24: 1, 25: 2, 26: 4, 27: 8}


def plain_map(data: bytes) -> int:
    """Number of pairs of the map that is all of `data`; raises `ValueError` when it is no plain one.

    Examples
    --------
    >>> plain_map(bytes.fromhex("a2 6161 01 6162 820203"))
    2
    """
    try:
        if data[0] >> 5 != _MAP:
            raise ValueError("a message is no map")
        end, items = _item(data, 0, 0)
    except IndexError:
        raise ValueError("a message breaks off") from None
    if end != len(data):
        raise ValueError("a message breaks off" if end > len(data) else "bytes behind a message's end")
    return items // 2


def _item(data: bytes, at: int, depth: int) -> tuple[int, int]:
    """Where the item at `at` ends, and how many items it holds; raises `IndexError` beyond the data."""
    major, short = data[at] >> 5, data[at] & 31
    at += 1
    argument = short
    if short in _ARGUMENT_BYTES:
        length = _ARGUMENT_BYTES[short]
        argument = int.from_bytes(data[at : at + length], "big")
        at += length
    elif short > 27 and not (short == _INDEFINITE and major in {_LIST, _MAP}):
        raise ValueError("a head that CBOR does not have, or a text in pieces")
    if major in {_POSITIVE, _NEGATIVE}:
        return at, 0
    if major == _TEXT:
        return at + argument, 0
    if major == _SIMPLE:
        if short <= 24 and short not in {_FALSE, _TRUE, _NULL}:
            raise ValueError("a simple value that no message may hold")
        return at, 0
    if major in {_LIST, _MAP}:
        if depth == _DEEPEST:
            raise ValueError("nested too deeply")
        return _items(data, at, depth + 1, None if short == _INDEFINITE else argument, is_map=major == _MAP)
    raise ValueError("a tag or a byte string")


def _items(data: bytes, at: int, depth: int, length: int | None, *, is_map: bool) -> tuple[int, int]:
    """Go through the items of a list or map; its `length` is None when a break ends it."""
    stop = None if length is None else length * (2 if is_map else 1)
    seen = 0
    while seen != stop:
        if stop is None and data[at] == _BREAK:
            at += 1
            break
        if is_map and seen % 2 == 0 and data[at] >> 5 != _TEXT:
            raise ValueError("a key is no text")
        at, _ = _item(data, at, depth)
        seen += 1
    if is_map and seen % 2:
        raise ValueError("a key without a value")
    return at, seen
