"""Every format of a link: what is encoded comes back, any split gives the same, and every damage is counted."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from cobs import cobs  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import FrameError
from ingest.frame_packed import checksum
from ingest.frame_split import Splitter
from ingest.framing import make_decoder, make_encoder
from ingest.link_block import LinkCounts
from ingest.sheet_link import LINK_ROLES, LinkLayout
from tests.ingest.frames import (
    LAYOUTS,
    MESSAGES,
    RATE_HZ,
    ROLES,
    SERIAL,
    as_told,
    block,
    blocks,
    cut,
    decoded,
    encoded,
    faults,
    layout,
    rows,
    wrong_samples,
)


def packed(
    body: bytes = b"",
    version: int = 1,
    stream: int = 0,
    counter: int = 0,
    rate_mhz: int = 500_000,
    channels: int = 0b1111,
    kind: int = 1,
    count: int = 1,
) -> bytes:
    """A packed frame with a valid checksum, whatever it says."""
    head = struct.pack("<BBIQIHBH", version, stream, counter, 0, rate_mhz, channels, kind, count)
    whole = head + (body or bytes(8))
    frame: bytes = cobs.encode(whole + struct.pack("<H", checksum(whole))) + b"\0"
    return frame


# ---------------------------------------------------------------- what is sent comes back


@pytest.mark.parametrize("name", LAYOUTS)
def test_what_is_encoded_comes_back(name: str) -> None:
    sent = blocks(30)
    found, counts = decoded(layout(name), encoded(layout(name), sent))
    assert rows(found) == rows(sent)
    assert {one.roles for one in found} == {ROLES}
    assert faults(counts) == {}


@pytest.mark.parametrize("name", [name for name in LAYOUTS if not name.startswith("record")])
def test_what_is_not_known_stays_unknown(name: str) -> None:
    values = np.array([[1.5, math.nan, -2.25, 1e-7, math.nan], [math.nan] * 5])
    found, _ = decoded(layout(name), encoded(layout(name), [block(3, 2, values=values)]))
    got = np.concatenate([one.values for one in found])
    np.testing.assert_allclose(got, values, rtol=1e-7)  # single precision in packed


def test_integers_go_as_int16_and_fractions_as_float32() -> None:
    link = layout()
    whole = block(0, 1, values=np.array([[-32767.0, 32767.0, math.nan, 0.0, 5.0]]))
    fractions = block(0, 1, values=np.array([[0.5, 32768.0, math.nan, math.inf, 5.0]]))
    assert [len(one) for one in encoded(link, [whole, fractions])] == [37, 47]
    first, second = decoded(link, encoded(link, [whole, fractions]))[0]
    np.testing.assert_array_equal(first.values, whole.values)
    np.testing.assert_array_equal(second.values, [[0.5, 32768.0, math.nan, math.nan, 5.0]])


@pytest.mark.parametrize("value", [32768.0, -32768.0])
def test_a_value_that_int16_has_no_place_for_goes_as_float32(value: float) -> None:
    found, _ = decoded(layout(), encoded(layout(), [block(0, 1, values=np.full((1, 5), value))]))
    assert found[0].values.tolist() == [[value] * 5]


def test_an_infinite_float32_is_not_known() -> None:
    found, _ = decoded(layout(), [packed(body=struct.pack("<4f", math.inf, -math.inf, math.nan, 1.0), kind=2)])
    np.testing.assert_array_equal(found[0].values, [[math.nan, math.nan, math.nan, 1.0]])


def test_an_infinite_float_in_a_record_is_not_known() -> None:
    body = bytes.fromhex("a55a") + struct.pack("<I5f", 7, math.inf, -math.inf, math.nan, 1.0, 2.0)
    found, _ = decoded(layout("record with checksum"), [body + struct.pack("<H", checksum(body))])
    np.testing.assert_array_equal(found[0].values, [[math.nan, math.nan, math.nan, 1.0, 2.0]])


def test_a_packed_counter_beyond_32_bits_is_sent_wrapped() -> None:
    found, _ = decoded(layout(), encoded(layout(), [block(2**32 + 5, 1)]))
    assert found[0].counter == 5


def test_a_packed_frame_tells_all_of_its_header() -> None:
    link = layout()
    sent = block(2**32 - 5, 3, stream=7, device_time_us=2**63, rate_hz=333.333)
    found, _ = decoded(link, [make_encoder(link, ROLES, 333.333).encode(sent)])
    one = found[0]
    assert (one.counter, one.wraps_at, one.rate_hz) == (2**32 - 5, 2**32, 333.333)
    assert (one.stream, one.device_time_us) == (7, 2**63)


def test_roles_go_in_the_order_of_the_channel_set() -> None:
    link = layout()
    backward = tuple(reversed(LINK_ROLES))
    found, _ = decoded(link, [make_encoder(link, backward, RATE_HZ).encode(block(0, 4, backward))])
    assert found[0].roles == LINK_ROLES
    np.testing.assert_array_equal(found[0].values, block(0, 4, LINK_ROLES).values)


@pytest.mark.parametrize("name", SERIAL)
def test_a_long_block_is_sent_whole(name: str) -> None:
    link = layout(name, longest_frame=500)
    found, counts = decoded(link, encoded(link, [block(0, 9000)]))
    assert rows(found) == rows([block(0, 9000)])
    assert faults(counts) == {}


@pytest.mark.parametrize("name", ["json", "cbor"])
def test_a_block_too_long_for_a_message_is_not_sent(name: str) -> None:
    with pytest.raises(FrameError, match="longest_frame"):
        encoded(layout(name, longest_frame=500), [block(0, 100)])


@pytest.mark.parametrize("value", [math.nan, 40_000.0])
def test_a_record_of_integers_can_not_hold_everything(value: float) -> None:
    link = layout("record", record="<I5h")
    with pytest.raises(FrameError, match=r"link\.record"):
        encoded(link, [block(0, 1, values=np.full((1, 5), value))])


@pytest.mark.parametrize("name", ["text", "record", "json", "cbor"])
def test_the_counter_starts_again_where_the_sheet_says(name: str) -> None:
    link = layout(name, counter_wraps_at=1000)
    found, _ = decoded(link, encoded(link, [block(995, 5), block(1000, 5)]))
    numbers = [one.counter + row for one in found for row in range(len(one.values))]
    assert numbers == [995, 996, 997, 998, 999, 0, 1, 2, 3, 4]
    assert {one.wraps_at for one in found} == {1000}


# ---------------------------------------------------------------- any split


def damaged_stream(name: str) -> bytes:
    """Good frames with every kind of damage between them."""
    good = encoded(layout(name), blocks(12, 3))
    good[2] = good[2][:-7] + good[2][-6:]  # a byte lost
    good[4] = good[4][:9] + bytes([good[4][9] ^ 0x10]) + good[4][10:]
    good[6] = b"\xa5\x5a\xa5" + good[6]
    good[8] = b"\0\n" + b"x" * 300 + b"\0\n" + good[8]
    return b"".join(good) + good[0][:11]


@settings(max_examples=60, deadline=None)
@given(name=st.sampled_from(SERIAL), places=st.lists(st.integers(0, 1500), max_size=40))
def test_any_split_gives_the_same_blocks_and_counts(name: str, places: list[int]) -> None:
    link, stream = layout(name, longest_frame=250), damaged_stream(name)
    whole, counts = decoded(link, [stream])
    assert len(whole) >= 8
    for pieces in (cut(stream, [min(place, len(stream)) for place in places]), [bytes([one]) for one in stream]):
        found, again = decoded(link, pieces)
        assert as_told(found) == as_told(whole)
        assert again == counts


@pytest.mark.parametrize("name", SERIAL)
def test_an_empty_piece_changes_nothing(name: str) -> None:
    pieces = encoded(layout(name), blocks(3))
    spaced = [piece for one in pieces for piece in (b"", one, b"")]
    assert as_told(decoded(layout(name), spaced)[0]) == as_told(decoded(layout(name), pieces)[0])


@pytest.mark.parametrize("name", ["packed over mqtt", "text over mqtt"])
def test_a_message_is_whole_with_its_end(name: str) -> None:
    pieces = encoded(layout(name), blocks(3))
    found, counts = decoded(layout(name), [one[:-1] for one in pieces])
    assert rows(found) == rows(blocks(3))
    assert faults(counts) == {}


@pytest.mark.parametrize("name", MESSAGES)
def test_a_message_cut_off_does_not_touch_the_next(name: str) -> None:
    pieces = encoded(layout(name), blocks(3, 1))
    found, counts = decoded(layout(name), [pieces[0][:-5], *pieces[1:]])
    if name == "text over mqtt":
        assert rows(found)[-2:] == rows(blocks(3, 1))[-2:]
    else:
        assert rows(found) == rows(blocks(3, 1))[1:]
        assert sum(faults(counts).values()) >= 1


@pytest.mark.parametrize("name", SERIAL)
def test_what_is_half_received_is_forgotten_at_a_reset(name: str) -> None:
    pieces = encoded(layout(name), blocks(4))
    counts = LinkCounts()
    decoder = make_decoder(layout(name), counts)
    found = decoder.feed(pieces[0] + pieces[1][:-9])
    before = counts.garbage_bytes
    decoder.reset()
    assert counts.garbage_bytes > before
    end = b"\n" if name == "text" else b""
    found += decoder.feed(end + pieces[2] + pieces[3]) + decoder.finish()
    assert wrong_samples(found) == []
    assert rows(found)[-20:] == rows(blocks(4))[-20:]
    assert counts.refused == 0


# ---------------------------------------------------------------- bounds


@pytest.mark.parametrize("name", ["packed", "text with checksum"])
@pytest.mark.parametrize("piece", [1, 7, 100_000])
def test_a_stream_without_delimiters_takes_no_memory(name: str, piece: int) -> None:
    link = layout(name, longest_frame=100)
    counts = LinkCounts()
    decoder = make_decoder(link, counts)
    for start in range(0, 100_000, piece):
        assert decoder.feed(b"7" * min(piece, 100_000 - start)) == []
        assert len(decoder._splitter._carry) <= 100  # type: ignore[attr-defined]
    assert faults(counts) == {"long_frames": 1}
    good = encoded(link, [block(0, 1)])[0]
    assert decoder.feed(good) == []  # the end of the long one
    assert len(decoder.feed(good)) == 1
    assert counts.long_frames == 1


def test_a_record_stream_without_sync_takes_no_memory() -> None:
    counts = LinkCounts()
    decoder = make_decoder(layout("record"), counts)
    for _ in range(1000):
        decoder.feed(b"\xa5" * 1000)
        assert len(decoder._carry) < 64  # type: ignore[attr-defined]
    assert counts.garbage_bytes == 1_000_000 - 1


@pytest.mark.parametrize(("length", "kind"), [(100, "bad_frames"), (101, "long_frames")])
@pytest.mark.parametrize("name", ["packed", "text over mqtt", "json", "cbor"])
def test_the_limit_is_checked_before_anything_else(name: str, length: int, kind: str) -> None:
    end = b"\0" if name == "packed" else b""
    assert faults(decoded(layout(name, longest_frame=100), [b"\xa5" * length + end])[1]) == {kind: 1}


@given(pieces=st.lists(st.sampled_from([b"\n", b"a", b"bcd", b"efghijk", b""])), joins=st.booleans())
def test_the_splitter_splits_as_one_line_of_python(pieces: list[bytes], joins: bool) -> None:
    counts = LinkCounts()
    splitter = Splitter(b"\n", 6, counts, joins=joins)
    found = [frame for piece in pieces for frame in splitter.feed(piece)]
    *ended, rest = b"".join(pieces).split(b"\n")
    if joins:
        head = ended[:1] or [rest]
        ended, rest = ended[1:], rest if ended else b""
        assert counts.garbage_bytes == len(head[0])
    assert found == [one for one in ended if 0 < len(one) <= 6]
    assert counts.long_frames == sum(len(one) > 6 for one in [*ended, rest])


# ---------------------------------------------------------------- packed


@pytest.mark.parametrize(
    ("frame", "fault"),
    [
        (packed(version=2), "bad_headers"),
        (packed(version=0), "bad_headers"),
        (packed(channels=0), "bad_headers"),
        (packed(channels=0b1111 | 1 << len(LINK_ROLES)), "bad_headers"),
        (packed(channels=0xFFFF, body=bytes(32)), "bad_headers"),
        (packed(kind=0), "bad_headers"),
        (packed(kind=3), "bad_headers"),
        (packed(kind=2), "bad_headers"),
        (packed(count=0), "bad_headers"),
        (packed(count=2), "bad_headers"),
        (packed(count=65_535), "bad_headers"),
        (packed(count=4097, body=bytes(4097 * 8)), "bad_headers"),
        (packed(body=bytes(9)), "bad_headers"),
        (packed(rate_mhz=0), "bad_headers"),
        (packed(rate_mhz=19_999), "bad_headers"),
        (packed(rate_mhz=20_000_001), "bad_headers"),
        (packed(rate_mhz=2**32 - 1), "bad_headers"),
        (packed(stream=5), "other_streams"),
        (b"\x01\0", "bad_frames"),
        (b"\x05\x11\0", "bad_frames"),
        (b"\xff" * 20 + b"\0", "bad_frames"),
        (cobs.encode(bytes(24)) + b"\0", "bad_frames"),
        (cobs.encode(bytes(25)) + b"\0", "bad_checksums"),
    ],
)
def test_each_fault_of_a_packed_frame_is_counted_once(frame: bytes, fault: str) -> None:
    link = layout(stream=0)
    good = packed()
    found, counts = decoded(link, [good + frame + good])
    assert len(found) == 2
    assert faults(counts) == {fault: 1}


def test_a_frame_as_long_as_allowed_is_taken() -> None:
    found, counts = decoded(layout(), [packed(count=4096, body=bytes(4096 * 8))])
    assert (len(found[0].values), counts.refused) == (4096, 0)


def test_every_single_damaged_bit_is_found() -> None:
    frame = encoded(layout(), [block(100, 3)])[0]
    for bit in range(8 * len(frame)):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        found, counts = decoded(layout(), [bytes(damaged) + b"\0" + frame])
        assert rows(found) == rows([block(100, 3)]), bit
        assert counts.refused >= 1


@pytest.mark.parametrize("place", range(0, 30, 3))
def test_a_delimiter_inside_a_frame_costs_that_frame(place: int) -> None:
    frame = encoded(layout(), [block(100, 3)])[0]
    found, counts = decoded(layout(), [frame[:place] + b"\0" + frame[place:] + frame])
    assert len(found) == 1 + (place == 0)
    assert counts.refused == (2 if place else 0)


def test_delimiters_between_frames_are_no_fault() -> None:
    frame = encoded(layout(), [block(0)])[0]
    found, counts = decoded(layout(), [b"\0\0" + frame + b"\0\0\0" + frame])
    assert (len(found), faults(counts)) == (2, {})


def test_without_a_stream_in_the_sheet_the_first_one_heard_is_used() -> None:
    found, counts = decoded(layout(), [packed(stream=3), packed(stream=4), packed(stream=3)])
    assert ([one.stream for one in found], faults(counts)) == ([3, 3], {"other_streams": 1})


def test_a_rate_that_the_sheet_does_not_expect_is_refused() -> None:
    assert faults(decoded(layout(rate_hz=500.0), [packed()])[1]) == {}
    _, counts = decoded(layout(rate_hz=1000.0), [packed()])
    assert faults(counts) == {"bad_headers": 1}
    assert "1000" in counts.notes["bad_headers"]


# ---------------------------------------------------------------- the maker


@pytest.mark.parametrize("roles", [(), ("damper_FL", "damper_FL"), ("damper_XX",)])
def test_roles_that_no_link_has_are_a_bug_of_the_caller(roles: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="roles"):
        make_encoder(layout(), roles, RATE_HZ)


@pytest.mark.parametrize("name", LAYOUTS)
def test_notes_say_why_and_stay_few(name: str) -> None:
    link: LinkLayout = layout(name)
    _, counts = decoded(link, [bytes([byte]) * 40 + b"\0\n" for byte in range(256)])
    assert len(counts.notes) <= 4
    assert all(note.isprintable() and len(note) <= 120 for note in counts.notes.values())
