"""A log on a link: the receiver has the log's own samples, at their time; faults are accounted for."""

from __future__ import annotations

import itertools
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.cli import main
from console.feed import Cutter, FeedOptions, feed, raw_sheet
from console.feed_link import FeedUsageError, fault_plan, feed_layout, feed_target
from console.mischief import Plan
from console.pace import Clock
from ingest.assembler import Assembler
from ingest.chunk import Chunk, Floats
from ingest.errors import LinkError
from ingest.framing import make_decoder
from ingest.link_block import LinkCounts
from ingest.log import open_log
from ingest.sheet import Sheet
from ingest.sheet_link import Broker, LinkLayout, SerialPort
from tests.console.logs import CAR
from tests.sheets import make_sheet

ROOT = Path(__file__).parents[2]
RATE = 500.0
PORT = SerialPort(port="/dev/null")
BROKER = Broker(host="broker", topic="car/dampers")
ROLES = ["counter", "damper_FL", "damper_FR", "damper_RL", "damper_RR", "ignored", "lap_number", "speed"]

# Everything that can come between a log's numbers and a chunk.
SCALED = {
    "log.time": {"column": "time", "unit": "ms"},
    "log.columns.damper_FL": {"column": "FL", "scale": 0.1, "offset": -3.7},
    "log.columns.damper_RR": {"column": "RR", "scale": -0.3},
    "log.columns.speed": {"column": "v", "unit": "km/h", "scale": 0.01},
    "log.columns.acceleration_lateral": {"column": "ay", "unit": "g", "scale": 0.001, "offset": 0.03},
    "log.columns.lap_number": {"column": "lap"},
    "log.columns.lap_distance": {"column": "s", "unit": "ft", "scale": 0.1},
}


def linked(**link: Any) -> Sheet:
    return make_sheet({**SCALED, "link": link} if link else SCALED)


def log_of(folder: Path, samples: int = 3000, missing: range = range(0), unknown: bool = True) -> Path:
    """Whole numbers as a converter gives them; some rows are missing, and some cells are empty."""
    chance = np.random.default_rng(5)
    lines = ["time,FL,FR,RL,RR,v,ay,lap,s"]
    for n in range(samples):
        cells = [str(value) for value in chance.integers(-5000, 5000, 4)]
        if unknown and n % 97 == 3:
            cells[n % 4] = ""
        if n not in missing:
            lines.append(f"{2 * n},{','.join(cells)},{n % 30000},{n % 900 - 450},{n // 1000},{n % 20000}")
    path = folder / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


class Wire:
    """A sender that keeps what it is given, and when; it may fail or call for an end."""

    def __init__(self, now: Any = lambda: 0.0, fails_at: int = -1, stops_at: int = -1) -> None:
        self.payloads: list[bytes] = []
        self.times: list[float] = []
        self.opened = self.closed = 0
        self._now, self._fails_at, self._stops_at = now, fails_at, stops_at

    def open(self) -> None:
        self.opened += 1

    def send(self, payload: bytes) -> None:
        if len(self.payloads) == self._fails_at:
            raise LinkError("unplugged")
        if len(self.payloads) == self._stops_at:
            signal.raise_signal(signal.SIGINT)
        self.times.append(self._now())
        self.payloads.append(payload)

    def close(self) -> None:
        self.closed += 1


def fed(path: Path, sheet: Sheet, wire: Wire, clock: Clock | None = None, **options: Any) -> tuple[int, list[str]]:
    said: list[str] = []
    chosen = FeedOptions(**{"target": PORT, "pace": None, **options})
    return feed(path, sheet, chosen, say=said.append, sender_maker=lambda _: wire, clock=clock), said


def received(sheet: Sheet, layout: LinkLayout, payloads: list[bytes]) -> tuple[list[Chunk], LinkCounts]:
    counts = LinkCounts()
    decoder, assembler = make_decoder(layout, counts), Assembler(sheet.model_copy(update={"link": layout}), counts)
    chunks = [chunk for payload in payloads for chunk in assembler.take(decoder.feed(payload))]
    chunks += assembler.take(decoder.finish()) if hasattr(decoder, "finish") else []
    return chunks + assembler.finish(), counts


