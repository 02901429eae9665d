from __future__ import annotations

import contextlib
import errno
import os
import random
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from ingest.backoff import Backoff
from ingest.errors import LinkError
from ingest.inbox import Inbox, Received
from ingest.senders import SerialSender
from ingest.serial_link import SerialLink
from ingest.serial_port import open_port, why_not_open
from ingest.sheet_link import SerialPort

pytest.importorskip("termios", reason="needs pseudo-terminals")
import termios

SOCAT = shutil.which("socat")
DEADLINE_S = 20.0  # only ever reached by a failing test
FRAME = bytes([7, 1, 2, 3, 4, 5, 6, 0])


class Cable:
    """A pseudo-terminal behind a name of its own, that can be pulled out and put in again."""

    def __init__(self, directory: Path) -> None:
        self.name = directory / "adapter"
        self._ends: tuple[int, int] | None = None

    def plug(self) -> Cable:
        device, host = os.openpty()
        self._ends = device, host
        self.name.symlink_to(os.ttyname(host))
        return self

    def unplug(self) -> None:
        if self._ends is not None:
            self.name.unlink()
            for end in self._ends:
                os.close(end)
            self._ends = None

    def say(self, data: bytes) -> None:
        assert self._ends is not None
        while data:
            data = data[os.write(self._ends[0], data) :]

    def hear(self, size: int) -> bytes:
        assert self._ends is not None
        heard = b""
        while len(heard) < size:
            heard += os.read(self._ends[0], size - len(heard))
        return heard


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path)
    yield made
    made.unplug()


class Station:
    """A link with what it delivered: everything from the inbox, and from the tap."""

    def __init__(self, name: Path | str, baud: int = 921_600, backoff: Backoff | None = None) -> None:
        self.tapped: list[Received] = []
        self.taken: list[Received] = []
        self.inbox = Inbox()
        backoff = backoff or Backoff(first_s=0.01, most_s=0.05)
        self.link = SerialLink(SerialPort(port=str(name), baud=baud), self.tapped.append, self.inbox, backoff)

    def wait_for(self, word: str, *texts: str) -> None:
        said = self.link.status.wait_for(
            lambda state: state.word == word and all(text in state.detail for text in texts), DEADLINE_S
        )
        assert said, self.link.state

    def collect(self, until: Callable[[list[bytes]], bool]) -> list[bytes]:
        """Everything received so far, once `until` holds for it."""
        end = time.monotonic() + DEADLINE_S
        while not until(self.payloads) and time.monotonic() < end:
            self.taken += self.inbox.take(0.5)
        assert until(self.payloads)
        return self.payloads

    @property
    def payloads(self) -> list[bytes]:
        return [received.payload for received in self.taken]


@pytest.fixture
def stations() -> Iterator[Callable[..., Station]]:
    made: list[Station] = []

    def make(*arguments: Any, **named: Any) -> Station:
        made.append(Station(*arguments, **named))
        made[-1].link.start()
        return made[-1]

    yield make
    for station in made:
        station.link.stop()
        assert not station.link._thread.is_alive()
        assert station.link.state.word == "closed"


def holds(size: int) -> Callable[[list[bytes]], bool]:
    return lambda payloads: sum(map(len, payloads)) >= size


def test_a_megabyte_at_full_speed_arrives_bit_exact_and_in_order(
    cable: Cable, stations: Callable[..., Station]
) -> None:
    station = stations(cable.plug().name)
    station.wait_for("open", "adapter", "921600 baud")
    data = random.Random(5).randbytes(1 << 20)
    writer = threading.Thread(target=cable.say, args=(data,))
    writer.start()
    received = b"".join(station.collect(holds(len(data))))
    writer.join(DEADLINE_S)
    assert received == data
    assert station.tapped == station.taken


def test_bytes_that_a_terminal_would_obey_arrive_as_they_are(cable: Cable, stations: Callable[..., Station]) -> None:
    station = stations(cable.plug().name)
    station.wait_for("open")
    data = bytes(range(256)) + b"\x03\x04\x11\x13\x1a\r\n\r\x7f\xff\xff\x00" * 20
    cable.say(data)
    assert b"".join(station.collect(holds(len(data)))) == data


