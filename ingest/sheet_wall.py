"""The part of a car sheet that says where alerts go: the broker of the pit wall and the topic they stand below.

In: the keys of `[pit_wall]`. A wrong value raises pydantic's ValidationError, which `ingest.sheet` turns into lines.
`alerts.publisher` publishes there, `damperwatch wall` reads it.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from ingest.sheet_broker import BrokerAccess
from ingest.text import clean


def checked_prefix(topic: str) -> str:
    """A prefix of topics as it came; ValueError when nothing can be published below it.

    Examples
    --------
    >>> checked_prefix("pit/car-12")
    'pit/car-12'
    """
    if clean(topic, 200) != topic or "+" in topic or "#" in topic:
        raise ValueError("must be printable and hold neither + nor #")
    if "" in topic.split("/"):
        raise ValueError("must not begin or end with a slash, nor hold two in a row")
    if topic.startswith("$"):
        raise ValueError("must not begin with $: such topics are the broker's own")
    return topic


class PitWall(BrokerAccess):
    """The broker through which pit wall and monitor meet, and the prefix of their topics."""

    topic: Annotated[str, Field(min_length=1, max_length=150), AfterValidator(checked_prefix)]