def table(chunks: list[Chunk]) -> tuple[list[int], dict[str, Floats]]:
    """Numbers and values of all samples, however they were cut."""
    numbers = [chunk.first_sample + n for chunk in chunks for n in range(len(chunk))]
    values = {"sensors": np.concatenate([chunk.sensors for chunk in chunks])}
    for role in chunks[0].side:
        values[role] = np.concatenate([chunk.side[role] for chunk in chunks])
    return numbers, values


def check_same(got: list[Chunk], wanted: list[Chunk]) -> None:
    """The same samples bit for bit, unknown ones included, and the same gaps."""
    numbers, values = table(got)
    wanted_numbers, wanted_values = table(wanted)
    assert numbers == wanted_numbers
    assert values.keys() == wanted_values.keys()
    for role, column in values.items():
        np.testing.assert_array_equal(column, wanted_values[role], strict=True)
    assert sum(chunk.gap_before for chunk in got) == sum(chunk.gap_before for chunk in wanted)
    assert {chunk.rate_hz for chunk in got} == {chunk.rate_hz for chunk in wanted}


def logged(path: Path, sheet: Sheet) -> list[Chunk]:
    with open_log(path, sheet) as log:
        return list(log)


# ---------------------------------------------------------------- what the receiver has


@pytest.mark.parametrize("form", ["packed", "json", "cbor"])
def test_the_receiver_has_the_samples_of_the_log(form: str, tmp_path: Path) -> None:
    sheet = linked()
    path = log_of(tmp_path, missing=range(1000, 1234))
    wire = Wire()
    assert fed(path, sheet, wire, target=BROKER, form=form)[0] == 0
    layout = feed_layout(sheet, BROKER, form, RATE)
    chunks, counts = received(sheet, layout, wire.payloads)
    check_same(chunks, logged(path, sheet))
    assert (counts.missing_samples, counts.gaps, counts.refused) == (234, 1, 0)
    assert (wire.opened, wire.closed) == (1, 1)


@pytest.mark.parametrize(
    "link",
    [
        {"format": "text", "checksum": "crc16", "counter_wraps_at": 1000},
        {"format": "record", "record": "<Hffffhbf", "sync": "a55a", "counter_wraps_at": 65536},
    ],
)
def test_text_and_records_carry_what_their_fields_name(link: dict[str, Any], tmp_path: Path) -> None:
    sheet = linked(serial={"port": "/dev/car"}, fields=ROLES, rate_hz=RATE, **link)
    path = log_of(tmp_path, missing=range(1000, 1234))
    wire = Wire()
    code, said = fed(path, sheet, wire)
    assert code == 0
    assert "not sent, since link.fields does not name it: acceleration_lateral, lap_distance" in said
    assert sheet.link is not None
    chunks, counts = received(sheet, sheet.link, wire.payloads)
    wanted = [
        Chunk(
            one.first_sample,
            one.rate_hz,
            one.sensors,
            {r: one.side[r] for r in ("speed", "lap_number")},
            one.gap_before,
        )
        for one in logged(path, sheet)
    ]
    check_same(chunks, wanted)
    assert (counts.missing_samples, counts.refused) == (234, 0)


@pytest.mark.parametrize("name", ["healthy", "sensor_faults"])
def test_the_shipped_logs_come_over_bit_for_bit(name: str) -> None:
    from ingest.sheet import load_sheet

    sheet = load_sheet(ROOT / "replay_logs" / "car.toml")
    path = ROOT / "replay_logs" / f"{name}.parquet"
    wire = Wire()
    _, said = fed(path, sheet, wire, samples_per_frame=200)
    layout = feed_layout(sheet, PORT, None, RATE)
    chunks, _ = received(sheet, layout, [b"".join(wire.payloads[n : n + 50]) for n in range(0, len(wire.payloads), 50)])
    check_same(chunks, logged(path, sheet))
    assert not any("rounded" in line for line in said)


def test_values_that_a_packed_frame_rounds_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{n / RATE},0.1,0.25,{2**24 + 1},{2**24 + 2}" for n in range(100)]
    path.write_text("\n".join(["time,FL,FR,RL,RR", *rows]) + "\n")
    _, said = fed(path, make_sheet(), Wire())
    assert said[-1].startswith("200 values were rounded")
    _, said = fed(path, make_sheet(), Wire(), target=BROKER, form="json")
    assert not any("rounded" in line for line in said)


