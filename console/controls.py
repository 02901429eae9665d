"""What keys do: a selection among alarms, actions on it, views, questions and words for the person at the screen.

In: key names, and the alarms that the screen shows. Out: what was asked, as a `Wish` on an alarm or a `Move` of the
screen or the replay. Pure but for an injected clock: reads no terminal, touches no alarm. An action needs an alarm that
the person can see selected: when the selected one goes, nothing is, so that no other is acted on by mistake.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from console.command import Wish

_SAID_S = 8.0  # how long an answer stays to be read
# A shelf is for a run, a pause or a session; it ends by itself. Seconds of running.
SHELVES = (("1", 600.0, "10 min"), ("2", 1800.0, "30 min"), ("3", 3600.0, "1 h"), ("4", 14_400.0, "4 h"))
_PAGE = 10


class Move(StrEnum):
    """What a person asks of the screen or the replay itself."""

    QUIT = "quit"
    PAUSE = "pause"
    STEP = "step"
    FASTER = "faster"
    SLOWER = "slower"
    SUSPEND = "suspend"
    INTERRUPT = "interrupt"
    NEXT_CAR = "next car"
    CAR_BEFORE = "car before"
    URGENT_CAR = "urgent car"


class Scene(StrEnum):
    """What covers the screen, in the order in which one key goes through them."""

    BOARD = "board"
    PLATFORM = "platform"
    FORCES = "forces"
    TRENDS = "trends"
    LIST = "list"
    LINK = "link"


class Question(StrEnum):
    """What waits for an answer."""

    SHELVE = "shelve"
    OUT_OF_SERVICE = "out of service"
    QUIT = "quit"


@dataclass(frozen=True)
class Item:
    """An alarm that can be selected: its kind and place, its name in words, and how a person keeps it quiet."""

    kind: str
    where: str
    name: str
    shelved: bool = False
    out_of_service: bool = False

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from the others."""
        return self.kind, self.where


@dataclass(frozen=True)
class Duties:
    """What can be done at this screen; `ends` names what quitting ends when that needs a second thought.

    A `live` run must not be suspended; with `several` cars one is shown at a time.
    """

    replay: bool = False
    live: bool = False
    has_list: bool = True
    can_freeze: bool = True
    can_take_out: bool = True
    ends: str = ""
    several: bool = False


