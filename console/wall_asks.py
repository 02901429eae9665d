"""What a person at the pit wall has asked, and what became of it: accepted, refused, or no answer.

In: wishes, the monitor's run, and answers from anybody. Out: commands, and words to show. Pure; `now` is monotonic
seconds. Bounded: the newest asks are followed.
"""

from __future__ import annotations

import json
from collections import OrderedDict

from alerts.payload import Command
from console.command import ActError, Wish, build_command
from console.lines import kind_name
from ingest.text import clean

ANSWER_S = 5.0  # as long as a shell's command waits
_MOST = 32
_MOST_BYTES = 2000


class WallAsks:
    """Follows what was asked at one wall."""

    def __init__(self) -> None:
        self._open: OrderedDict[str, tuple[str, float]] = OrderedDict()

    def ask(self, wish: Wish, run: str, now: float) -> Command:
        """The command to send.

        Raises
        ------
        ActError
            No monitor is known, or the wish has no place in a command.
        """
        if not run:
            raise ActError("not sent: no monitor is known to ask")
        command = build_command(wish, run)
        self._open[command.id] = (_words(wish), now + ANSWER_S)
        while len(self._open) > _MOST:
            self._open.popitem(last=False)
        return command

    def hear(self, payload: bytes) -> str:
        """What an answer says to something that was asked here; empty for anything else."""
        try:
            record = json.loads(payload[:_MOST_BYTES])
            identifier, words, accepted = str(record["id"]), clean(record["words"], 200), record["accepted"] is True
        except (ValueError, KeyError, TypeError, RecursionError):
            return ""
        found = self._open.pop(identifier, None)
        if found is None:
            return ""
        if not accepted:
            return f"REFUSED: {found[0]}: {words}"
        return f"done: {found[0]}" if words in _PLAIN else f"done: {found[0]}: {words}"

    def overdue(self, now: float) -> str:
        """What to say of asks that nobody answered in time; empty when there are none."""
        late = [identifier for identifier, (_, until_s) in self._open.items() if now > until_s]
        words = [self._open.pop(identifier)[0] for identifier in late]
        return f"NO ANSWER: {', '.join(words)}: perhaps not done, look at the alarm" if words else ""


# Answers that only repeat what was asked.
_PLAIN = {"acknowledge", "reset", "shelve", "unshelve"}


def _words(wish: Wish) -> str:
    name = clean(f"{kind_name(wish.kind)} {wish.where}", 100)
    length = "" if wish.shelve_s is None else f" for {wish.shelve_s / 60:g} min of running"
    return f"{wish.action.replace('_', ' ')} {name}{length}"
