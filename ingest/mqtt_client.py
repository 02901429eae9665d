"""What knows aiomqtt (with `ingest.mqtt_intake`): connections to an MQTT broker that fail in plain words.

In: the broker of a car sheet. Out: a connection that publishes, subscribes and hands over each message in the moment
it is received, before it is acknowledged; nothing is left behind. `prepare` raises LinkError for what no waiting can
mend; everything else raises `ConnectionFault`, whose text is for a person. Nothing is written to stderr, and the
password to nowhere.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import logging
import os
import socket
import ssl
import threading
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, TypeVar, cast

import aiomqtt

from ingest.errors import LinkError
from ingest.mqtt_intake import Intake, SharedLoop
from ingest.sheet_broker import BrokerAccess
from ingest.text import clean

Value = TypeVar("Value")

_QOS = 1  # acknowledged; a message may then come twice, which the sample counter shows
_REFUSED = 128  # in a subscription's answer (MQTT 3.1.1, section 3.9.3)
_BAD_LOGIN = frozenset({134, 135})  # bad user name or password; not authorized (MQTT 5.0, section 3.2.2.2)
_BAD_IDENTIFIER = 133
_UNSPECIFIED = 128
_LEAVE_S = 1.0  # to say good-bye to a broker; it would find out by itself
_GRACE_S = 2.5  # for what is cancelled at the end: saying "offline" and good-bye
_COMMAND_LINE = "--"  # in place of a part of the sheet: the settings came with the command
_MOST_PENDING = 1000  # aiomqtt warns about more unacknowledged messages than this

# A logger of our own that nothing leaves: paho and aiomqtt would otherwise write over the board.
_SILENT = logging.getLogger("damperwatch.mqtt")
_SILENT.addHandler(logging.NullHandler())
_SILENT.propagate = False


class ConnectionFault(Exception):  # noqa: N818 - an event of daily life on a radio link
    """A connection could not be made, or ended; the text says how and what to do."""


class SubscriptionFault(ConnectionFault):
    """The broker does not let this user read a topic; the connection itself goes on."""


@dataclass(frozen=True)
class Access:
    """All that is needed to connect, checked and read."""

    host: str
    port: int
    user: str | None
    password: str | None = field(repr=False)
    tls: ssl.SSLContext | None
    keep_alive_s: int
    settings: str = "link.mqtt"

    def option(self, name: str) -> str:
        """Where a person gives `name`: in a part of the car sheet, or on the command line."""
        return _option(self.settings, name)

    @property
    def where(self) -> str:
        """Host and port, for messages."""
        return f"{self.host}:{self.port}"


class Message(NamedTuple):
    """A message as it came; `retained` when the broker had kept it from before the subscription."""

    payload: bytes
    retained: bool
    topic: str = ""


def prepare(broker: BrokerAccess, settings: str = "link.mqtt") -> Access:
    """Read the password and the TLS authority.

    Parameters
    ----------
    broker : BrokerAccess
        Where, as whom.
    settings : str
        The part of the car sheet that `broker` came from, or "--" for the command line; for messages.

    Raises
    ------
    LinkError
        One of them is not there or can't be used.
    """
    password = None
    if broker.password_variable is not None:
        password = os.environ.get(broker.password_variable)
        if password is None:
            raise LinkError(
                f"no variable {clean(broker.password_variable)} in the environment; {_sayer(settings)} says that it "
                f"holds the broker's password ({_option(settings, 'password_variable')})"
            )
    elif broker.password_file is not None:
        try:
            password = Path(broker.password_file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise LinkError(
                f"can't read the broker's password from {clean(broker.password_file)} ({_reason(error)}); see "
                f"{_option(settings, 'password_file')}{_in_sheet(settings)}"
            ) from None
    tls = None
    if broker.tls:
        try:
            tls = ssl.create_default_context(cafile=broker.tls_authority_file)
            tls.sslsocket_class = _TidySocket
        except OSError as error:  # ssl.SSLError is one too
            raise LinkError(
                f"can't use {clean(broker.tls_authority_file)} as TLS authority ({_reason(error)}); it must be a PEM "
                f"file, see {_option(settings, 'tls_authority_file')}{_in_sheet(settings)}"
            ) from None
    return Access(broker.host, broker.port, broker.user, password, tls, broker.keep_alive_s, settings)


class Connection:
    """An open connection to a broker; `connect` makes it."""

    def __init__(self, client: aiomqtt.Client, access: Access) -> None:
        self._client = client
        self._access = access

    async def subscribe(self, topic: str) -> None:
        """Ask for a topic; returns when the broker has agreed."""
        try:
            answer: Iterable[Any] = await self._answer(self._client.subscribe(topic, qos=_QOS))
        except aiomqtt.MqttError as error:
            raise ConnectionFault(_why(error, self._access)) from None
        if any(getattr(code, "value", code) >= _REFUSED for code in answer):
            raise SubscriptionFault(f"{self._access.where} does not let this user read {topic}; see the broker's rules")

    async def unsubscribe(self, topic: str) -> None:
        """Ask for no more of a topic."""
        try:
            await self._answer(self._client.unsubscribe(topic))
        except aiomqtt.MqttError as error:
            raise ConnectionFault(_why(error, self._access)) from None

    async def publish(self, topic: str, payload: bytes, retain: bool = False, qos: int = _QOS) -> None:
        """Send a message; returns when the broker has acknowledged it, or with `qos` 0 when it is on its way."""
        try:
            await self._answer(self._client.publish(topic, payload, qos=qos, retain=retain))
        except aiomqtt.MqttError as error:
            raise ConnectionFault(_why(error, self._access)) from None

    async def _answer(self, work: Coroutine[Any, Any, Value]) -> Value:
        """Wait for an answer no longer than the connection lasts; aiomqtt alone waits its whole time out."""
        asked = asyncio.ensure_future(work)
        gone = self._client._disconnected
        either: set[asyncio.Future[Any]] = {asked, gone}
        try:
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            if not asked.done():
                raise aiomqtt.MqttError("disconnected") from gone.exception()
            return await asked
        finally:
            asked.cancel()

    async def until_lost(self) -> None:
        """Wait for the end of the connection; then raises ConnectionFault."""
        try:
            # Messages take another way, see `_straight_to`; this only ever ends by raising.
            async for _ in self._client.messages:
                pass
        except aiomqtt.MqttError as error:
            raise ConnectionFault(_why(error, self._access)) from None


@contextlib.asynccontextmanager
async def connect(
    access: Access,
    identifier: str,
    *,
    fresh_session: bool = True,
    answer_timeout_s: float = 5.0,
    on_message: Callable[[Message], None] | None = None,
    will: tuple[str, bytes] | None = None,
) -> AsyncIterator[Connection]:
    """Connect with a new client: one of aiomqtt that lost its connection can't be trusted to know it the next time.

    Parameters
    ----------
    access : Access
        Where and as whom.
    identifier : str
        Client identifier; a broker throws out the older of two with the same.
    fresh_session : bool
        False: the broker keeps subscription and messages while this identifier is away.
    answer_timeout_s : float
        Longest wait for each answer of the broker.
    on_message : callable or None
        Gets each message as it is received; must be quick and must not raise.
    will : tuple of str and bytes, or None
        Topic and retained payload that the broker publishes when the connection breaks.
    """
    client = aiomqtt.Client(
        access.host,
        access.port,
        username=access.user,
        password=access.password,
        logger=_SILENT,
        identifier=identifier,
        queue_type=_straight_to(on_message),
        will=aiomqtt.Will(will[0], will[1], qos=_QOS, retain=True) if will else None,
        clean_session=fresh_session,
        timeout=answer_timeout_s,
        keepalive=access.keep_alive_s,
        tls_context=access.tls,
        # A block of samples is small: without this it waits up to 40 ms for the acknowledgement of the one before.
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
    client.pending_calls_threshold = _MOST_PENDING
    if on_message is not None and isinstance(asyncio.get_running_loop(), SharedLoop):
        deliver = on_message
        Intake(client, lambda payload, retained, topic: deliver(Message(payload, retained, topic))).install()
    try:
        try:
            await client.__aenter__()
        except aiomqtt.MqttError as error:
            raise ConnectionFault(_why(error, access)) from None
        try:
            yield Connection(client, access)
        finally:
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(_LEAVE_S):
                    await client.__aexit__(None, None, None)
    finally:
        _abandon(client)


def quiet_loop(*, shared: bool = False) -> asyncio.SelectorEventLoop:
    """Return a loop of the kind aiomqtt needs on every system, which writes nothing over the board."""
    # Windows' usual loop can't watch a socket of somebody else's, which is how aiomqtt works.
    loop = SharedLoop() if shared else asyncio.SelectorEventLoop()
    loop.set_exception_handler(_swallow)
    loop.set_default_executor(_DaemonExecutor())
    return loop


class LoopThread:
    """An asyncio loop in a thread of its own, of the kind aiomqtt needs on every system."""

    def __init__(self, name: str) -> None:
        self._loop = quiet_loop()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def begin(self, work: Coroutine[Any, Any, Value]) -> concurrent.futures.Future[Value]:
        """Run `work` in the loop; the future has its result, and cancelling it cancels the work."""
        return asyncio.run_coroutine_threadsafe(work, self._loop)

    def call(self, what: Callable[[], object]) -> None:
        """Call `what` in the loop soon; from any thread. A loop that has ended calls nothing more."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(what)

    def close(self, timeout_s: float) -> None:
        """Cancel what still runs and end the thread, within `timeout_s` seconds or leave it behind."""
        with contextlib.suppress(RuntimeError):  # it has ended already
            self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(timeout_s)

    def _run(self) -> None:
        try:
            self._loop.run_forever()
            left = asyncio.all_tasks(self._loop)
            for task in left:
                task.cancel()
            if left:
                self._loop.run_until_complete(asyncio.wait(left, timeout=_GRACE_S))
        finally:
            self._loop.close()


