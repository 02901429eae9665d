"""MQTT brokers for tests: one that runs inside the test (amqtt) and a real one with a configuration of its own.

In: a directory of the test's own. Out: brokers on a free port of 127.0.0.1 that can be stopped, started again on the
same port and, the real one, frozen. Waits are bounded; a broker that does not come up fails the test.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, Self

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
MOSQUITTO_PASSWD = shutil.which("mosquitto_passwd")
OPENSSL = shutil.which("openssl")
HOST = "127.0.0.1"
_START_S = 10.0
_END_S = 2.0


def free_port() -> int:
    """A port of 127.0.0.1 that nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


class AnyBroker(Protocol):
    """What tests need of a broker."""

    port: int

    def start(self) -> Self: ...
    def stop(self) -> None: ...


class EmbeddedBroker:
    """An amqtt broker in a thread of this process."""

    def __init__(self, port: int | None = None) -> None:
        self.port = port or free_port()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._done: asyncio.Event | None = None

    def start(self) -> Self:
        """Serve; returns when connections are accepted."""
        ready = threading.Event()
        faults: list[BaseException] = []

        def run() -> None:
            try:
                with asyncio.Runner() as runner:
                    # What amqtt says about clients that vanish is not ours to judge.
                    runner.get_loop().set_exception_handler(lambda _loop, _context: None)
                    runner.run(self._serve(ready))
            except BaseException as error:
                faults.append(error)
                ready.set()

        self._thread = threading.Thread(target=run, name="embedded-broker", daemon=True)
        self._thread.start()
        assert ready.wait(_START_S)
        assert not faults, faults
        return self

    def stop(self) -> None:
        """Drop all connections and stop serving; safe to call twice."""
        if self._thread is None or self._loop is None or self._done is None:
            return
        self._loop.call_soon_threadsafe(self._done.set)
        self._thread.join(_START_S)
        assert not self._thread.is_alive()
        self._thread = None

    async def _serve(self, ready: threading.Event) -> None:
        from amqtt.broker import Broker  # type: ignore[import-untyped]

        config: dict[str, Any] = {
            "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{self.port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        broker = Broker(config)
        self._loop, self._done = asyncio.get_running_loop(), asyncio.Event()
        await broker.start()
        ready.set()
        await self._done.wait()
        for server in broker._servers.values():
            assert server.instance is not None
            server.instance.close()
        # Connections next, and harshly: an acknowledgement that amqtt has overlooked would hold up its end for long.
        for _session, handler in list(broker._sessions.values()):
            if handler.writer is not None:
                handler.writer._writer.transport.abort()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(broker.shutdown(), _END_S)


class RealBroker:
    """A mosquitto process with a private configuration.

    Parameters
    ----------
    directory : Path
        For its files.
    lines : tuple of str
        More configuration, before the listener's own options.
    """

    def __init__(self, directory: Path, *lines: str, port: int | None = None) -> None:
        self.port = port or free_port()
        self._config = directory / f"mosquitto-{self.port}.conf"
        # As root, mosquitto would otherwise become a user that can't read the test's directory.
        head = ["per_listener_settings false", "persistence false", "log_dest stderr", "set_tcp_nodelay true"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            head.append("user root")
        body = list(lines) if lines else ["allow_anonymous true"]
        self._config.write_text(
            "\n".join([*head, *[b for b in body if _is_global(b)], f"listener {self.port} {HOST}"])
            + "\n"
            + "\n".join(b for b in body if not _is_global(b))
            + "\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Self:
        """Run it; returns when it says that it runs."""
        assert MOSQUITTO is not None
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        assert self._process.stderr is not None
        killer = threading.Timer(_START_S, self._process.kill)
        killer.start()
        said = b""
        for line in self._process.stderr:
            said += line
            if line.rstrip().endswith(b"running"):
                break
        else:
            killer.cancel()
            self.stop()
            raise AssertionError(f"mosquitto did not start: {said!r}")
        killer.cancel()
        # It would block when nobody reads what it says.
        threading.Thread(target=_drain, args=(self._process.stderr,), daemon=True).start()
        return self

    def freeze(self) -> None:
        """Let it do nothing, with all connections left open, as behind a cable that was pulled."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def stop(self) -> None:
        """End it at once; safe to call twice."""
        if self._process is None:
            return
        process, self._process = self._process, None
        process.kill()
        process.wait(_START_S)


class Relay:
    """A way to a broker that can be cut and mended, as a radio link is, with the broker running on.

    Parameters
    ----------
    target : int
        The broker's port.
    """

    def __init__(self, target: int) -> None:
        self.port = free_port()
        self._target = target
        self._sockets: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._lock = threading.Lock()
        self._whole = False

    def mend(self) -> Self:
        """Let connections through."""
        server = socket.create_server((HOST, self.port))
        self._whole = True
        self._keep(server)
        self._work(self._accept, server)
        return self

    def cut(self) -> None:
        """Break every connection, and refuse new ones; safe to call twice."""
        with self._lock:
            self._whole = False
            sockets, self._sockets = self._sockets, []
        for each in sockets:
            _break(each)
        threads, self._threads = self._threads, []
        for thread in threads:
            thread.join(_START_S)
            assert not thread.is_alive()
        for each in sockets:
            each.close()

    def _keep(self, made: socket.socket) -> None:
        with self._lock:
            self._sockets.append(made)
            if not self._whole:
                _break(made)

    def _work(self, task: Callable[..., None], *arguments: socket.socket) -> None:
        self._threads.append(threading.Thread(target=task, args=arguments, daemon=True))
        self._threads[-1].start()

    def _accept(self, server: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = server.accept()
                self._keep(near)
                far = socket.create_connection((HOST, self._target), _START_S)
                far.settimeout(None)
                self._keep(far)
                self._work(_pump, near, far)
                self._work(_pump, far, near)


def make_certificates(directory: Path, name: str) -> tuple[Path, Path, Path]:
    """An authority of our own, and a certificate of 127.0.0.1 by it, with the openssl program.

    Returns
    -------
    authority, certificate, key : Path
    """
    assert OPENSSL is not None
    authority, authority_key = directory / f"{name}-authority.pem", directory / f"{name}-authority.key"
    request, certificate, key = (directory / f"{name}.{kind}" for kind in ("csr", "pem", "key"))
    extensions = directory / f"{name}.ext"
    extensions.write_text(f"subjectAltName = IP:{HOST}\n")
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    sign = ["x509", "-req", "-CA", authority, "-CAkey", authority_key, "-CAcreateserial", "-days", "2"]
    for command in (
        ["req", "-x509", *curve, "-keyout", authority_key, "-out", authority, "-days", "2", "-subj", f"/CN={name}"],
        ["req", *curve, "-keyout", key, "-out", request, "-subj", "/CN=broker"],
        [*sign, "-in", request, "-out", certificate, "-extfile", extensions],
    ):
        subprocess.run([OPENSSL, *map(str, command)], check=True, capture_output=True, timeout=_START_S)
    return authority, certificate, key


def _pump(source: socket.socket, target: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65_536):
            target.sendall(data)
    _break(target)


def _break(which: socket.socket) -> None:
    with contextlib.suppress(OSError):
        which.shutdown(socket.SHUT_RDWR)


def _is_global(line: str) -> bool:
    return line.split(" ")[0] in {"allow_anonymous", "password_file", "acl_file"}


def _drain(stream: Any) -> None:
    with contextlib.suppress(OSError, ValueError), stream:
        for _ in stream:
            pass
