"""One event loop for the links of many cars, in the thread that also computes: nobody waits for another's turn.

In: the work of links. Out: `turn` lets all of them receive for a while, one message of each connection after the other,
so that a flood on one costs the others no more than the handling of one message each time. Never raises what a link's
work raised: that is in the link's `state`. With a thread each, 50 links and the chain would fight for the interpreter.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any

from ingest.mqtt_client import quiet_loop

_GRACE_S = 2.5  # for what is cancelled at the end, all links together: saying "offline" and good-bye


class LinkLoop:
    """Runs links while its owner calls `turn`; from one thread only."""

    def __init__(self) -> None:
        self._loop = quiet_loop()

    def begin(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Take up a link's work; it goes on in the next `turn`."""
        return self._loop.create_task(work)

    def turn(self, longest_s: float = 0.0) -> None:
        """Handle what is ready now, one message of each link, and whatever comes within `longest_s` seconds."""
        if longest_s > 0.0:
            self._loop.call_later(longest_s, self._loop.stop)
        else:
            self._loop.call_soon(self._loop.stop)
        self._loop.run_forever()

    def leave(self) -> None:
        """Cancel all work and wait until every link has said good-bye, a few seconds at most."""
        left = asyncio.all_tasks(self._loop)
        for task in left:
            task.cancel()
        if left:
            self._loop.run_until_complete(asyncio.wait(left, timeout=_GRACE_S))

    def close(self) -> None:
        """End the loop; closing twice does no harm."""
        if not self._loop.is_closed():
            self.leave()
            self._loop.close()