class _TidySocket(ssl.SSLSocket):
    """Closes itself when the two sides don't agree, which paho leaves to chance; a wrong certificate is tried often."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


class _DaemonExecutor(concurrent.futures.ThreadPoolExecutor):
    """A thread per call, which the program does not wait for at its end: looking up a host's name can hang long."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> concurrent.futures.Future[Any]:
        future: concurrent.futures.Future[Any] = concurrent.futures.Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                result = fn(*args, **kwargs)
            except BaseException as error:
                future.set_exception(error)
            else:
                future.set_result(result)

        threading.Thread(target=work, name="mqtt-connect", daemon=True).start()
        return future


def _swallow(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    # "Future exception was never retrieved" and its like: aiomqtt leaves some when a broker vanishes; the fault
    # itself has been reported by then.
    _SILENT.debug("%s", context.get("message"))


def _straight_to(on_message: Callable[[Message], None] | None) -> type[asyncio.Queue[aiomqtt.Message]]:
    """Return a queue for aiomqtt that holds nothing: it hands over in the moment of receipt.

    So arrival times are true, nothing waits without a bound, and a message is acknowledged after it was handed over.
    """

    class Straight(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            if on_message is not None:
                on_message(Message(bytes(item.payload), item.retain, str(item.topic)))

    return Straight


def _abandon(client: aiomqtt.Client) -> None:
    """Close what aiomqtt leaves open when connecting fails or receiving breaks.

    A client that gave up waiting for the broker's answer still has its socket, is pinged on, and would receive
    messages under our identifier as soon as the broker wakes up.
    """
    for inner in (client._disconnected, client._connected):
        if inner.done() and not inner.cancelled():
            inner.exception()  # retrieved, so that asyncio does not complain of it
    with contextlib.suppress(OSError, RuntimeError, ValueError):
        client._client._sock_close()


def _why(error: aiomqtt.MqttError, access: Access) -> str:
    """Return a sentence for a person."""
    cause = error.__cause__ or error.__context__
    where = clean(access.where)
    for coded in (cause, error):
        if isinstance(coded, aiomqtt.MqttCodeError):
            return _why_refused(coded, where, access.settings)
    if isinstance(cause, ssl.SSLCertVerificationError):
        return (
            f"TLS certificate of {where} not trusted ({clean(cause.verify_message)}); see "
            f"{access.option('tls_authority_file')}"
        )
    if isinstance(cause, ssl.SSLError):
        return f"no TLS with {where} ({clean(cause.reason)}); does this port of the broker speak TLS?"
    if isinstance(cause, socket.gaierror):
        return f"host {clean(access.host)} not known; is the name right, is the network up?"
    if isinstance(cause, ConnectionRefusedError):
        return f"nothing answers at {where} (connection refused); does the broker run, is the port right?"
    tls = "with" if access.tls else "without"
    if isinstance(cause, TimeoutError) or "timed out" in str(error):
        return f"timed out: no answer from {where}; is it an MQTT broker, {tls} TLS, and can it be reached?"
    if isinstance(cause, ConnectionError):
        return f"{where} broke the connection off ({_reason(cause)}); is it an MQTT broker, {tls} TLS?"
    if isinstance(cause, OSError):
        return f"{where} can't be reached ({_reason(cause)})"
    return f"connection to {where} lost ({clean(error)})"


def _option(settings: str, name: str) -> str:
    return f"--{name.replace('_', '-')}" if settings == _COMMAND_LINE else f"{settings}.{name}"


def _in_sheet(settings: str) -> str:
    return "" if settings == _COMMAND_LINE else " in the car sheet"


def _sayer(settings: str) -> str:
    return "the command line" if settings == _COMMAND_LINE else "the car sheet"


def _why_refused(error: aiomqtt.MqttCodeError, where: str, settings: str) -> str:
    code = getattr(error.rc, "value", error.rc)
    if isinstance(error, aiomqtt.exceptions.MqttConnectError):
        if code in _BAD_LOGIN:
            place = f"{settings} in the car sheet" if settings != _COMMAND_LINE else "--user"
            return f"{where} refused the connection: bad user or password (see {place})"
        if code == _BAD_IDENTIFIER:
            return f"{where} refused the client identifier (see link.mqtt.client_id in the car sheet)"
        return f"{where} refused the connection ({clean(error)})"
    if "keep alive" in str(error).lower():
        return f"connection to {where} lost: the broker no longer answers"
    reason = "" if code == _UNSPECIFIED else f" ({clean(error)})"
    return f"connection to {where} lost{reason}: the broker stopped, or another client uses the same client_id"


def _reason(error: Exception) -> str:
    return clean(cast("Any", error).strerror or error) if isinstance(error, OSError) else clean(error)
