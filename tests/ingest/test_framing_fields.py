"""Lines of text and binary records: what is a number, what is a counter, where a record begins."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest

from ingest.frame_packed import checksum
from ingest.framing import make_decoder, make_encoder
from ingest.link_block import LinkCounts
from ingest.sheet_link import DAMPER_ROLES
from tests.ingest.frames import RATE_HZ, block, blocks, decoded, encoded, faults, layout, rows, wrong_samples


def line(text: str) -> bytes:
    """A line with its checksum."""
    return f"{text},{checksum(text.encode()):04X}\n".encode()


# ---------------------------------------------------------------- text


@pytest.mark.parametrize(
    "number", ["1", "-1.5", "+2", ".5", "3.", "1e3", "-1.25E-2", "0.000001", " 7 ", "12345678901234567890"]
)
def test_a_plain_number_is_read(number: str) -> None:
    found, counts = decoded(layout("text with checksum"), [line(f"7,{number},2,3,4,5")])
    assert found[0].values.tolist() == [[float(number), 2, 3, 4, 5]]
    assert faults(counts) == {}


@pytest.mark.parametrize(
    "number",
    [
        *(
            "nan",
            "NaN",
            "inf",
            "-inf",
            "Infinity",
            "1_0",
            "0x10",
            "1e",
            "e5",
            "--1",
            "1.2.3",
            "1,5",
            "٣",
            "1e999",
            "-1e999",
        ),
        *("0b1", "1" * 21, "1" * 5000, "1e1000", ".", "+", "1 2", "true", "1d5", "\x001", "1\x0b"),
    ],
)
def test_what_is_no_plain_number_refuses_its_line(number: str) -> None:
    good = line("7,1,2,3,4,5")
    found, counts = decoded(layout("text with checksum"), [good + line(f"8,{number},2,3,4,5") + good])
    assert len(found) == 2
    assert faults(counts) == {"bad_frames": 1}


def test_with_blanks_between_two_in_a_row_are_an_empty_field() -> None:
    link = layout("text over mqtt", delimiter=" ")
    found, counts = decoded(link, [b"7 1  3 4 5", b"7  1 2 3 4 5", b"7 1 2 3 4 5 "])
    np.testing.assert_array_equal(found[0].values, [[1, math.nan, 3, 4, 5]])
    assert (len(found), faults(counts)) == (1, {"bad_frames": 2})


@pytest.mark.parametrize("counter", ["", "-1", "1.0", "1e3", "+1", "x", "1_0"])
def test_a_counter_is_digits(counter: str) -> None:
    assert faults(decoded(layout("text with checksum"), [line(f"{counter},1,2,3,4,5")])[1]) == {"bad_frames": 1}


@pytest.mark.parametrize(("counter", "wraps_at"), [(1000, 1000), (2**53, None), (10**18, None)])
def test_a_counter_beyond_its_end_is_refused(counter: int, wraps_at: int | None) -> None:
    link = layout("text with checksum", counter_wraps_at=wraps_at)
    _, counts = decoded(link, [line(f"{counter},1,2,3,4,5")])
    assert faults(counts) == {"bad_headers": 1}
    assert faults(decoded(link, [line(f"{min(counter, 10**9) - 1},1,2,3,4,5")])[1]) == {}


@pytest.mark.parametrize("text", ["7,1,2,3,4", "7,1,2,3,4,5,6", "hello", "7;1;2;3;4;5", ",,,,,", "7,1,2,3,4,5,"])
def test_other_fields_refuse_the_line(text: str) -> None:
    assert faults(decoded(layout("text with checksum"), [line(text)])[1]) == {"bad_frames": 1}


@pytest.mark.parametrize("end", ["", ",", ",0", ",00000", ",GGGG", ",0x1F", ", 1F0", ",1234"])
def test_a_wrong_checksum_refuses_the_line(end: str) -> None:
    _, counts = decoded(layout("text with checksum"), [f"7,1,2,3,4,5{end}\n".encode()])
    assert faults(counts) == {"bad_checksums": 1}


def test_a_line_may_end_in_crlf_and_its_checksum_in_small_letters() -> None:
    text = line("7,1,2,3,4,5").decode()
    assert any(letter.isalpha() for letter in text)
    sent = text.lower().replace("\n", "\r\n").encode()
    assert faults(decoded(layout("text with checksum"), [sent, b"\r\n\n", sent])[1]) == {}


def test_ignored_fields_may_hold_anything_but_count() -> None:
    link = layout("text over mqtt", fields=["ignored", "counter", "ignored", *DAMPER_ROLES])
    found, counts = decoded(link, [b"$DATA,7,12:30 \xff,1,2,,4\n"])
    assert (found[0].counter, found[0].roles, faults(counts)) == (7, DAMPER_ROLES, {})
    np.testing.assert_array_equal(found[0].values, [[1, 2, math.nan, 4]])


@pytest.mark.parametrize("lost", range(1, 12))
def test_the_first_line_of_a_line_without_checksum_is_not_believed(lost: int) -> None:
    sent = b"123456,1,2,3,4,5\n123457,1,2,3,4,5\n"
    found, counts = decoded(layout("text"), [sent[lost:]])
    assert [one.counter for one in found] == [123457]
    assert faults(counts) == {"garbage_bytes": 16 - lost}


def test_the_first_line_after_a_lost_connection_is_not_believed_either() -> None:
    counts = LinkCounts()
    decoder = make_decoder(layout("text"), counts)
    assert len(decoder.feed(b"\n123456,1,2,3,4,5\n1234")) == 1
    decoder.reset()
    assert [one.counter for one in decoder.feed(b"99,1,2,3,4,5\n123500,1,2,3,4,5\n")] == [123500]
    assert faults(counts) == {"garbage_bytes": 4 + 12}


def test_a_torn_last_line_is_not_believed() -> None:
    assert decoded(layout("text"), [b"\n123456,1,2,3,4,5.5\n123457,1,2,3,4,5"])[1].samples == 1


# ---------------------------------------------------------------- record


def records(name: str, count: int = 8) -> list[bytes]:
    return encoded(layout(name), blocks(count, 1))


@pytest.mark.parametrize("name", ["record", "record with checksum"])
@pytest.mark.parametrize("place", range(26))
def test_a_record_that_lost_a_byte_is_refused(name: str, place: int) -> None:
    sent = records(name)
    sent[3] = sent[3][:place] + sent[3][place + 1 :]
    found, counts = decoded(layout(name), sent)
    assert wrong_samples(found) == []
    # When the sync bytes themselves are hurt, the record before is not confirmed without a checksum.
    assert len(found) >= (7 if name != "record" else 6)
    assert sum(faults(counts).values()) >= 1


@pytest.mark.parametrize("name", ["record", "record with checksum"])
def test_garbage_between_records_is_counted(name: str) -> None:
    sent = records(name)
    found, counts = decoded(layout(name), [b"noise", *sent, b"\xa5noise"])
    assert wrong_samples(found) == []
    assert len(found) == (8 if name != "record" else 7)
    if name != "record":
        assert faults(counts) == {"garbage_bytes": 11}


def test_sync_bytes_inside_a_record_are_no_beginning() -> None:
    number = struct.unpack("<f", bytes.fromhex("a55aa55a"))[0]
    sent = [block(place, 1, values=np.full((1, 5), number)) for place in range(6)]
    assert rows(decoded(layout("record"), encoded(layout("record"), sent))[0]) == rows(sent)
    stream = b"".join(encoded(layout("record with checksum"), sent))
    for start in range(30):
        found, _ = decoded(layout("record with checksum"), [stream[start:]])
        assert rows(found) == rows(sent)[-len(found) :]
        assert len(found) >= 4


def test_a_record_is_confirmed_by_the_sync_bytes_behind_it_or_the_end() -> None:
    sent = records("record", 2)
    decoder = make_decoder(layout("record"), LinkCounts())
    assert decoder.feed(sent[0]) == []
    assert decoder.feed(sent[1][:1]) == []
    assert len(decoder.feed(sent[1][1:])) == 1
    assert len(decoder.finish()) == 1
    assert len(make_decoder(layout("record with checksum"), LinkCounts()).feed(records("record with checksum")[0])) == 1


def test_a_negative_counter_in_a_record_is_refused() -> None:
    link = layout("record with checksum", record="<i4ff")
    body = bytes.fromhex("a55a") + struct.pack("<i5f", -1, *range(5))
    assert faults(decoded(link, [body + struct.pack("<H", checksum(body))])[1]) == {"bad_headers": 1}


def test_records_may_be_big_endian_and_hold_other_things() -> None:
    fields = ["ignored", "counter", *DAMPER_ROLES, "ignored"]
    link = layout("record with checksum", record=">3sQ4dx?", fields=fields)
    encoder = make_encoder(link, DAMPER_ROLES, RATE_HZ)
    found, counts = decoded(link, [encoder.encode(block(7, 3, DAMPER_ROLES))])
    assert rows(found) == rows([block(7, 3, DAMPER_ROLES)])
    assert faults(counts) == {}


@pytest.mark.parametrize(
    ("record", "message"),
    [("<f4ff", "whole number"), ("<I3s3ff", "must be a number"), ("<I4f999999999s", "longest_frame")],
)
def test_a_record_layout_that_can_not_work_is_refused_in_the_sheet(record: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        layout("record", record=record)
