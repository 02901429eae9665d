"""The other end of a link, for rehearsal: payloads go out to a serial port or to a broker, as a car's device sends.

In: payloads, one at a time, at the caller's pace. Out: bytes on the wire. Each call returns when the payload is with
the driver or acknowledged by the broker, and raises LinkError when that fails; a sender may then be opened again.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
from collections.abc import Coroutine
from contextlib import AsyncExitStack
from typing import Any, Self, TypeVar

import serial

from ingest.errors import LinkError
from ingest.mqtt_client import Access, Connection, ConnectionFault, LoopThread, connect, prepare
from ingest.mqtt_link import check_topic, unique_identifier
from ingest.serial_port import PORT_ERRORS, close_port, open_port, why_lost, why_not_open
from ingest.sheet_link import Broker, SerialPort

Value = TypeVar("Value")

_WRITE_S = 5.0  # a line that takes nothing for this long has nobody at its other end
_ANSWER_S = 5.0
_STOP_S = 4.0  # a host name that can't be looked up can hang longer: the thread is then left behind


class SerialSender:
    """Writes payloads to a serial port.

    Parameters
    ----------
    port : SerialPort
        Name and baud.
    write_timeout_s : float
        Longest wait for the driver to take a payload.
    """

    def __init__(self, port: SerialPort, write_timeout_s: float = _WRITE_S) -> None:
        self._port = port
        self._write_timeout_s = write_timeout_s
        self._open: serial.Serial | None = None

    def open(self) -> Self:
        """Open the port."""
        self.close()
        try:
            self._open = open_port(self._port, self._write_timeout_s)
        except PORT_ERRORS as error:
            raise LinkError(why_not_open(self._port.port, error)) from None
        return self

    def send(self, payload: bytes) -> None:
        """Write a payload; returns when the driver has all of it."""
        if self._open is None:
            raise LinkError(f"{self._port.port} is not open")
        try:
            self._open.write(payload)
        except serial.SerialTimeoutException:
            self.close()
            raise LinkError(f"{self._port.port} takes nothing more; does something read at its other end?") from None
        except PORT_ERRORS as error:
            self.close()
            raise LinkError(why_lost(self._port.port, error)) from None

    def close(self) -> None:
        """Close the port."""
        close_port(self._open)
        self._open = None


class MqttSender:
    """Publishes payloads to the broker's topic.

    Parameters
    ----------
    broker : Broker
        Where, as whom, which topic. Its `client_id` is that of the receiving link and not used here.
    answer_timeout_s : float
        Longest wait for each answer of the broker.
    """

    def __init__(self, broker: Broker, answer_timeout_s: float = _ANSWER_S) -> None:
        self._broker = broker
        self._answer_timeout_s = answer_timeout_s
        self._identifier = unique_identifier()
        self._thread: LoopThread | None = None
        self._connection: Connection | None = None
        self._stack = AsyncExitStack()

    def open(self) -> Self:
        """Connect, with a new client each time."""
        check_topic(self._broker.topic)
        access = prepare(self._broker)
        self.close()
        self._thread = LoopThread("mqtt-sender")
        try:
            self._connection = self._wait(self._connect(access))
        except LinkError:
            self.close()
            raise
        return self

    def send(self, payload: bytes) -> None:
        """Publish a payload; returns when the broker has acknowledged it."""
        if self._connection is None:
            raise LinkError(f"not connected to {self._broker.host}:{self._broker.port}")
        try:
            self._wait(self._connection.publish(self._broker.topic, payload))
        except LinkError:
            self.close()
            raise

    def close(self) -> None:
        """Leave the broker."""
        if self._thread is None:
            return
        thread, self._thread, self._connection = self._thread, None, None
        try:
            thread.begin(self._stack.aclose()).result(_STOP_S)
        except (ConnectionFault, TimeoutError, concurrent.futures.CancelledError):
            pass  # it is left either way
        finally:
            self._stack = AsyncExitStack()
            thread.close(_STOP_S)

    async def _connect(self, access: Access) -> Connection:
        return await self._stack.enter_async_context(
            connect(access, self._identifier, answer_timeout_s=self._answer_timeout_s)
        )

    def _wait(self, work: Coroutine[Any, Any, Value]) -> Value:
        assert self._thread is not None
        future = self._thread.begin(work)
        try:
            # Longer than what connecting may take at most: host name, TCP, TLS and the broker's answer.
            return future.result(4 * self._answer_timeout_s + _STOP_S)
        except ConnectionFault as fault:
            raise LinkError(str(fault)) from None
        except (TimeoutError, asyncio.CancelledError, concurrent.futures.CancelledError):
            future.cancel()
            raise LinkError(f"timed out: no answer from {self._broker.host}:{self._broker.port}") from None
