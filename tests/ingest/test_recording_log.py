"""A recording replayed gives the chunks that the link gave; damage and lost links invent nothing."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.assembler import Assembler
from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.framing import make_decoder, make_encoder
from ingest.link_block import LinkCounts, SampleBlock
from ingest.log import open_log
from ingest.recording import Recorder
from ingest.recording_block import HEAD_BYTES
from ingest.recording_header import describe_run
from ingest.recording_log import RecordingLog
from ingest.sheet import Sheet
from ingest.sheet_link import DAMPER_ROLES
from tests.ingest.logs import check_contract, numbers_in, samples_in
from tests.ingest.recordings import block_spans, received
from tests.sheets import make_sheet

ROLES = (*DAMPER_ROLES, "speed")
TEXT = {
    "serial": {"port": "/dev/ttyX"},
    "format": "text",
    "rate_hz": 500.0,
    "fields": ["counter", *ROLES],
}
PACKED = {"serial": {"port": "/dev/ttyX"}}
MESSAGES = {"mqtt": {"host": "pit.example", "topic": "car/dampers"}, "format": "json"}


def link_sheet(link: dict[str, Any], **changes: Any) -> Sheet:
    return make_sheet({"link": link, "log.columns.speed": {"column": "v", "unit": "km/h"}} | changes)


def blocks(samples: int, each: int = 10) -> list[SampleBlock]:
    """The left front damper carries the sample's own number."""
    found = []
    for start in range(0, samples, each):
        number = np.arange(start, min(start + each, samples), dtype=np.float64)
        values = np.column_stack([number, number / 2, -number, np.zeros(len(number)), np.full(len(number), 36.0)])
        found.append(SampleBlock(start, None, 500.0, ROLES, values))
    return found


def record_bytes(folder: Path, sheet: Sheet, payloads: list[bytes]) -> Path:
    recorder = Recorder(folder, describe_run(sheet, "", "1"), sync_every_s=60.0)
    for number, payload in enumerate(payloads):
        recorder.write(received(payload, number * 1_000_000))
        if number == 2:
            recorder.event("link", {"state": "open"})
    recorder.close()
    path = recorder.status().path
    assert path is not None
    return path


def encoded(sheet: Sheet, samples: int) -> list[bytes]:
    assert sheet.link is not None
    encoder = make_encoder(sheet.link, ROLES, 500.0)
    return [encoder.encode(block) for block in blocks(samples)]


def torn(stream: bytes, seed: int = 3) -> list[bytes]:
    """The stream in pieces of any size, as a serial port gives them."""
    generator = random.Random(seed)
    pieces = []
    while stream:
        size = generator.randrange(1, 200)
        pieces.append(stream[:size])
        stream = stream[size:]
    return pieces


@pytest.mark.parametrize("link", [PACKED, TEXT, MESSAGES])
def test_a_replay_is_what_the_link_gave(link: dict[str, Any], tmp_path: Path) -> None:
    sheet = link_sheet(link)
    payloads = encoded(sheet, 2000)
    if "serial" in link:
        payloads = torn(b"".join(payloads))
    del payloads[20]  # some samples were lost on the way
    assert sheet.link is not None
    counts = LinkCounts()
    decoder, assembler = make_decoder(sheet.link, counts), Assembler(sheet, counts)
    live = [chunk for payload in payloads for chunk in assembler.take(decoder.feed(payload))] + assembler.finish()

    with open_log(record_bytes(tmp_path, sheet, payloads), sheet) as log:
        assert isinstance(log, RecordingLog)
        chunks = list(log)
        assert log.progress() == 1.0
    check_contract(chunks)
    assert (log.rate_hz, log.roles) == (500.0, ("speed",))
    assert numbers_in(chunks) == numbers_in(live)
    assert samples_in(chunks) == [float(number) for number in numbers_in(live)]
    assert np.concatenate([chunk.side["speed"] for chunk in chunks]) == pytest.approx(10.0)
    assert log.link_counts.numbers() == counts.numbers()
    assert (log.counts.samples, log.counts.missing_samples, log.counts.gaps) == (
        len(numbers_in(live)),
        counts.missing_samples,
        1,
    )
    assert counts.missing_samples > 0
    assert [event.name for event in log.events] == ["link", "closed"]
    assert not log.damage
    assert log.notes == ()


