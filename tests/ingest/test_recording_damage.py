"""Whatever happens to a file: what is read was written, byte by byte and in order, and every whole block is found."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import recording_reader
from ingest.errors import LogError
from ingest.inbox import Received
from ingest.recording_block import HEAD_BYTES, LONGEST_PAYLOAD, MARKER, pack_block, unpack_head
from ingest.recording_reader import Entry, open_recording
from ingest.recording_verify import verify
from tests.ingest.recordings import block_spans, entries, numbered, record

Damaged = tuple[bytes, list[int]]  # the content, and the indices of the blocks that are whole


def _payloads(other: bytes) -> list[bytes]:
    """Ordinary ones, empty ones, and ones that look like blocks, of this format and of another file's."""
    generator = random.Random(7)
    payloads = [numbered(n, generator.choice([1, 40, 300, 700])) for n in range(120)]
    for place in range(3, 120, 13):
        payloads[place] = b""
        payloads[place + 1] = MARKER * 20 + numbered(place)
        payloads[place + 2] = numbered(place, 50) + other[:2000]
        payloads[place + 3] = b"\0" * 500
    return payloads


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, list[tuple[int, int]], list[Entry]]:
    """A recording's bytes, its blocks' places, and its blocks (the header's place is kept with None's stead)."""
    folder = tmp_path_factory.mktemp("whole")
    other = record(folder / "other", [numbered(n, 100) for n in range(20)]).read_bytes()
    path = record(folder / "run", _payloads(other))
    content = path.read_bytes()
    return content, block_spans(content), entries(path)


def _zero(content: bytes, spans: list[tuple[int, int]], generator: random.Random) -> Damaged:
    start = generator.randrange(len(content))
    end = min(len(content), start + generator.choice([1, 100, 512, 4096]))
    return content[:start] + bytes(end - start) + content[end:], _untouched(spans, start, end)


def _flip(content: bytes, spans: list[tuple[int, int]], generator: random.Random) -> Damaged:
    changed = bytearray(content)
    places = [generator.randrange(len(content)) for _ in range(generator.choice([1, 1, 3, 30]))]
    for place in places:
        changed[place] ^= 1 << generator.randrange(8)
    return bytes(changed), [
        n for n, (start, end) in enumerate(spans) if bytes(changed[start:end]) == content[start:end]
    ]


def _cut_tail(content: bytes, spans: list[tuple[int, int]], generator: random.Random) -> Damaged:
    end = generator.randrange(len(content))
    return content[:end], [n for n, span in enumerate(spans) if span[1] <= end]


def _cut_out(content: bytes, spans: list[tuple[int, int]], generator: random.Random) -> Damaged:
    start = generator.randrange(len(content))
    end = min(len(content), start + generator.choice([1, 30, 512, 5000]))
    return content[:start] + content[end:], _untouched(spans, start, end)


def _put_in(content: bytes, spans: list[tuple[int, int]], generator: random.Random) -> Damaged:
    place = generator.randrange(len(content))
    strange = generator.choice([generator.randbytes(600), MARKER * 50, bytes(4096), content[place - 900 : place]])
    return content[:place] + strange + content[place:], _untouched(spans, place, place)


def _untouched(spans: list[tuple[int, int]], start: int, end: int) -> list[int]:
    return [n for n, span in enumerate(spans) if span[1] <= start or span[0] >= end]


