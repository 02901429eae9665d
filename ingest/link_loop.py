"""One event loop for the links of many cars, in the thread that also computes: nobody waits for another's turn.

In: the work of links, and of what publishes. Out: `turn` lets all of it go on for a while, each link in turn with a few
dozen messages at most, so that a flood on one costs the others no more than the handling of these. Never raises what
the work raised: that is in the link's `state`. With a thread each, 50 links and the chain would fight for the
interpreter.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Coroutine
from typing import Any

from ingest.mqtt_client import quiet_loop
from ingest.mqtt_intake import SharedLoop

# Between two looks while there is time: what has come meanwhile to fifty links is then taken in one go, where being
# woken for each message would cost more than the message. Arrivals are stamped this much late at most.
_REST_S = 0.002
_GRACE_S = 2.5  # for what is stopped at the end, all of it together: saying "offline" and good-bye
_STEPS_IN_A_HURRY = 8  # from an event to its bytes on the socket it takes five or six passes of the loop


class LinkLoop:
    """Runs links while its owner calls `turn`; from one thread only."""

    def __init__(self) -> None:
        loop = quiet_loop(shared=True)
        assert isinstance(loop, SharedLoop)
        self._loop = loop
        self._begun: set[asyncio.Task[None]] = set()
        self._hurried = False

    def begin(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Take up a link's work; it goes on in the next `turn`. Who stops it cancels it, and waits in `leave`."""
        task = self._loop.create_task(work)
        self._begun.add(task)
        task.add_done_callback(self._begun.discard)
        return task

    def hurry(self) -> None:
        """Something is to go out: the next `turn` takes it as far as the socket."""
        self._hurried = True

    def turn(self, longest_s: float = 0.0) -> None:
        """Handle what is ready now, some messages of each link, and whatever comes within `longest_s` seconds."""
        end_s = time.monotonic() + longest_s
        while True:
            self._pass()
            if self._hurried:
                self._hurried, self._loop.resting = False, True
                for _ in range(_STEPS_IN_A_HURRY):
                    self._pass()
                self._loop.resting = False
            left_s = end_s - time.monotonic()
            if left_s <= 0.0:
                return
            # With more to hand over there is no rest: of many that are behind each has one message a pass, and with
            # rests they would never catch up.
            if not self._loop.hungry:
                time.sleep(min(left_s, _REST_S))

    def catch_up(self, links: int, longest_s: float) -> None:
        """Receive on, while most of `links` have more than they could hand over: then it is no flood of a few.

        What waits with a broker grows old there; what has been received can be dropped, the oldest first.
        """
        end_s = time.monotonic() + longest_s
        self._loop.generous = True
        while 2 * self._loop.hungry > links and time.monotonic() < end_s:
            self._pass()
        self._loop.generous = False

    def leave(self) -> None:
        """Wait until all work that was cancelled has said good-bye, a few seconds at most; other work goes on."""
        self._wait_for({task for task in self._begun if task.cancelling()})

    def close(self) -> None:
        """End all work and the loop; closing twice does no harm."""
        if self._loop.is_closed():
            return
        self.leave()
        left = asyncio.all_tasks(self._loop)
        for task in left:
            task.cancel()
        self._wait_for(left)
        self._loop.close()

    def _pass(self) -> None:
        self._loop.call_soon(self._loop.stop)
        self._loop.run_forever()

    def _wait_for(self, tasks: set[asyncio.Task[None]]) -> None:
        if tasks:
            self._loop.run_until_complete(asyncio.wait(tasks, timeout=_GRACE_S))