class BurstPort:
    """A port on which a frame comes after silence: its first byte ends the wait, the others are there by then."""

    def __init__(self, frame: bytes) -> None:
        self._left = frame
        self._waited = False
        self.closed = threading.Event()

    @property
    def in_waiting(self) -> int:
        return len(self._left) if self._waited else 0

    def read(self, size: int) -> bytes:
        self._waited = True
        taken, self._left = self._left[:size], self._left[size:]
        if not taken:
            self.closed.wait(0.01)
        return taken

    def close(self) -> None:
        self.closed.set()


def test_a_burst_after_silence_is_not_taken_apart(
    stations: Callable[..., Station], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Each piece costs a block in the recording.
    port = BurstPort(FRAME)
    monkeypatch.setattr("ingest.serial_link.open_port", lambda _: port)
    station = stations("burst")
    assert station.collect(bool) == [FRAME]
    assert not port.closed.is_set()
    station.link.stop()
    assert port.closed.is_set()


def test_arrival_times_grow_and_lie_within_the_test(cable: Cable, stations: Callable[..., Station]) -> None:
    began = time.monotonic_ns(), time.time_ns()
    station = stations(cable.plug().name)
    station.wait_for("open")
    for count in range(1, 6):
        cable.say(FRAME)
        station.collect(holds(count * len(FRAME)))
    ended = time.monotonic_ns(), time.time_ns()
    stamps = [received.monotonic_ns for received in station.taken]
    assert stamps == sorted(stamps)
    assert began[0] <= stamps[0]
    assert stamps[-1] <= ended[0]
    assert all(began[1] <= received.wall_ns <= ended[1] for received in station.taken)


def test_the_recorder_has_everything_before_the_chain(cable: Cable) -> None:
    order: list[tuple[str, bytes]] = []

    class Box(Inbox):
        def put(self, received: Received) -> None:
            order.append(("inbox", received.payload))
            super().put(received)

    inbox = Box()
    port = SerialPort(port=str(cable.plug().name))
    link = SerialLink(port, lambda received: order.append(("tap", received.payload)), inbox).start()
    try:
        assert link.status.wait_for(lambda state: state.word == "open", DEADLINE_S)
        cable.say(FRAME)
        assert inbox.take(DEADLINE_S)
    finally:
        link.stop()
    assert [who for who, _ in order[:2]] == ["tap", "inbox"]
    assert order[0][1] == order[1][1]


def test_pulled_out_in_the_middle_of_a_frame_and_put_in_again(cable: Cable, stations: Callable[..., Station]) -> None:
    station = stations(cable.plug().name)
    station.wait_for("open")
    for count in range(1, 4):
        cable.say(FRAME + FRAME[:3])
        before = len(b"".join(station.payloads))
        station.collect(holds(before + len(FRAME) + 3))
        cable.unplug()
        station.wait_for("lost", "no such port", "plugged in?", "known ports:")
        # The break stands in the stream, so that what was half received is not joined with what comes next.
        assert station.collect(lambda payloads: payloads[-1] == b"")[-1] == b""
        assert station.payloads.count(b"") == count
        cable.plug()
        station.wait_for("open")
        assert station.link.reconnects == count
    cable.say(FRAME)
    station.collect(lambda payloads: b"".join(payloads).endswith(FRAME[:3] + FRAME))
    assert b"".join(station.payloads) == (FRAME + FRAME[:3]) * 3 + FRAME
    assert [r.payload for r in station.tapped] == station.payloads


def test_the_moment_of_the_loss_stays_while_it_tries_again(cable: Cable, stations: Callable[..., Station]) -> None:
    station = stations(cable.plug().name)
    station.wait_for("open")
    cable.unplug()
    station.wait_for("lost")
    since_ns = station.link.state.since_ns
    station.wait_for("lost", "no such port")
    assert station.link.state.since_ns == since_ns


def test_a_port_that_is_not_there_yet_is_waited_for(cable: Cable, stations: Callable[..., Station]) -> None:
    station = stations(cable.name)
    station.wait_for("connecting", f"no such port {cable.name}", "plugged in?", "known ports:")
    cable.plug()
    station.wait_for("open")
    assert station.link.reconnects == 0
    cable.say(FRAME)
    assert b"".join(station.collect(holds(len(FRAME)))) == FRAME


def test_a_port_without_permission_says_so(
    cable: Cable, stations: Callable[..., Station], monkeypatch: pytest.MonkeyPatch
) -> None:
    really_open = os.open

    def refuse(path: Any, *arguments: Any, **named: Any) -> int:
        if str(path) == str(cable.name):
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return really_open(path, *arguments, **named)

    monkeypatch.setattr(os, "open", refuse)
    station = stations(cable.plug().name)
    station.wait_for("connecting", f"no permission on {cable.name}", "group", "dialout")
    monkeypatch.undo()
    station.wait_for("open")


def test_a_port_that_another_program_has_says_so_and_is_taken_when_free(
    cable: Cable, stations: Callable[..., Station]
) -> None:
    other = open_port(SerialPort(port=str(cable.plug().name)))
    station = stations(cable.name)
    station.wait_for("connecting", f"another program has {cable.name} open")
    other.close()
    station.wait_for("open")


def test_an_open_link_keeps_others_out_and_lets_them_in_when_stopped(
    cable: Cable, stations: Callable[..., Station]
) -> None:
    station = stations(cable.plug().name)
    station.wait_for("open")
    port = SerialPort(port=str(cable.name))
    with pytest.raises(LinkError, match="another program has"):
        SerialSender(port).open()
    station.link.stop()  # while it waits for a byte that never comes
    assert not station.link._thread.is_alive()
    SerialSender(port).open().close()


def test_stopping_does_not_wait_for_the_pause_between_attempts(cable: Cable, stations: Callable[..., Station]) -> None:
    station = stations(cable.name, backoff=Backoff(first_s=3600.0, most_s=3600.0, jitter=0.0))
    station.wait_for("connecting", "no such port")
    station.link.stop()
    assert not station.link._thread.is_alive()


def test_a_link_that_was_never_started_can_be_stopped(cable: Cable) -> None:
    link = SerialLink(SerialPort(port=str(cable.name)), lambda _: None, Inbox())
    link.stop()
    assert link.state.word == "closed"


@pytest.mark.parametrize("baud", [9_600, 115_200, 250_000, 1_000_000, 1_234_567])
def test_any_baud_is_asked_for(cable: Cable, stations: Callable[..., Station], baud: int) -> None:
    station = stations(cable.plug().name, baud=baud)
    station.wait_for("open", f"{baud} baud")


def test_a_file_is_no_serial_port(tmp_path: Path, stations: Callable[..., Station]) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("no port")
    stations(path).wait_for("connecting", f"{path} is not a serial port")


class FailingPort:
    """A port that gives a byte and then fails in one of the ways drivers do."""

    def __init__(self, fault: Exception) -> None:
        self._fault = fault
        self._asked = 0

    @property
    def in_waiting(self) -> int:
        self._asked += 1
        if self._asked > 1:
            raise self._fault
        return 0

    def read(self, size: int) -> bytes:
        assert size == 1
        return b"x"

    def close(self) -> None:
        raise OSError(errno.EIO, "gone")


@pytest.mark.parametrize(
    "fault",
    [
        serial.SerialException("device reports readiness to read but returned no data"),
        OSError(errno.EIO, "Input/output error"),
        OSError(errno.ENXIO, "Device not configured"),
        TypeError("'NoneType' object cannot be interpreted as an integer"),
        termios.error(errno.EIO, "Input/output error"),
    ],
)
def test_every_way_a_driver_fails_is_a_loss_and_takes_no_byte_with_it(
    fault: Exception, cable: Cable, stations: Callable[..., Station], monkeypatch: pytest.MonkeyPatch
) -> None:
    ports = iter([FailingPort(fault)])
    monkeypatch.setattr("ingest.serial_link.open_port", lambda port: next(ports, None) or open_port(port))
    station = stations(cable.plug().name)
    station.wait_for("open", "adapter")
    assert station.collect(lambda payloads: len(payloads) == 2) == [b"x", b""]
    assert station.link.status.wait_for(lambda _: station.link.reconnects == 1, DEADLINE_S)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_our_own_is_shown_and_does_not_look_like_silence(cable: Cable) -> None:
    def broken(_: Received) -> None:
        raise ZeroDivisionError

    link = SerialLink(SerialPort(port=str(cable.plug().name)), broken, Inbox()).start()
    assert link.status.wait_for(lambda state: state.word == "open", DEADLINE_S)
    cable.say(FRAME)
    assert link.status.wait_for(lambda state: state.word == "closed", DEADLINE_S)
    link.stop()
    assert "fault of this program (ZeroDivisionError())" in link.state.detail


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (serial.SerialException(errno.ENOENT, "could not open port"), "no such port P; plugged in?"),
        (serial.SerialException(errno.ENXIO, "could not open port"), "no such port P; plugged in?"),
        (serial.SerialException(errno.EACCES, "could not open port"), "no permission on P"),
        (serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"), "another program has P open"),
        (serial.SerialException(errno.EBUSY, "could not open port"), "another program has P open"),
        (
            serial.SerialException("could not open port 'P': PermissionError(13, 'Access is denied.')"),
            "another program",
        ),
        (serial.SerialException("could not open port 'P': FileNotFoundError(2, 'not found')"), "no such port P"),
        (serial.SerialException("Could not configure port: (25, 'Inappropriate ioctl')"), "P is not a serial port"),
        (termios.error(errno.EIO, "Input/output error"), "can't open P"),
        (ValueError("Failed to set custom baud rate (1): Invalid argument"), "can't open P"),
    ],
)
def test_why_a_port_does_not_open_is_said_in_words(error: Exception, text: str) -> None:
    assert text in why_not_open("P", error)


