"""Published values of the codes that frames are made of: COBS, CRC-16/IBM-3740 and CBOR.

COBS: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999; the IP
header is that paper's example (from memory). The other COBS pairs were computed independently. CRC: "Catalogue of
parametrised CRC algorithms", entries CRC-16/IBM-3740 and CRC-16/XMODEM. CBOR: RFC 8949, appendix A.
"""

from __future__ import annotations

import math
import struct

import cbor2
import numpy as np
import pytest
from cobs import cobs  # type: ignore[import-untyped]

from ingest.frame_cbor import plain_map
from ingest.frame_packed import checksum, decoded
from ingest.frame_split import Splitter
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import DAMPER_ROLES
from tests.ingest import frames

ASCENDING = bytes(range(1, 256))
COBS_PAIRS = [
    (b"", "01"),
    (b"\0", "0101"),
    (b"\0\0", "010101"),
    (bytes.fromhex("001100"), "01021101"),
    (bytes.fromhex("11220033"), "0311220233"),
    (bytes.fromhex("11000000"), "0211010101"),
    (bytes.fromhex("dead00beef"), "03dead03beef"),
    (bytes.fromhex("4500002c4c79000040064f37"), "024501042c4c79010540064f37"),
    (ASCENDING[:254], "ff" + ASCENDING[:254].hex()),
    (b"\0" + ASCENDING[:254], "01ff" + ASCENDING[:254].hex()),
    (ASCENDING, "ff" + ASCENDING[:254].hex() + "02ff"),
    (ASCENDING[1:] + b"\0", "ff" + ASCENDING[1:].hex() + "0101"),
    (ASCENDING[2:] + b"\0\1", "fe" + ASCENDING[2:].hex() + "0201"),
]


@pytest.mark.parametrize(("data", "code"), COBS_PAIRS)
def test_cobs(data: bytes, code: str) -> None:
    assert cobs.encode(data) == bytes.fromhex(code)
    assert cobs.decode(bytes.fromhex(code)) == data
    stream = bytes.fromhex(code) + b"\0"
    for size in (1, 3, len(stream)):
        splitter = Splitter(b"\0", 300, LinkCounts())
        found = [frame for at in range(0, len(stream), size) for frame in splitter.feed(stream[at : at + size])]
        assert [cobs.decode(frame) for frame in found] == [data]


@pytest.mark.parametrize("code", ["00", "0311", "ff01", "02", "05112200", "031100"])
def test_what_is_no_cobs_is_refused(code: str) -> None:
    # The paper: a zero inside, or a length that runs past the end, is no valid encoding.
    with pytest.raises(cobs.DecodeError):
        cobs.decode(bytes.fromhex(code))
    refused = decoded(bytes.fromhex(code))
    assert not isinstance(refused, SampleBlock)
    assert refused.kind == "bad_frames"


@pytest.mark.parametrize(("data", "check"), [(b"123456789", 0x29B1), (b"", 0xFFFF)])
def test_crc_16_ibm_3740(data: bytes, check: int) -> None:
    assert checksum(data) == check


def test_the_crc_is_not_the_one_that_starts_at_0() -> None:
    # CRC-16/XMODEM differs from CRC-16/IBM-3740 in its start alone; its check value is 0x31C3.
    assert checksum(b"123456789") != 0x31C3


def test_a_frame_carries_the_checksum_little_endian() -> None:
    body = struct.pack("<BBIQIHBH4h", 1, 0, 5, 0, 500_000, 0b1111, 1, 1, 1, 2, 3, 4)
    little = decoded(cobs.encode(body + struct.pack("<H", checksum(body))))
    big = decoded(cobs.encode(body + struct.pack(">H", checksum(body))))
    assert isinstance(little, SampleBlock)
    assert not isinstance(big, SampleBlock)


@pytest.mark.parametrize(
    ("value", "code"),
    [
        (0, "00"),
        (23, "17"),
        (24, "1818"),
        (1000, "1903e8"),
        (1_000_000, "1a000f4240"),
        (-1, "20"),
        (1.1, "fb3ff199999999999a"),
        (1.5, "f93e00"),
        (100_000.0, "fa47c35000"),
        (None, "f6"),
    ],
)
def test_cbor_numbers_reach_a_sample(value: float | None, code: str) -> None:
    head = {"v": 1, "counter": 7, "rate_hz": 500, "channels": list(DAMPER_ROLES), "samples": 0}
    payload = cbor2.dumps(head)[:-1] + bytes.fromhex("8184" + code * 4)
    (one,), _ = frames.decoded(frames.layout("cbor"), [payload])
    np.testing.assert_array_equal(one.values, [[math.nan if value is None else value] * 4])


@pytest.mark.parametrize("code", ["f97c00", "f97e00", "f5", "6161", "f7", "c11a514b67b0", "f90000ff"])
def test_cbor_that_is_no_number_does_not(code: str) -> None:
    # Infinity, NaN, true, "a", undefined, tag 1 (a date), and a break behind a number.
    head = {"v": 1, "counter": 7, "rate_hz": 500, "channels": list(DAMPER_ROLES), "samples": 0}
    payload = cbor2.dumps(head)[:-1] + bytes.fromhex("8184" + code * 4)
    assert frames.decoded(frames.layout("cbor"), [payload])[1].bad_frames == 1


@pytest.mark.parametrize(
    ("code", "pairs"),
    [("a0", 0), ("a201020304", None), ("a26161016162820203", 2), ("bf61610161629f0203ffff", 2), ("83010203", None)],
)
def test_cbor_maps(code: str, pairs: int | None) -> None:
    if pairs is None:
        with pytest.raises(ValueError, match=r"no map|no text"):
            plain_map(bytes.fromhex(code))
    else:
        assert plain_map(bytes.fromhex(code)) == pairs == len(cbor2.loads(bytes.fromhex(code)))