class Controls:
    """Follows one person at one screen.

    Parameters
    ----------
    who : str
        The person's name, safe to show.
    duties : Duties
        What can be done here.
    clock : callable
        Monotonic seconds.
    """

    def __init__(self, who: str, duties: Duties, clock: Callable[[], float] = time.monotonic) -> None:
        self.who = who
        self.duties = duties
        self.scene = Scene.BOARD
        self.helping = False
        self.question: Question | None = None
        self.notice = ""  # what stays at the foot while nothing else is said
        self._clock = clock
        self._items: tuple[Item, ...] = ()
        self._selected: tuple[str, str] | None = None
        self._subject: Item | None = None
        self._frozen_at: float | None = None
        self._said = ""
        self._said_until = float("-inf")
        self._changed = False
        self._picture_asked = False

    # ---------------------------------------------------------------- what the screen reads

    @property
    def selected(self) -> Item | None:
        """The selected alarm, while the screen shows it."""
        return next((item for item in self._items if item.key == self._selected), None)

    @property
    def frozen_s(self) -> float | None:
        """How old the frozen picture is; None when it is not frozen."""
        return None if self._frozen_at is None else self._clock() - self._frozen_at

    @property
    def said(self) -> str:
        """What was said last, while it is new."""
        return self._said if self._clock() < self._said_until else ""

    @property
    def asking(self) -> str:
        """The question that waits for an answer, in words; empty when none does."""
        name = "" if self._subject is None else self._subject.name
        if self.question is Question.SHELVE:
            choices = ", ".join(f"{key}: {words}" for key, _, words in SHELVES)
            return f"Shelve {name} for how much running? {choices}; Esc: not at all"
        if self.question is Question.OUT_OF_SERVICE:
            return f"Take {name} out of service, until somebody returns it? y: yes, n: no"
        if self.question is Question.QUIT:
            return f"End {self.duties.ends}? y: yes, n: no"
        return ""

    def take_changed(self) -> bool:
        """Whether anything has changed since the last call that is to be seen at once."""
        changed, self._changed = self._changed, False
        return changed

    def take_picture_asked(self) -> bool:
        """Whether a picture of the screen was asked for since the last call."""
        asked, self._picture_asked = self._picture_asked, False
        return asked

    # ---------------------------------------------------------------- what the screen and the run say

    def shows(self, items: Sequence[Item]) -> None:
        """The screen shows these alarms now, in this order."""
        self._items = tuple(items)
        if self.scene is Scene.LIST and self.selected is None and items:
            self._selected = items[0].key

    def ending(self) -> None:
        """The end was asked for; what has arrived is still worked through, and the picture goes on until then."""
        self._frozen_at, self.helping, self.notice = None, False, "ENDING: what has come in is still worked through"
        self._changed = True

    def say(self, words: str) -> None:
        """Show an answer for some seconds."""
        self._said, self._said_until = words, self._clock() + _SAID_S
        self._changed = True

    # ---------------------------------------------------------------- keys

    def press(self, key: str) -> Wish | Move | None:
        """Take one key; return what it asks of others, if anything."""
        if key in {Move.SUSPEND, Move.INTERRUPT}:
            return Move(key)
        self._changed = True
        if self.question is not None:
            return self._answered(key)
        if self.helping:
            self.helping = False
            return None
        self._said_until = float("-inf")
        if key in _MOVES and self.duties.replay:
            return _MOVES[key]
        if key in CAR_MOVES and self.duties.several:
            return CAR_MOVES[key]
        if key in _STEPS:
            self._move(_STEPS[key])
            return None
        if key in _ACTIONS:
            return self._act(_ACTIONS[key])
        return self._screen_key(key)

    def _screen_key(self, key: str) -> Move | None:
        if key in {"?", "h"}:
            self.helping = True
        elif key == "l" and self.duties.has_list:
            self.scene = Scene.BOARD if self.scene is Scene.LIST else Scene.LIST
        elif key == "enter" and self.duties.has_list:
            self.scene = Scene.LIST
        elif key in _VIEWS and self.duties.has_list:
            self.scene = _VIEWS[key]
        elif key in _TURNS and self.duties.has_list:
            scenes = list(Scene)
            self.scene = scenes[(scenes.index(self.scene) + _TURNS[key]) % len(scenes)]
        elif key == "p" and self.duties.has_list:
            self._picture_asked = True
        elif key == "escape":
            if self.scene is not Scene.BOARD:
                self.scene = Scene.BOARD
            else:
                self._selected = None
        elif key == "f" and self.duties.can_freeze:
            self._frozen_at = self._clock() if self._frozen_at is None else None
        elif key == "q":
            if not self.duties.ends:
                return Move.QUIT
            self.question = Question.QUIT
        return None

    def _move(self, by: int) -> None:
        """Move the selection; from nothing selected, to the first or the last."""
        if not self._items:
            return
        keys = [item.key for item in self._items]
        if self.selected is None:
            first = by > 0 if abs(by) != _ENDS else by < 0
            place = 0 if first else len(keys) - 1
        elif abs(by) == _ROUND:
            place = (keys.index(self.selected.key) + (1 if by > 0 else -1)) % len(keys)
        else:
            place = max(0, min(len(keys) - 1, keys.index(self.selected.key) + by))
        self._selected = keys[place]

    def _act(self, action: str) -> Wish | None:
        item = self.selected
        if action == _OUT and not self.duties.can_take_out:
            return None
        if self._frozen_at is not None:
            self.say("The picture is frozen: f lets it go on, then act on what stands now")
        elif item is None and self.scene not in {Scene.BOARD, Scene.LIST}:
            self.say("Alarms are acted on in the views 1 axles and 5 alarms: l goes there")
        elif item is None:
            self.say("Select an alarm first, with the arrow keys or Tab" if self._items else "No alarm here to act on")
        elif action == "shelve":
            self.question, self._subject = Question.SHELVE, item
        elif action == "unshelve" and item.out_of_service:
            self.say(f"{item.name} is out of service, not shelved: o returns it")
        elif action == _OUT and item.out_of_service:
            return self._wish("return_to_service", item)
        elif action == _OUT:
            self.question, self._subject = Question.OUT_OF_SERVICE, item
        else:
            return self._wish(action, item)
        return None

    def _answered(self, key: str) -> Wish | Move | None:
        question, item = self.question, self._subject
        choice = {name: seconds for name, seconds, _ in SHELVES}.get(key)
        known = choice is not None if question is Question.SHELVE else key in {"y", "Y"}
        if not known and key not in {"n", "N", "escape", "q"}:
            return None  # a key beside the right one: the question stands
        self.question = self._subject = None
        if not known:
            return None
        if question is Question.QUIT:
            return Move.QUIT
        assert item is not None
        if question is Question.SHELVE:
            return self._wish("shelve", item, choice)
        return self._wish(_OUT, item)

    def _wish(self, action: str, item: Item, shelve_s: float | None = None) -> Wish:
        return Wish(action, item.kind, item.where, self.who, shelve_s)


_ROUND = 10_000  # Tab goes round; an arrow stops at the end
_ENDS = 9999  # more alarms than any sheet has
_STEPS = {
    "up": -1,
    "down": 1,
    "tab": _ROUND,
    "back tab": -_ROUND,
    "page up": -_PAGE,
    "page down": _PAGE,
    "home": -_ENDS,
    "end": _ENDS,
}
_VIEWS = {str(number): scene for number, scene in enumerate(Scene, 1)}
_TURNS = {"v": 1, "V": -1, "right": 1, "left": -1}
_OUT = "out_of_service"
_ACTIONS = {"a": "acknowledge", "r": "reset", "s": "shelve", "u": "unshelve", "o": _OUT}
CAR_MOVES = {"c": Move.NEXT_CAR, "C": Move.CAR_BEFORE, "w": Move.URGENT_CAR}
_MOVES = {
    " ": Move.PAUSE,
    "n": Move.STEP,
    "+": Move.FASTER,
    "=": Move.FASTER,
    "-": Move.SLOWER,
}