@pytest.fixture
def no_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [])


@pytest.mark.usefixtures("no_ports")
def test_without_any_port_the_message_says_none() -> None:
    assert why_not_open("P", OSError(errno.ENOENT, "")).endswith("known ports: none")


def test_what_a_sender_writes_is_what_the_device_hears(cable: Cable) -> None:
    sender = SerialSender(SerialPort(port=str(cable.plug().name))).open()
    data = bytes(range(256)) * 4
    sender.send(data)
    assert cable.hear(len(data)) == data
    sender.close()
    with pytest.raises(LinkError, match="is not open"):
        sender.send(b"x")


def test_a_sender_that_nobody_reads_gives_up(cable: Cable) -> None:
    sender = SerialSender(SerialPort(port=str(cable.plug().name)), write_timeout_s=0.05).open()
    with pytest.raises(LinkError, match="takes nothing more"):
        sender.send(bytes(1 << 18))


def test_a_sender_whose_cable_is_pulled_says_so_and_can_open_again(cable: Cable) -> None:
    sender = SerialSender(SerialPort(port=str(cable.plug().name))).open()
    cable.unplug()
    with pytest.raises(LinkError, match=r"lost .*adapter; unplugged"):
        sender.send(FRAME)
    with pytest.raises(LinkError, match="no such port"):
        sender.open()
    cable.plug()
    sender.open().send(FRAME)
    assert cable.hear(len(FRAME)) == FRAME
    sender.close()


