"""Where a run meets those who act on its alarms: steps go out to the pit wall, commands come in and are carried out.

In: every step of the chain with its monitor. Out: messages through a `Publisher`, and steps that commands brought,
which the caller shows and writes like its own. Called from the chain's thread only; nothing in here waits or raises.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from alerts.monitor import Monitor, Step
from alerts.payload import StateWriter, name_shown, transition_payload
from alerts.publisher import Asked, Publisher, Pulse
from console.alarm_view import why_nothing
from ingest.text import clean

_STATE_EVERY_S = 0.1  # a burst of transitions needs one state at its end, not one each
_REFRESH_S = 10.0  # who joins late sees a state that is not much older than this


class Desk:
    """Publishes a run and carries out what the pit wall asks.

    Parameters
    ----------
    publisher : Publisher
        Started by the caller, stopped by `close`.
    car : str
        Whose alarms these are.
    clock : callable
        Monotonic seconds.
    """

    def __init__(self, publisher: Publisher, car: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._publisher = publisher
        self._car = car
        self._clock = clock
        self._writer = StateWriter(publisher.run, car)
        self._changed = True
        self._state_at = float("-inf")
        self._pulse = Pulse()

    def take(self, step: Step, monitor: Monitor) -> None:
        """Publish what a step brought."""
        if not step.transitions:
            return
        self._writer.take(step.transitions)
        run = self._publisher.run
        self._publisher.offer([(t.sequence, transition_payload(t, run, self._car)) for t in step.transitions])
        self._changed = True
        self._tell_state(monitor)

    def look(self, monitor: Monitor, time_s: float, sample_age_s: float | None = None, link: str = "") -> list[Step]:
        """Say that the chain works and carry out what was asked; returns the steps it brought, not yet taken."""
        self._pulse = Pulse(time_s, sample_age_s, link, self._writer.sequence)
        self._publisher.alive(self._pulse)
        steps = [step for asked in self._publisher.take_commands() if (step := self._obey(asked, monitor)) is not None]
        self._tell_state(monitor)
        return steps

    def close(self, monitor: Monitor | None, reason: str) -> None:
        """Publish the last state, say why the run is over, and leave the broker; closing twice does no harm."""
        if monitor is not None and self._changed:
            self._state_at = float("-inf")
            self._tell_state(monitor)
        self._publisher.stop(reason)

    @property
    def trouble(self) -> str:
        """What is wrong with the way to the pit wall, in words; empty when nothing is."""
        state, lost = self._publisher.status.state, self._publisher.dropped
        parts = [] if state.word == "open" else [f"pit wall {state.word}: {state.detail}"]
        if lost:
            parts.append(f"pit wall: {lost} older transitions no longer fitted; the state tells what stands")
        return "; ".join(parts)

    def _tell_state(self, monitor: Monitor) -> None:
        now = self._clock()
        if now - self._state_at < (_STATE_EVERY_S if self._changed else _REFRESH_S):
            return
        self._changed, self._state_at = False, now
        payload = self._writer.payload(
            monitor.standings,
            monitor.engine.time_s,
            monitor.lap_at,
            time_s=self._pulse.time_s,
            sample_age_s=self._pulse.sample_age_s,
            link=self._pulse.link,
        )
        self._publisher.offer([], payload)

    def _obey(self, asked: Asked, monitor: Monitor) -> Step | None:
        command = asked.command
        if command.run != self._publisher.run:
            self._publisher.answer(asked, accepted=False, words="the monitor was restarted meanwhile; look again")
            return None
        try:
            step = monitor.act(
                (command.kind, command.where),
                command.action,
                name_shown(command.who, asked.level),
                shelve_s=command.shelve_s,
            )
        except (ValueError, KeyError) as error:
            self._publisher.answer(asked, accepted=False, words=clean(error, 150))
            return None
        words = command.action.replace("_", " ")
        if not step.transitions:
            standing = next(s for s in monitor.standings if s.definition.key == (command.kind, command.where))
            words = why_nothing(command.action, standing)
        self._publisher.answer(asked, accepted=True, words=words)
        return step