def test_raw_values_are_those_in_the_file(tmp_path: Path) -> None:
    path = log_of(tmp_path, 50, unknown=False)
    written = np.genfromtxt(path, delimiter=",", skip_header=1)
    chunk = logged(path, raw_sheet(linked()))[0]
    np.testing.assert_array_equal(chunk.sensors, written[:, 1:5])
    for role, column in (("speed", 5), ("acceleration_lateral", 6), ("lap_number", 7), ("lap_distance", 8)):
        np.testing.assert_array_equal(chunk.side[role], written[:, column])


# ---------------------------------------------------------------- cutting and pacing


@given(st.lists(st.integers(0, 25), max_size=12), st.integers(1, 9), st.integers(0, 100))
def test_blocks_do_not_depend_on_how_chunks_are_cut(cuts: list[int], samples: int, gap_at: int) -> None:
    values = np.arange(400.0).reshape(100, 4)
    layout = LinkLayout(serial=PORT)
    roles = ("damper_FL", "damper_FR", "damper_RL", "damper_RR")

    def blocks(lengths: list[int]) -> list[tuple[int, bytes]]:
        cutter = Cutter(layout, roles, RATE, samples)
        edges = sorted({0, gap_at, 100, *np.minimum(np.cumsum(lengths), 100).tolist()})
        out = []
        for start, stop in itertools.pairwise(edges):
            shift = 50 if start >= gap_at else 0
            gap = 50 if start == gap_at and start else 0
            out += cutter.take(Chunk(7 + start + shift, RATE, values[start:stop], {}, gap))
        out += cutter.take(Chunk(157, RATE, values[:0]))
        return [(number, block.values.tobytes()) for number, block in out + cutter.finish()]

    assert blocks(cuts) == blocks([])
    assert all(len(data) <= samples * 32 for _, data in blocks(cuts))


class HandClock:
    """Time that passes only while waiting; each wait takes a little too long."""

    def __init__(self, late_s: float = 0.0) -> None:
        self.time_s, self.late_s = 1000.0, late_s

    @property
    def clock(self) -> Clock:
        return Clock(lambda: self.time_s, self.wait)

    def wait(self, seconds: float) -> None:
        self.time_s += seconds + self.late_s


@pytest.mark.parametrize("pace", [1.0, 4.0])
def test_frames_leave_when_their_last_sample_is_due(pace: float, tmp_path: Path) -> None:
    hand = HandClock(late_s=0.001)
    wire = Wire(now=lambda: hand.time_s)
    fed(log_of(tmp_path, 2000, missing=range(500, 1000)), linked(), wire, hand.clock, pace=pace, samples_per_frame=20)
    ends = [*range(20, 501, 20), *range(1020, 2001, 20)]
    due = [1000.0 + end / RATE / pace for end in ends]
    assert wire.times == pytest.approx(due, abs=0.0021)


def test_a_slow_link_is_told(tmp_path: Path) -> None:
    hand = HandClock()

    class Slow(Wire):
        def send(self, payload: bytes) -> None:
            super().send(payload)
            hand.time_s += 0.1

    _, said = fed(log_of(tmp_path, 500), linked(), Slow(), hand.clock, pace=1.0)
    assert "fell behind by up to 3.9 s: the link or this computer is too slow for this pace" in said


def test_a_port_that_is_too_slow_is_told_before(tmp_path: Path) -> None:
    _, said = fed(
        log_of(tmp_path, 500), linked(), Wire(), HandClock().clock, pace=1.0, target=SerialPort(port="x", baud=19200)
    )
    assert any(line.endswith("baud are needed, the port has 19200: samples will come late") for line in said)


# ---------------------------------------------------------------- faults and ends


