"""What a person asks for, and the command that asks a monitor for it over a broker; for the wall and for a shell.

In: a wish, the monitor's run. Out: a `Command`, and the level of the topic it goes out on. Raises ActError, in words,
for what no monitor would take.
"""

from __future__ import annotations

import getpass
import uuid
from dataclasses import dataclass

from pydantic import ValidationError

from alerts.payload import Command
from ingest.errors import DamperwatchError
from ingest.sheet_broker import BrokerAccess
from ingest.text import clean

LONGEST_NAME = 40
_NOBODY = "somebody"


class ActError(DamperwatchError):
    """The action was not carried out, or nobody knows; the text says which."""


@dataclass(frozen=True)
class Wish:
    """What a person asks for; `shelve_s` goes with shelving only."""

    action: str
    kind: str
    where: str
    who: str
    shelve_s: float | None = None


def build_command(wish: Wish, run: str) -> Command:
    """The command for a wish, under an identifier of its own.

    Raises
    ------
    ActError
        A value has no place in a command; the text names it.
    """
    try:
        return Command.model_validate(
            {
                "id": uuid.uuid4().hex,
                "run": run,
                "kind": wish.kind,
                "where": wish.where,
                "action": wish.action,
                "who": wish.who,
                "shelve_s": wish.shelve_s,
            }
        )
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        raise ActError(f"{clean('.'.join(map(str, first['loc'])), 40)}: {clean(first['msg'], 120)}") from None


def topic_level(place: BrokerAccess, who: str) -> str:
    """The level of the topic that a person's commands go out on: the broker's user, or else the name.

    Raises
    ------
    ActError
        It can be no level of a topic.
    """
    level = clean(place.user or who, LONGEST_NAME)
    if not level or any(sign in level for sign in "/+#"):
        raise ActError("--name (or --user) must not be empty nor hold / + or #: it is a level of the topic")
    return level


def person_name(given: str | None) -> str:
    r"""The name that goes with a person's actions: the one given, else that of the login; safe to show, and bounded.

    Examples
    --------
    >>> person_name("  Kim\x1b[2J "), len(person_name("x" * 99)), person_name("\n") != ""
    ('Kim�[2J', 40, True)
    """
    name = clean(given or "", LONGEST_NAME).strip()
    if name:
        return name
    try:
        login = getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user here, as in some containers
        login = ""
    return clean(login, LONGEST_NAME).strip() or _NOBODY