def test_half_a_line_is_not_joined_to_another_across_lost_blocks(tmp_path: Path) -> None:
    """Without a checksum, only the recorder's sequence tells that the ends of two lines are not one line."""
    sheet = link_sheet(TEXT)
    lines = [b"%d,1,1,1,1,36\n" % n for n in range(1000)]
    sent = [b"".join(lines[:500]), b"500,7", b"7,1,1,1,36\n501,1", b",1,1,1,36\n", b"".join(lines[502:])]
    path = record_bytes(tmp_path, sheet, sent)
    content = bytearray(path.read_bytes())
    spans = block_spans(bytes(content))
    content[spans[3][0] + HEAD_BYTES] ^= 1  # the middle one: what is left reads "500,7,1,1,1,36"
    path.write_bytes(content)
    with open_log(path, sheet) as log:
        assert isinstance(log, RecordingLog)
        chunks = list(log)
    assert log.damage.missing_blocks == 1
    assert set(samples_in(chunks)) == {1.0}
    assert 500 not in numbers_in(chunks)
    assert 501 not in numbers_in(chunks)
    assert log.counts.missing_samples == 2


def test_an_empty_payload_says_that_the_connection_is_new(tmp_path: Path) -> None:
    sheet = link_sheet(TEXT)
    lines = [b"%d,1,1,1,1,36\n" % n for n in range(300)]
    payloads = [b"".join(lines[:100]), b"100,7", b"", b"7,1,1,1,36\n" + b"".join(lines[101:])]
    with open_log(record_bytes(tmp_path, sheet, payloads), sheet) as log:
        chunks = list(log)
    assert set(samples_in(chunks)) == {1.0}
    # The very first line may be the end of one, so it does not count either.
    assert numbers_in(chunks) == [n for n in range(1, 300) if n != 100]


def test_damage_anywhere_gives_only_true_samples(tmp_path: Path) -> None:
    sheet = link_sheet(PACKED)
    path = record_bytes(tmp_path, sheet, torn(b"".join(encoded(sheet, 1000))))
    content = path.read_bytes()
    generator = random.Random(11)
    for _ in range(40):
        changed = bytearray(content)
        start = generator.randrange(len(changed))
        changed[start : start + generator.choice([1, 60, 600])] = b"\0"
        path.write_bytes(changed)
        with open_log(path, sheet) as log:
            chunks: list[Chunk] = list(log)
        check_contract(chunks)
        assert samples_in(chunks) == [float(number) for number in numbers_in(chunks)]
        assert len(samples_in(chunks)) >= 700


def test_another_layout_than_the_recorded_one_is_noted(tmp_path: Path) -> None:
    sheet = link_sheet(PACKED)
    path = record_bytes(tmp_path, sheet, encoded(sheet, 500))
    other = link_sheet({"serial": {"port": "COM3"}, "reorder_s": 0.2, "stream": 0})
    with open_log(path, other) as log:
        assert isinstance(log, RecordingLog)
        assert log.notes == ("the recording was made with another link.stream, link.reorder_s than the car sheet has",)
    content = path.read_bytes()
    path.write_bytes(bytes(20) + content[20:])
    with open_log(path, sheet) as log:
        assert isinstance(log, RecordingLog)
        assert "header is lost" in log.notes[0]


def test_what_can_not_be_replayed_is_refused(tmp_path: Path) -> None:
    sheet = link_sheet(PACKED)
    path = record_bytes(tmp_path, sheet, encoded(sheet, 500))
    with pytest.raises(LogError, match=r"no \[link\]"):
        open_log(path, make_sheet())
    with pytest.raises(LogError, match="not one sample can be decoded"):
        open_log(path, link_sheet(TEXT))
    with pytest.raises(LogError, match="nothing was received"):
        open_log(record_bytes(tmp_path / "empty", sheet, []), sheet)


def test_a_recording_is_known_by_its_start_whatever_its_name(tmp_path: Path) -> None:
    sheet = link_sheet(PACKED)
    path = record_bytes(tmp_path, sheet, encoded(sheet, 500))
    renamed = path.rename(tmp_path / "stint.csv")
    with open_log(renamed, sheet) as log:
        assert isinstance(log, RecordingLog)
        assert len(samples_in(list(log))) == 500
