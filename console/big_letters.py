"""Words in letters five cells high, for reading across a garage.

In: words and the room there is. Out: rows of marks, the same number in each line of words; nothing when a sign has no
letter here or the room is too small. Of our own, since the fonts of libraries weigh more than all of this program.
"""

from __future__ import annotations

ROWS = 5
_GAP = 1
_SPACE = 3

_LETTERS = {
    "A": (".##.", "#..#", "####", "#..#", "#..#"),
    "B": ("###.", "#..#", "###.", "#..#", "###."),
    "C": (".###", "#...", "#...", "#...", ".###"),
    "D": ("###.", "#..#", "#..#", "#..#", "###."),
    "E": ("####", "#...", "###.", "#...", "####"),
    "F": ("####", "#...", "###.", "#...", "#..."),
    "G": (".###", "#...", "#.##", "#..#", ".###"),
    "H": ("#..#", "#..#", "####", "#..#", "#..#"),
    "I": ("###", ".#.", ".#.", ".#.", "###"),
    "J": ("..##", "...#", "...#", "#..#", ".##."),
    "K": ("#..#", "#.#.", "##..", "#.#.", "#..#"),
    "L": ("#...", "#...", "#...", "#...", "####"),
    "M": ("#...#", "##.##", "#.#.#", "#...#", "#...#"),
    "N": ("#...#", "##..#", "#.#.#", "#..##", "#...#"),
    "O": (".##.", "#..#", "#..#", "#..#", ".##."),
    "P": ("###.", "#..#", "###.", "#...", "#..."),
    "Q": (".##.", "#..#", "#..#", "#.##", ".###"),
    "R": ("###.", "#..#", "###.", "#.#.", "#..#"),
    "S": (".###", "#...", ".##.", "...#", "###."),
    "T": ("#####", "..#..", "..#..", "..#..", "..#.."),
    "U": ("#..#", "#..#", "#..#", "#..#", ".##."),
    "V": ("#...#", "#...#", "#...#", ".#.#.", "..#.."),
    "W": ("#...#", "#...#", "#.#.#", "##.##", "#...#"),
    "X": ("#...#", ".#.#.", "..#..", ".#.#.", "#...#"),
    "Y": ("#...#", ".#.#.", "..#..", "..#..", "..#.."),
    "Z": ("####", "...#", ".##.", "#...", "####"),
    "0": (".##.", "#..#", "#..#", "#..#", ".##."),
    "1": (".#.", "##.", ".#.", ".#.", "###"),
    "2": ("###.", "...#", ".##.", "#...", "####"),
    "3": ("###.", "...#", ".##.", "...#", "###."),
    "4": ("#..#", "#..#", "####", "...#", "...#"),
    "5": ("####", "#...", "###.", "...#", "###."),
    "6": (".###", "#...", "###.", "#..#", ".##."),
    "7": ("####", "...#", "..#.", ".#..", ".#.."),
    "8": (".##.", "#..#", ".##.", "#..#", ".##."),
    "9": (".##.", "#..#", ".###", "...#", "###."),
    "-": ("...", "...", "###", "...", "..."),
    "_": ("....", "....", "....", "....", "####"),
    "/": ("...#", "...#", "..#.", ".#..", ".#.."),
    ".": (".", ".", ".", ".", "#"),
    "+": ("...", ".#.", "###", ".#.", "..."),
}


def big_lines(words: str, width: int, mark: str, scale: int = 1) -> list[list[str]]:
    """Lines of words, each as `ROWS` times `scale` rows of at most `width` cells; empty when it can't be done.

    Examples
    --------
    >>> for row in big_lines("fl", 20, "#")[0]: print(row)
    #### #
    #    #
    ###  #
    #    #
    #    ####
    """
    lines: list[list[str]] = []
    current = ""
    for word in words.upper().split():
        if any(sign not in _LETTERS for sign in word) or _width(word) * scale > width:
            return []
        longer = f"{current} {word}" if current else word
        if _width(longer) * scale > width:
            lines.append(_drawn(current, mark, scale))
            longer = word
        current = longer
    return [*lines, _drawn(current, mark, scale)] if current else lines


def _width(words: str) -> int:
    cells = sum(_SPACE if sign == " " else len(_LETTERS[sign][0]) for sign in words)
    return cells + _GAP * (len(words) - 1)


def _drawn(words: str, mark: str, scale: int) -> list[str]:
    rows = []
    for row in range(ROWS):
        signs = [" " * _SPACE if sign == " " else _LETTERS[sign][row] for sign in words]
        cells = (" " * _GAP).join(signs).replace(".", " ")
        drawn = "".join((mark if cell == "#" else " ") * scale for cell in cells).rstrip()
        rows += [drawn] * scale
    return rows
