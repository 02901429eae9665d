"""Receives many MQTT messages with one call of the system, in the place of the reader that aiomqtt sets up.

In: a connection's socket, when it can be read. Out: each message, in order, to a callable, a bounded number at a time;
what is left has its turn in the loop's next pass, so that a flood on one connection costs the others of its loop
little. Messages of QoS 0 and 1 are read here, where paho would ask the system four times for each; all else, and
whatever is not as it should be, is left to paho, from the same bytes. Faults end up where aiomqtt puts them.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

import aiomqtt

# Messages at a time, of all connections together that have more than they may hand over: half a millisecond's work.
_MOST_AT_A_TIME = 32
_READ_BYTES = 64 * 1024
_PUBLISH = 3  # in the upper half of a packet's first byte (MQTT 3.1.1, section 2.2.1)
_QOS_0, _QOS_1 = 0, 2  # in the lower half, with repeated (8) and retained (1); section 3.3.1
_PUBACK = 0x40
_LONGEST_LENGTH = 4  # bytes of the field "remaining length" (section 2.2.3)
_MQTT_3_1_1 = 4
# What of paho's inside is used here, in 2.1 and 2.2. A release without it is read by aiomqtt, with the same messages.
NEEDED = (
    "_sock",
    "_sock_recv",
    "_sock_send",
    "_in_packet",
    "_out_packet",
    "_packet_queue",
    "loop_read",
    "on_socket_open",
)


class SharedLoop(asyncio.SelectorEventLoop):
    """The loop of several cars, whose connections know how many of them have more than they may hand over.

    While `generous` each may hand over as much as one alone; while `resting` none hands over anything.
    """

    hungry = 0
    generous = False
    resting = False


class Intake:
    """Reads one connection.

    Parameters
    ----------
    client : aiomqtt.Client
        Not yet connected.
    deliver : callable
        Gets payload, whether it was retained, and topic of each message; must be quick and must not raise.
    """

    def __init__(self, client: aiomqtt.Client, deliver: Callable[[bytes, bool, str], None]) -> None:
        self._client = client
        self._paho: Any = client._client
        self._deliver = deliver
        loop = asyncio.get_running_loop()
        assert isinstance(loop, SharedLoop)
        self._loop = loop
        self._receive: Callable[[int], bytes] = getattr(self._paho, "_sock_recv", bytes)
        self._socket: Any = None
        self._bytes = b""
        self._at = 0
        self._short = True  # whether what is here holds no whole packet
        self._waiting = False  # for the loop's next pass, with more than could be handed over
        self._ended: OSError | bool = False
        self._topic, self._topic_bytes = "", b""
        self._acknowledged = bytearray()

    def install(self) -> None:
        """Take the place of aiomqtt's reader once the socket is open; where paho is built otherwise, do nothing."""
        if self._paho.protocol != _MQTT_3_1_1 or not all(hasattr(self._paho, name) for name in NEEDED):
            return
        opened = self._paho.on_socket_open

        def on_socket_open(paho: Any, userdata: Any, sock: Any) -> None:
            opened(paho, userdata, sock)
            self._socket = sock
            # Asked for after aiomqtt's own, and a descriptor has one reader: the last.
            self._loop.call_soon_threadsafe(self._watch)

        self._paho.on_socket_open = on_socket_open
        self._paho._sock_recv = self._some

    def _watch(self) -> None:
        if self._open:
            self._loop.add_reader(self._socket.fileno(), self._readable)

    def _readable(self) -> None:
        if not self._waiting and not self._loop.resting:
            self._turn()

    def _again(self) -> None:
        if self._loop.resting:
            self._loop.call_soon(self._again)
            return
        self._wait(False)
        if self._open:
            self._turn()

    def _wait(self, waiting: bool) -> None:
        self._loop.hungry += waiting - self._waiting
        self._waiting = waiting

    @property
    def _open(self) -> bool:
        return self._socket is not None and self._paho._sock is self._socket

    def _turn(self) -> None:
        """Hand over what is here, or the part of it that there is time for."""
        hungry = 0 if self._loop.generous else self._loop.hungry
        left = max(1, _MOST_AT_A_TIME // (hungry + 1))
        try:
            if self._short:
                self._fill()
            while left and self._one():
                left -= 1
            if self._acknowledged:
                self._acknowledge()
        except Exception as error:
            if not self._client._disconnected.done():
                self._client._disconnected.set_exception(error)
            return
        # What TLS has read ahead does not show on the socket.
        if self._open and (not left or (hasattr(self._socket, "pending") and self._socket.pending() > 0)):
            self._wait(True)
            self._loop.call_soon(self._again)

    def _fill(self) -> None:
        """Receive once. An end or a fault is paho's business, which asks `_some`."""
        try:
            got = self._receive(_READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._ended = error
        else:
            if got:
                self._bytes, self._at = self._bytes[self._at :] + got, 0
                # The broker is there, even where a flood keeps its answer to a ping waiting; of paho 2.2 and 2.1.
                self._paho._last_bytes_received = self._paho._last_msg_in = time.monotonic()
                return
            self._ended = True
        self._bytes, self._at = b"", 0
        self._paho.loop_read()

    def _some(self, most: int) -> bytes:
        """What paho gets when it wants to receive: what has been read here first."""
        if self._at < len(self._bytes):
            got = self._bytes[self._at : self._at + most]
            self._at += len(got)
            return got
        if isinstance(self._ended, OSError):
            raise self._ended
        if self._ended:
            return b""
        # Not from the socket: paho may read thousands of packets in one call, and the other links would wait for it.
        raise BlockingIOError

    def _one(self) -> bool:
        """Hand over one packet; False when none is whole."""
        if self._paho._in_packet["command"]:
            return self._by_paho()
        data, at = self._bytes, self._at
        end = len(data)
        place, length, shift = at + 1, 0, 0
        while True:
            if place >= end:
                self._short = True
                return False
            length |= (data[place] & 127) << shift
            place += 1
            if data[place - 1] < 128:
                break
            shift += 7
            if place - at > _LONGEST_LENGTH:
                return self._by_paho()  # which refuses it
        stop = place + length
        if stop > end:
            if length > _READ_BYTES:
                return self._by_paho()  # which collects it piece by piece
            self._short = True
            return False
        self._short = False
        head = data[at]
        if head >> 4 != _PUBLISH or head & 6 not in (_QOS_0, _QOS_1) or length < 2:
            return self._by_paho()
        begin = place + 2 + (data[place] << 8 | data[place + 1])
        topic = data[place + 2 : begin]
        if head & 6 == _QOS_1:
            begin += 2
        if begin > stop or not topic:
            return self._by_paho()
        if topic != self._topic_bytes:
            self._topic_bytes, self._topic = topic, topic.decode("utf-8", "replace")
        self._at = stop
        self._deliver(data[begin:stop], bool(head & 1), self._topic)
        if head & 6 == _QOS_1:
            self._acknowledged += b"\x40\x02" + data[begin - 2 : begin]
        return True

    def _by_paho(self) -> bool:
        """Let paho read on; False when it needs more than there is."""
        if self._acknowledged:
            self._acknowledge()
        self._paho.loop_read()
        self._short = self._at >= len(self._bytes) or bool(self._paho._in_packet["command"])
        return self._open and not self._paho._in_packet["command"] and not self._short

    def _acknowledge(self) -> None:
        """Send the acknowledgements of what was handed over, all at once; what can't go out now paho sends later."""
        waiting, self._acknowledged = bytes(self._acknowledged), bytearray()
        sent = 0
        if not self._paho._out_packet:
            try:
                sent = self._paho._sock_send(waiting)
            except BlockingIOError:
                pass
            except OSError:
                return  # the connection is gone, which reading will show
        if sent < len(waiting):
            self._paho._packet_queue(_PUBACK, waiting[sent:], 0, 0)