@pytest.mark.parametrize("form", ["packed", "cbor"])
def test_a_receiver_misses_what_the_account_says(form: str, tmp_path: Path) -> None:
    """Mischief that a receiver can undo, and mischief that it can't, told apart to the sample."""
    sheet = linked()
    path = log_of(tmp_path, 6000, unknown=False)
    corrupt = 0.05 if form == "packed" else 0.0  # CBOR has no checksum of its own
    plan = Plan(
        drop=0.03, corrupt=corrupt, duplicate=0.05, reorder=0.05, delay=0.05, delay_s=0.03, pulls=((3.0, 2.0),), seed=4
    )
    wire = Wire()
    _, said = fed(path, sheet, wire, target=BROKER, form=form, plan=plan)
    chunks, counts = received(sheet, feed_layout(sheet, BROKER, form, RATE), wire.payloads)
    undelivered = int(next(line for line in said if line.startswith("in no whole frame")).split()[5])
    wanted_numbers, wanted = table(logged(path, sheet))
    numbers, values = table(chunks)
    assert len(numbers) == 6000 - undelivered
    assert counts.missing_samples == undelivered
    np.testing.assert_array_equal(values["sensors"], wanted["sensors"][np.isin(wanted_numbers, numbers)])
    assert counts.late_samples == 0
    assert counts.duplicate_samples > 0
    assert counts.reordered_frames > 0
    assert (counts.bad_frames + counts.bad_checksums > 0) == (corrupt > 0)


def test_an_account_is_said_line_by_line(tmp_path: Path) -> None:
    plan = Plan(drop=0.1, pulls=((1.0, 1.0),))
    _, said = fed(log_of(tmp_path, 3000, missing=range(2600, 2700)), linked(), Wire(), plan=plan)
    assert said[0].startswith("feeding log.csv to serial /dev/null at 921600 baud: packed, 500 Hz, 10 samples a frame")
    read, dropped, pulled, sent = (line.split() for line in said[1:5])
    assert read[-4:] == ["290", "frames", "2900", "samples"]
    assert pulled[:4] == ["lost", "to", "the", "pulled"]
    assert 0 < int(pulled[-2]) <= 500
    assert int(read[-2]) == int(dropped[-2]) + int(pulled[-2]) + int(sent[-2])
    assert said[-1] == "missing in the log itself: 100 samples"


def test_an_interruption_ends_in_order_with_the_account(tmp_path: Path) -> None:
    wire = Wire(stops_at=7)
    code, said = fed(log_of(tmp_path), linked(), wire)
    assert code == 130
    assert (len(wire.payloads), wire.closed) == (8, 1)
    assert any(line.split()[:1] == ["sent"] and line.split()[-2] == "80" for line in said)


def test_a_link_that_fails_ends_with_the_account_and_its_error(tmp_path: Path) -> None:
    wire = Wire(fails_at=7)
    said: list[str] = []
    with pytest.raises(LinkError, match="unplugged"):
        feed(log_of(tmp_path), linked(), FeedOptions(PORT, None), say=said.append, sender_maker=lambda _: wire)
    assert wire.closed == 1
    assert any(line.split()[:1] == ["sent"] and line.split()[-2] == "70" for line in said)
    assert any(line.startswith("not sent any more") for line in said)


class LostWire(Wire):
    """A sender whose link goes once, and whose port stays away for some tries."""

    def __init__(self, away: int) -> None:
        super().__init__(fails_at=7)
        self._away = away

    def open(self) -> None:
        super().open()
        if self.opened > 1:
            if self.opened - 1 <= self._away:
                raise LinkError("no such port")
            self._fails_at = -1


def test_a_link_that_comes_back_in_time_loses_nothing(tmp_path: Path) -> None:
    now = [0.0]
    clock = Clock(now=lambda: now[0], wait=lambda seconds: now.__setitem__(0, now[0] + seconds))
    path, whole = log_of(tmp_path), Wire()
    fed(path, linked(), whole)
    wire = LostWire(away=3)
    code, said = fed(path, linked(), wire, clock, retry_s=10.0)
    assert code == 0
    assert wire.payloads == whole.payloads
    assert wire.opened == 5
    assert "unplugged; trying again for 10 s" in said
    assert any(line.startswith("1 frames were sent again") for line in said)
    never = LostWire(away=1000)
    with pytest.raises(LinkError, match="unplugged"):
        fed(path, linked(), never, clock, retry_s=10.0)
    assert never.opened == 21


