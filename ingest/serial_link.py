"""The live link over a serial port: a thread that opens it, reads what comes, and opens it again when it was lost.

In: the port of a car sheet. Out: what arrived, as it arrived, stamped, to the tap and then to the inbox; an empty
payload where the connection broke. Never raises after `start`; whatever goes wrong is in `state`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Self

import serial

from ingest.backoff import Backoff
from ingest.inbox import Inbox, LinkState, Received
from ingest.link_status import LinkStatus
from ingest.serial_port import PORT_ERRORS, close_port, open_port, why_lost, why_not_open
from ingest.sheet_link import SerialPort

_STOP_S = 3.0  # opening a port can hang in a driver; the thread is then left behind, it ends with the program


class SerialLink:
    """A serial port as a `ingest.inbox.Link`.

    Parameters
    ----------
    port : SerialPort
        Name and baud.
    tap : callable
        Gets everything first, in the link's thread: the recorder. Must not raise.
    inbox : Inbox
        Gets everything after it.
    backoff : Backoff or None
        Pauses between attempts to open.
    """

    def __init__(
        self, port: SerialPort, tap: Callable[[Received], None], inbox: Inbox, backoff: Backoff | None = None
    ) -> None:
        self._port = port
        self._tap = tap
        self._inbox = inbox
        self._backoff = backoff or Backoff()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="serial-link", daemon=True)
        self.status = LinkStatus(f"opening {port.port}")

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        return self.status.state

    @property
    def reconnects(self) -> int:
        """How often the port has been open again after a loss."""
        return self.status.reconnects

    def start(self) -> Self:
        """Begin to open the port, in a thread of its own."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Close the port and wait for the thread, at most a few seconds."""
        # The thread looks at this after every read, and a read waits for 0.1 s at most. It alone closes the port:
        # closed from here, its number could already belong to another file when the thread reads next.
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(_STOP_S)
        self.status.closed(f"{self._port.port} closed")

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._one_connection()
                self._stopping.wait(self._backoff.pause_s())
        except Exception as error:  # a thread that dies in silence would leave old numbers on the board
            self.status.closed(f"the link to {self._port.port} ended by a fault of this program ({error!r})")
            raise

    def _one_connection(self) -> None:
        try:
            port = open_port(self._port)
        except PORT_ERRORS as error:
            self.status.failed(why_not_open(self._port.port, error))
            return
        opened_s = time.monotonic()
        self.status.opened(f"{self._port.port} at {self._port.baud} baud")
        try:
            self._read_until_stopped(port)
        except _LostError as lost:
            self._backoff.worked_for(time.monotonic() - opened_s)
            self._deliver(b"")
            self.status.failed(why_lost(self._port.port, lost.error))
        finally:
            close_port(port)

    def _read_until_stopped(self, port: serial.Serial) -> None:
        while not self._stopping.is_set():
            try:
                data = port.read(max(1, port.in_waiting))
            except PORT_ERRORS as error:
                raise _LostError(error) from error
            if len(data) == 1:
                data += _rest(port)
            if data:
                self._deliver(data)

    def _deliver(self, payload: bytes) -> None:
        received = Received(payload, time.monotonic_ns(), time.time_ns())
        self._tap(received)
        self._inbox.put(received)


def _rest(port: serial.Serial) -> bytes:
    """Return what came together with a first byte that was waited for."""
    try:
        waiting = port.in_waiting
        return port.read(waiting) if waiting else b""
    except PORT_ERRORS:
        return b""  # the next read meets the same fault; the byte before it must not be lost with it


class _LostError(Exception):
    def __init__(self, error: Exception) -> None:
        super().__init__(str(error))
        self.error = error
