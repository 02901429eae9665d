"""Which cars a pit wall follows: prefixes of topics by name, and patterns that find cars by what they publish.

In: what --topic gave. Out: names and patterns, and for each topic of a message the car's prefix and what of the car it
is. Raises ValueError, in words, for what can be neither. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from console.fleet_cars import filters_meet
from ingest.sheet_wall import checked_prefix
from ingest.text import clean

LONGEST = 150  # letters, as in the car sheet's [pit_wall]
MOST_NAMED = 200  # beyond, no screen has room, and a broker is asked for four topics of each
HEARD = ("online", "state", "heartbeat")


@dataclass(frozen=True)
class WallTopics:
    """What a wall follows.

    Attributes
    ----------
    names : tuple of str
        Prefixes of cars that must be there: one that says nothing is shown as such.
    patterns : tuple of str
        Prefixes with `+` for a level: whatever car publishes below one is shown.
    """

    names: tuple[str, ...]
    patterns: tuple[str, ...] = ()

    @property
    def one(self) -> str | None:
        """The only car, where nothing but one was named."""
        return self.names[0] if len(self.names) == 1 and not self.patterns else None

    @property
    def prefixes(self) -> tuple[str, ...]:
        """Names and patterns, in the order in which a broker is asked for them."""
        return (*self.names, *self.patterns)

    def split(self, topic: str, level: str | None) -> tuple[str, str] | None:
        """A topic as the car's prefix and what comes after it; None when nothing of it was asked for.

        Parameters
        ----------
        topic : str
            Of a message, from anybody.
        level : str or None
            Of the answers that are for this wall.

        Examples
        --------
        >>> topics = WallTopics(("pit/7",), ("pit/+",))
        >>> topics.split("pit/7/answers/kim", "kim"), topics.split("pit/8/state", None), topics.split("x/8/state", None)
        (('pit/7', 'answers/kim'), ('pit/8', 'state'), None)
        """
        answers = () if level is None else (f"answers/{level}",)
        for name in (*answers, *HEARD):
            prefix = topic.removesuffix(f"/{name}")
            if prefix != topic and self._asked(prefix):
                return prefix, name
        return None

    def _asked(self, prefix: str) -> bool:
        if prefix in self.names:
            return True
        return any(filters_meet(pattern, prefix) for pattern in self.patterns) and not _fault(prefix)


def read_topics(given: Sequence[str]) -> WallTopics:
    """Names and patterns from a command line; one given twice counts once.

    Raises
    ------
    ValueError
        One of them can be no prefix of a car's topics, or there are too many.

    Examples
    --------
    >>> read_topics(["pit/7", "pit/+", "pit/7"])
    WallTopics(names=('pit/7',), patterns=('pit/+',))
    """
    once = tuple(dict.fromkeys(given))
    if len(once) > MOST_NAMED:
        raise ValueError(f"{len(once)} are given, {MOST_NAMED} can be followed")
    for prefix in once:
        fault = _pattern_fault(prefix)
        if fault:
            raise ValueError(f"{clean(prefix, 60)}: {fault}")
    return WallTopics(tuple(p for p in once if "+" not in p), tuple(p for p in once if "+" in p))


def _pattern_fault(prefix: str) -> str:
    if "#" in prefix:
        return (
            "# stands for any number of levels, so that nobody could tell where a car's name ends; "
            "use + for each level that differs, as in pit/+"
        )
    levels = prefix.split("/")
    if any("+" in level and level != "+" for level in levels):
        return "+ stands for a whole level, as in pit/+ (MQTT allows nothing beside it)"
    return _fault("/".join("any" if level == "+" else level for level in levels))


@lru_cache(1024)  # asked at every message of a car that a pattern found
def _fault(prefix: str) -> str:
    """Why nothing can be published below a prefix; empty when it can."""
    if not prefix or len(prefix) > LONGEST:
        return f"must be 1 to {LONGEST} letters long"
    try:
        checked_prefix(prefix)
    except ValueError as error:
        return str(error)
    return ""
