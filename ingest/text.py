"""Hostile strings made safe to show: bounded, one line, nothing a terminal would obey.

In: any string from a file, a wire or a car sheet. Out: the same text with control, format, surrogate,
private-use and line-separator characters made visible, cut at a length. Never raises.
"""

from __future__ import annotations

import unicodedata

# Categories that can move a cursor, reorder text, or hide in it.
_UNSAFE_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_REPLACEMENT = "\ufffd"
_DEFAULT_LENGTH = 120  # more than a line of the widest board; longer text is an attack or a mistake


def clean(text: object, max_length: int = _DEFAULT_LENGTH) -> str:
    r"""Return `text` as one bounded line that is safe on a terminal.

    Parameters
    ----------
    text : object
        Shown through `str`.
    max_length : int
        Longest result, in characters; a longer text ends in an ellipsis.

    Examples
    --------
    >>> clean("lap\t3\x1b[2J")
    'lap 3�[2J'
    >>> clean("abcdef", max_length=4)
    'abc…'
    """
    bounded = str(text)[: max_length + 1]
    shown = "".join(_visible(character) for character in bounded)
    return shown if len(shown) <= max_length else shown[: max_length - 1] + "…"


def _visible(character: str) -> str:
    if character in "\t\r\n":
        return " "
    return _REPLACEMENT if unicodedata.category(character) in _UNSAFE_CATEGORIES else character