def test_what_a_record_can_not_hold_is_said(tmp_path: Path) -> None:
    sheet = linked(
        serial={"port": "/dev/car"}, format="record", fields=ROLES, rate_hz=RATE, record="<Hbbbbhbf", sync="a55a"
    )
    with pytest.raises(LinkError, match="sample 0 can't be sent as record"):
        fed(log_of(tmp_path), sheet, Wire())


# ---------------------------------------------------------------- the command's words


@pytest.mark.parametrize(
    ("words", "target"),
    [
        ("serial:/dev/ttyUSB0", SerialPort(port="/dev/ttyUSB0", baud=115200)),
        ("serial:/dev/ttyUSB0@9600", SerialPort(port="/dev/ttyUSB0", baud=9600)),
        ("serial:COM3", SerialPort(port="COM3", baud=115200)),
        ("serial:/dev/serial/by-id/usb-a@b", SerialPort(port="/dev/serial/by-id/usb-a@b", baud=115200)),
        ("mqtt:pit.local:1884/car/7", Broker(host="pit.local", port=1884, topic="car/7")),
        ("mqtt:pit.local/car/7", Broker(host="pit.local", topic="car/7")),
        ("mqtt:[::1]:1883/t", Broker(host="::1", topic="t")),
    ],
)
def test_targets(words: str, target: SerialPort | Broker) -> None:
    sheet = linked(serial={"port": "/dev/car", "baud": 115200})
    assert feed_target(words, sheet.link) == target


def test_the_password_goes_to_the_sheets_own_broker_only() -> None:
    broker = {"host": "pit", "topic": "a", "user": "car", "password_file": "secret", "client_id": "box"}
    sheet = linked(mqtt=broker)
    own = feed_target("mqtt:pit:1883/b", sheet.link)
    assert isinstance(own, Broker)
    assert (own.user, own.password_file, own.topic, own.client_id) == ("car", "secret", "b", None)
    for other in ("mqtt:elsewhere:1883/b", "mqtt:pit:1884/b"):
        assert feed_target(other, sheet.link) == Broker(host=other[5:].split(":")[0], port=int(other[-6:-2]), topic="b")


@pytest.mark.parametrize(
    "words",
    ["", "serial", "serial:", "usb:x", "mqtt:host", "mqtt:host/", "mqtt::1883/t", "mqtt:h:99999/t", "mqtt:h:1x/t",
     "mqtt:h:1883/a/#", "mqtt:h/+/b", "serial:/dev/x@5", "serial:@9600"],
)  # fmt: skip
def test_no_targets(words: str) -> None:
    with pytest.raises(FeedUsageError, match="--to"):
        feed_target(words, None)


def test_the_layout_is_the_sheets_but_for_the_link() -> None:
    sheet = linked(serial={"port": "/dev/car"}, stream=3, rate_hz=RATE)
    layout = feed_layout(sheet, BROKER, "json", RATE)
    assert (layout.mqtt, layout.serial, layout.format, layout.stream) == (BROKER, None, "json", 3)
    text = linked(serial={"port": "/dev/car"}, format="text", fields=ROLES, rate_hz=RATE)
    assert feed_layout(text, PORT, None, RATE).fields == ROLES
    assert feed_layout(text, PORT, "packed", RATE).fields == []


@pytest.mark.parametrize(
    ("link", "chosen", "rate_hz", "says"),
    [
        ({}, "text", RATE, 'link.format = "text"'),
        ({"serial": {"port": "p"}, "format": "text", "fields": ROLES, "rate_hz": RATE}, "record", RATE, "link.fields"),
        ({"serial": {"port": "p"}, "format": "text", "fields": ROLES, "rate_hz": RATE}, None, 1000.0, "1000 Hz"),
        ({"serial": {"port": "p"}, "rate_hz": 499.0}, None, RATE, "link.rate_hz"),
        ({}, "json", RATE, "needs mqtt"),
    ],
)
def test_what_does_not_go_together(link: dict[str, Any], chosen: str | None, rate_hz: float, says: str) -> None:
    with pytest.raises(FeedUsageError, match=says):
        feed_layout(linked(**link), PORT, chosen, rate_hz)