class SocatPair:
    """Two ports joined by socat; killing it is pulling the cable out."""

    def __init__(self, directory: Path) -> None:
        self.ends = directory / "car", directory / "pit"
        self._process: subprocess.Popen[str] | None = None

    def plug(self) -> SocatPair:
        assert SOCAT is not None
        ends = [f"pty,raw,echo=0,link={end}" for end in self.ends]
        self._process = subprocess.Popen([SOCAT, "-d", "-d", *ends], stderr=subprocess.PIPE, text=True)
        assert self._process.stderr is not None
        for line in self._process.stderr:
            if "starting data transfer loop" in line:
                break
        return self

    def unplug(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(DEADLINE_S)
            assert self._process.stderr is not None
            self._process.stderr.close()
            self._process = None


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[SocatPair]:
    if SOCAT is None:
        pytest.skip("socat is not installed")
    made = SocatPair(tmp_path).plug()
    yield made
    made.unplug()


def test_from_sender_to_link_over_two_joined_ports_with_the_cable_pulled(
    pair: SocatPair, stations: Callable[..., Station]
) -> None:
    station = stations(pair.ends[1])
    sender = SerialSender(SerialPort(port=str(pair.ends[0])))
    data = random.Random(9).randbytes(50_000)
    for count in range(2):
        station.wait_for("open")
        assert station.link.reconnects == count
        before = len(b"".join(station.payloads))
        sender.open()
        for start in range(0, len(data), 1000):
            sender.send(data[start : start + 1000])
        station.collect(holds(before + len(data)))
        pair.unplug()
        station.wait_for("lost", "no such port")
        with contextlib.suppress(LinkError):
            sender.send(b"into the void")
        sender.close()
        pair.plug()
    assert b"".join(station.payloads) == data * 2
    assert station.collect(lambda payloads: payloads.count(b"") == 2).count(b"") == 2