@pytest.mark.parametrize("read_bytes", [1024 * 1024, 97])
@pytest.mark.parametrize("damage", [_zero, _flip, _cut_tail, _cut_out, _put_in])
def test_damage_loses_only_what_it_hit(
    damage: Callable[[bytes, list[tuple[int, int]], random.Random], Damaged],
    whole: tuple[bytes, list[tuple[int, int]], list[Entry]],
    read_bytes: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(recording_reader, "_READ_BYTES", read_bytes)
    content, spans, written = whole
    path = tmp_path / "damaged.dwrec"
    generator = random.Random(damage.__name__)
    met = 0
    for _ in range(150):
        changed, untouched = damage(content, spans, generator)
        if changed == content:  # zeros in place of zeros
            continue
        path.write_bytes(changed)
        try:
            with open_recording(path) as recording:
                read = list(recording)
        except LogError:
            assert untouched == []
            continue
        numbers = [entry.sequence for entry in read]
        assert numbers == sorted(set(numbers))
        assert all(entry == written[entry.sequence - 1] for entry in read if entry.sequence)
        # The header, block 0, is told apart from the others.
        assert {n for n in untouched if n} <= set(numbers)
        assert recording.damage
        assert recording.damage.header_lost == (0 not in untouched)
        assert recording.damage.missing_blocks <= len(spans) - len(untouched)
        met += len(untouched) < len(spans)
    assert met > 40  # the damage does hit something


def test_damage_is_described(tmp_path: Path) -> None:
    path = record(tmp_path, [numbered(n) for n in range(50)])
    content = bytearray(path.read_bytes())
    spans = block_spans(bytes(content))
    content[spans[10][0] + HEAD_BYTES + 5] ^= 1
    content[spans[11][0]] ^= 1
    content[spans[30][0] + 20] ^= 1
    path.write_bytes(bytes(content) + b"torn")
    report = verify(path)
    damage = report.damage
    assert (damage.bad_places, damage.first_bad_offset) == (2, spans[10][0])
    assert damage.bad_bytes == spans[11][1] - spans[10][0] + spans[30][1] - spans[30][0]
    assert (damage.missing_blocks, damage.missing) == (3, [(10, 11), (30, 30)])
    assert (damage.torn_tail_bytes, damage.header_lost, damage.end_lost) == (4, False, False)
    assert (report.blocks, report.verdict, report.closed) == ({"header": 1, "data": 47, "event": 1}, "damaged", True)


def test_a_torn_tail_is_told_and_an_unclosed_file_is_not_damaged(tmp_path: Path) -> None:
    path = record(tmp_path, [numbered(n) for n in range(5)], close=False)
    report = verify(path)
    assert (report.verdict, report.closed, report.blocks["data"]) == ("clean", False, 5)
    path.write_bytes(path.read_bytes()[:-7])
    report = verify(path)
    assert (report.verdict, report.blocks["data"]) == ("damaged", 4)
    assert report.damage.torn_tail_bytes == HEAD_BYTES + 300 - 7


def test_a_closed_file_cut_between_two_blocks_is_damaged(tmp_path: Path) -> None:
    path = record(tmp_path, [numbered(n) for n in range(5)])
    assert verify(path).verdict == "clean"
    content = path.read_bytes()
    path.write_bytes(content[: block_spans(content)[-2][1]])
    report = verify(path)
    assert (report.damage.end_lost, report.damage.torn_tail_bytes, report.verdict) == (True, 0, "damaged")


def test_blocks_of_another_file_are_not_taken_for_this_ones_when_the_start_is_gone(tmp_path: Path) -> None:
    other = record(tmp_path / "other", [numbered(900 + n, 20) for n in range(3)]).read_bytes()
    path = record(tmp_path / "run", [other, *(numbered(n) for n in range(30))])
    content = path.read_bytes()
    spans = block_spans(content)
    path.write_bytes(bytes(spans[1][0] + HEAD_BYTES) + content[spans[1][0] + HEAD_BYTES :])
    assert [entry.payload for entry in entries(path)[:-1]] == [numbered(n) for n in range(30)]


def test_a_disk_that_cannot_read_a_sector_costs_that_sector(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = record(tmp_path, [numbered(n) for n in range(100)])
    spans = block_spans(path.read_bytes())
    real = recording_reader._open_file
    monkeypatch.setattr(recording_reader, "_open_file", lambda name: _BadSector(real(name), 8192))
    with open_recording(path) as recording:
        numbers = {entry.sequence for entry in recording}
    assert numbers == {n for n, (start, end) in enumerate(spans) if n and (end <= 8192 or start >= 12288)}
    assert recording.damage.unreadable_bytes == 4096


class _BadSector:
    def __init__(self, file: object, sector: int) -> None:
        self._file, self._sector = file, sector

    def __getattr__(self, name: str) -> object:
        return getattr(self._file, name)

    def read(self, count: int) -> bytes:
        position: int = self._file.tell()  # type: ignore[attr-defined]
        if position < self._sector + 4096 and position + count > self._sector:
            raise OSError(5, "Input/output error")
        data: bytes = self._file.read(count)  # type: ignore[attr-defined]
        return data


def test_a_length_that_lies_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "a.dwrec"
    good = pack_block(b"salt", "data", 1, Received(b"first", 1, 1))
    huge = bytearray(pack_block(b"salt", "data", 2, Received(b"x", 1, 1)))
    huge[8:12] = (2**32 - 1).to_bytes(4, "little")
    path.write_bytes(good + bytes(huge) + pack_block(b"salt", "data", 3, Received(b"third", 1, 1)))
    assert [entry.payload for entry in entries(path)] == [b"first", b"third"]


def test_a_length_beyond_all_limits_is_no_head_even_with_a_right_checksum() -> None:
    for length, taken in ((LONGEST_PAYLOAD, True), (LONGEST_PAYLOAD + 1, False), (2**32 - 1, False)):
        head = struct.pack("<4s4sIB3xIqqI", MARKER, b"salt", length, 2, 1, 0, 0, 0)
        assert (unpack_head(head + struct.pack("<I", zlib.crc32(head))) is not None) == taken


def test_heads_made_to_cost_time_cost_little(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Heads that each claim a payload of 4 MB, one after another, would be 4 GB of checksums to each 50 kB."""
    head = pack_block(b"salt", "data", 2, Received(bytes(LONGEST_PAYLOAD), 1, 1))[:HEAD_BYTES]
    path = tmp_path / "a.dwrec"
    last = pack_block(b"salt", "data", 1, Received(b"last", 1, 1))
    path.write_bytes(head * 20_000 + b"\1" * LONGEST_PAYLOAD + last)
    checked = 0
    real = zlib.crc32

    def counting(data: bytes) -> int:
        nonlocal checked
        checked += len(data)
        return real(data)

    monkeypatch.setattr(zlib, "crc32", counting)
    with open_recording(path) as recording:
        assert [entry.payload for entry in recording] in ([b"last"], [])
    assert checked < 40 * path.stat().st_size


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.one_of(st.binary(max_size=200), st.sampled_from([MARKER, b"salt", MARKER + b"salt"])), max_size=12))
def test_no_bytes_make_the_reader_raise(tmp_path: Path, parts: list[bytes]) -> None:
    path = tmp_path / "random.dwrec"
    path.write_bytes(b"".join(parts))
    with pytest.raises(LogError, match="no recording"):
        verify(path)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(payload=st.binary(max_size=300), kind=st.sampled_from(["header", "data", "event"]), sequence=st.integers(0, 9))
def test_any_content_of_whole_blocks_is_survived(tmp_path: Path, payload: bytes, kind: str, sequence: int) -> None:
    path = tmp_path / "strange.dwrec"
    odd = pack_block(b"salt", kind, sequence, Received(payload, -(2**63), 2**63 - 1))  # type: ignore[arg-type]
    path.write_bytes(odd + pack_block(b"salt", "event", 10, Received(b"[" * 100_000, 0, 0)))
    report = verify(path)
    assert (report.damage.header_lost, report.closed) == (True, False)


@pytest.mark.parametrize("content", [b"", b"time,FL\n0,1\n", b"PAR1", MARKER, MARKER + bytes(200)])
def test_what_is_no_recording_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(content)
    with pytest.raises(LogError, match=r"a\.bin: is no recording"):
        open_recording(path)


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no such file"):
        open_recording(tmp_path / "absent.dwrec")
    with pytest.raises(LogError):
        open_recording(tmp_path)
    with pytest.raises(LogError, match="can't be read"):
        open_recording("a\0b.dwrec")
    with pytest.raises(LogError, match="no file that could hold"):
        open_recording("/dev/null")


def test_a_newer_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.dwrec"
    header = b'{"format": "damperwatch recording", "format_version": 2}'
    path.write_bytes(pack_block(b"salt", "header", 0, Received(header, 1, 1)))
    with pytest.raises(LogError, match="version 2; this program reads up to 1"):
        open_recording(path)