@pytest.mark.parametrize(
    ("rates", "delay", "at", "during", "says"),
    [
        ({"drop": 1.5}, "0:0", (), (), "--drop: a rate is 0 to 1"),
        ({}, "1", (), (), "RATE:MS"),
        ({}, "x:1", (), (), "RATE:MS"),
        ({}, "2:1", (), (), "--delay: a rate"),
        ({}, "0.1:-5", (), (), "--delay"),
        ({}, "0:0", (1.0,), (), "in pairs"),
        ({}, "0:0", (1.0,), (0.0,), "--pull"),
        ({}, "0:0", (float("nan"),), (1.0,), "give seconds"),
    ],
)
def test_faults_that_are_none(
    rates: dict[str, float], delay: str, at: tuple[float, ...], during: tuple[float, ...], says: str
) -> None:
    with pytest.raises(FeedUsageError, match=says):
        fault_plan(rates, delay, at, during, 1)


def test_faults() -> None:
    plan = fault_plan({"drop": 0.1}, "0.2:250", (1.0, 5.0), (2.0, 0.5), 7)
    assert plan == Plan(drop=0.1, delay=0.2, delay_s=0.25, pulls=((1.0, 2.0), (5.0, 0.5)), seed=7)


# ---------------------------------------------------------------- the command on a port


@contextmanager
def port_pair() -> Iterator[tuple[str, bytearray, threading.Thread]]:
    """A port that can be opened by name; all that is written to it is collected until it is closed."""
    pty = pytest.importorskip("pty", reason="no pseudo-terminals here")
    import tty

    near, far = pty.openpty()
    tty.setraw(far)
    collected = bytearray()

    def read() -> None:
        while True:
            try:
                data = os.read(near, 65536)
            except OSError:
                return
            if not data:
                return
            collected.extend(data)

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield os.ttyname(far), collected, thread
    finally:
        os.close(far)
        thread.join(10)
        os.close(near)


def command(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> int:
    monkeypatch.setattr(sys, "argv", ["damperwatch", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert isinstance(ended.value.code, int)
    return ended.value.code


def files(folder: Path) -> tuple[Path, Path]:
    sheet = folder / "car.toml"
    sheet.write_text(CAR, encoding="utf-8")
    path = folder / "log.csv"
    rows = [f"{n / RATE},{n},{n / 4},{-n},{n % 7},{n // 1000}" for n in range(4000) if not 1000 <= n < 1500]
    path.write_text("\n".join(["time,FL,FR,RL,RR,lap", *rows]) + "\n", encoding="utf-8")
    return path, sheet


def test_a_log_through_a_port(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    from ingest.sheet import load_sheet

    path, sheet_path = files(tmp_path)
    with port_pair() as (name, collected, _):
        code = command(monkeypatch, "feed", path, "--car", sheet_path, "--to", f"serial:{name}", "--pace", "max")
    said = capfd.readouterr()
    assert code == 0, said.err
    assert said.out == ""
    assert "missing in the log itself: 500 samples" in said.err
    sheet = load_sheet(sheet_path)
    chunks, counts = received(sheet, feed_layout(sheet, PORT, None, RATE), [bytes(collected)])
    check_same(chunks, logged(path, sheet))
    assert (counts.missing_samples, counts.refused, counts.garbage_bytes) == (500, 0, 0)


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["--to", "serial:/dev/no-such-port"], 1, "/dev/no-such-port"),
        (["--to", "carrier pigeon"], 2, "write serial:PORT"),
        (["--to", "serial:/dev/null", "--pace", "fast"], 2, "--pace"),
        (["--to", "serial:/dev/null", "--drop", "2"], 2, "0 to 1"),
        (["--to", "serial:/dev/null", "--format", "text"], 2, "link.fields"),
        (["--to", "serial:/dev/null", "--pull-at", "3"], 2, "in pairs"),
        (["--to", "serial:/dev/null", "--samples-per-frame", "0"], 2, "samples-per-frame"),
    ],
)
def test_mistakes_are_one_or_two_lines(
    arguments: list[str],
    code: int,
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path, sheet_path = files(tmp_path)
    assert command(monkeypatch, "feed", path, "--car", sheet_path, *arguments) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert says in said.err
    assert "Traceback" not in said.err
    assert sum(line.startswith("damperwatch: ") for line in said.err.splitlines()) == 1
