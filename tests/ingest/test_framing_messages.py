"""JSON and CBOR messages that are not what they should be: refused and counted, whatever they hold."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import cbor2
import numpy as np
import pytest

from ingest.frame_cbor import plain_map
from ingest.link_block import LinkCounts
from ingest.sheet_link import DAMPER_ROLES
from tests.ingest.frames import as_told, block, decoded, encoded, layout

FORMATS: dict[str, Callable[[Any], bytes]] = {"json": lambda message: json.dumps(message).encode(), "cbor": cbor2.dumps}


def message(**changes: Any) -> dict[str, Any]:
    """A message that is taken, with some keys changed; one given as ... is left out."""
    keys: dict[str, Any] = {
        "v": 1,
        "stream": 0,
        "counter": 7,
        "time_us": 12,
        "rate_hz": 500,
        "channels": list(DAMPER_ROLES),
        "samples": [[1, 2.5, None, -4], [5, 6, 7, 8]],
    }
    return {key: value for key, value in (keys | changes).items() if value is not ...}


def verdict(name: str, payload: bytes, **keys: Any) -> dict[str, int]:
    """What one payload is counted as."""
    counts = decoded(layout(name, **keys), [payload])[1]
    return {key: value for key, value in counts.numbers().items() if value and key not in {"bytes", "samples"}}


@pytest.mark.parametrize("name", FORMATS)
def test_a_message_is_taken_as_it_stands(name: str) -> None:
    found, counts = decoded(layout(name), [FORMATS[name](message())])
    one = found[0]
    assert (one.counter, one.rate_hz, one.stream, one.device_time_us, one.wraps_at) == (7, 500.0, 0, 12, None)
    assert one.roles == DAMPER_ROLES
    np.testing.assert_array_equal(one.values, [[1, 2.5, math.nan, -4], [5, 6, 7, 8]])
    assert (counts.frames, counts.samples) == (1, 2)


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize(
    "changes",
    [
        {"stream": ...},
        {"time_us": ...},
        {"time_us": None},
        {"time_us": 0},
        {"note": "tank full", "more": [{"a": True}]},
        {"rate_hz": 333.25},
        {"samples": [[0.1, 1e300, -0.0, 2**60]]},
    ],
)
def test_what_may_vary(name: str, changes: dict[str, Any]) -> None:
    assert verdict(name, FORMATS[name](message(**changes))) == {"frames": 1}


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize(
    "changes",
    [
        {"v": 2},
        {"v": True},
        {"v": 1.0},
        {"v": "1"},
        {"v": ...},
        {"stream": 256},
        {"stream": -1},
        {"stream": None},
        {"stream": "0"},
        {"counter": -1},
        {"counter": 1.0},
        {"counter": True},
        {"counter": "7"},
        {"counter": None},
        {"counter": ...},
        {"counter": 2**53},
        {"counter": 2**63},
        {"time_us": -1},
        {"time_us": 1.5},
        {"time_us": "now"},
        {"rate_hz": 0},
        {"rate_hz": -500},
        {"rate_hz": 19.9},
        {"rate_hz": 20_001},
        {"rate_hz": True},
        {"rate_hz": "500"},
        {"rate_hz": None},
        {"rate_hz": 2**60},
        {"rate_hz": [500]},
        {"channels": ...},
        {"channels": []},
        {"channels": "damper_FL"},
        {"channels": [*DAMPER_ROLES[:3], "damper_XX"]},
        {"channels": [*DAMPER_ROLES[:3], "damper_FL"]},
        {"channels": [*DAMPER_ROLES[:3], 4]},
        {"channels": [*DAMPER_ROLES[:3], ["damper_RR"]]},
        {"channels": [*DAMPER_ROLES, *["speed"] * 1000]},
        {"channels": {"damper_FL": 0}},
        {"samples": ...},
        {"samples": []},
        {"samples": {}},
        {"samples": "1234"},
        {"samples": None},
        {"samples": [[0, 0, 0, 0]] * 4097},
    ],
)
def test_a_wrong_header_is_counted_as_such(name: str, changes: dict[str, Any]) -> None:
    assert verdict(name, FORMATS[name](message(**changes))) == {"bad_headers": 1}


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize(
    "samples",
    [
        [[1, 2, 3]],
        [[1, 2, 3, 4, 5]],
        [[1, 2, 3, 4], [1, 2, 3]],
        [1, 2, 3, 4],
        ["1234"],
        [[1, 2, 3, "4"]],
        [[1, 2, 3, True]],
        [[1, 2, 3, [4]]],
        [[1, 2, 3, {}]],
        [{"a": 1, "b": 2, "c": 3, "d": 4}],
        [None],
        [[1, 2, 3, math.nan]],
        [[1, 2, 3, math.inf]],
        [[1, 2, 3, -math.inf]],
    ],
)
def test_wrong_samples_are_counted_as_such(name: str, samples: list[Any]) -> None:
    assert verdict(name, FORMATS[name](message(samples=samples))) == {"bad_frames": 1}


@pytest.mark.parametrize("number", ["1" * 400, "-" + "9" * 4000, "1" * 100_000, "1e999", "NaN", "Infinity", "01", "1."])
def test_numbers_that_no_double_holds(number: str) -> None:
    text = json.dumps(message(samples=[[1, 2, 3, 0.125]])).replace("0.125", number)
    assert verdict("json", text.encode(), longest_frame=1_000_000) == {"bad_frames": 1}
    header = json.dumps(message(rate_hz=0.125)).replace("0.125", number)
    assert sum(verdict("json", header.encode(), longest_frame=1_000_000).values()) == 1


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"null",
        b"[]",
        b"1",
        b"{",
        b"{}{}",
        b"[" * 60_000,
        b'{"a":' * 10_000 + b"1" + b"}" * 10_000,
        b'{"v":1,"v":1}',
        b"\xff\xfe{\0}\0",
        b'\xef\xbb\xbf{"v":1}',
        b'{"v":"\xff"}',
        b"\0",
    ],
)
def test_texts_that_are_no_message(payload: bytes) -> None:
    assert verdict("json", payload) == {"bad_frames": 1}


@pytest.mark.parametrize("name", ["json", "cbor"])
def test_a_key_that_stands_twice_is_no_message(name: str) -> None:
    payload = FORMATS[name](message())
    if name == "json":
        payload = payload[:-1] + b',"counter":8}'
    else:
        payload = bytes([payload[0] + 1]) + payload[1:] + cbor2.dumps("counter") + cbor2.dumps(8)
    assert verdict(name, payload) == {"bad_frames": 1}


@pytest.mark.parametrize(
    "content",
    [
        "",
        "a0 00",  # something behind the map
        "80",  # a list
        "9bffffffffffffffff",  # a list of 2**64 - 1 items
        "a1 6161 9bffffffffffffffff",
        "bbffffffffffffffff",
        "a1 6161 7bffffffffffffffff",  # a text as long as everything
        "a1 6161 5b00000000ffffffff",  # bytes
        "a1 6161 c249ffffffffffffffffff",  # a number of any size
        "a1 6161 c4821b0fffffffffffffff01",  # a decimal fraction with a large exponent
        "a1 6161 c5821b00000000ffffffff01",
        "a1 6161 d81c81d81d00",  # a list that holds itself
        "a1 6161 d82363282b29",  # a pattern
        "a1 6161 c000",  # a date
        "a1 6161 f7",  # undefined
        "a1 6161 f0",
        "a1 6161 f800",
        "a1 6161 f818",
        "a1 6161 fc",
        "a1 6161 1c",
        "a1 6161 ff",
        "a1 6161 7f6161ff",  # a text in pieces
        "a1 01 01",  # a key that is no text
        "a1 80 01",
        "bf 6161 ff",  # a key without a value
        "bf 6161 01",  # no break
        "a1 61ff 01",  # a key that is not UTF-8
        "a2 6161 01 6161 02",
        "81" * 2000,
        "a16161" * 2000,
        "bf6161" * 2000,
        "a1 6161 f97e00 00",
    ],
)
def test_items_that_are_no_message(content: str) -> None:
    assert verdict("cbor", bytes.fromhex(content)) == {"bad_frames": 1}


def test_lists_and_maps_without_a_length_are_taken() -> None:
    ended = cbor2.dumps(message())
    samples = b"\x9f" + b"".join(b"\x9f" + b"".join(map(cbor2.dumps, row)) + b"\xff" for row in message()["samples"])
    keys = b"".join(cbor2.dumps(key) + cbor2.dumps(value) for key, value in message().items() if key != "samples")
    endless = b"\xbf" + keys + cbor2.dumps("samples") + samples + b"\xff\xff"
    assert as_told(decoded(layout("cbor"), [endless])[0]) == as_told(decoded(layout("cbor"), [ended])[0])


def test_floats_of_every_length_are_taken() -> None:
    samples = bytes.fromhex("81 84 f93e00 fa47c35000 fb3ff199999999999a f6")  # RFC 8949, appendix A
    payload = cbor2.dumps(message(samples=0))[:-1] + samples
    found, _ = decoded(layout("cbor"), [payload])
    np.testing.assert_array_equal(found[0].values, [[1.5, 100_000.0, 1.1, math.nan]])


@pytest.mark.parametrize("name", FORMATS)
def test_every_message_cut_short_is_refused(name: str) -> None:
    payload = encoded(layout(name), [block(3, 2)])[0]
    for length in range(len(payload)):
        found, counts = decoded(layout(name), [payload[:length], payload])
        assert len(found) == 1
        assert counts.refused == 1


def test_what_is_looked_over_is_as_cbor2_reads_it() -> None:
    for size in (0, 1, 23, 24, 255, 256, 70_000):
        assert plain_map(cbor2.dumps({str(number): [number] for number in range(size)})) == size


@pytest.mark.parametrize("name", FORMATS)
def test_other_streams_are_told_from_the_wanted_one(name: str) -> None:
    sent = [FORMATS[name](message(stream=stream)) for stream in (2, 1, 2)]
    found, counts = decoded(layout(name, stream=1), sent)
    assert ([one.stream for one in found], counts.other_streams) == ([1], 2)


def test_hostile_words_reach_no_note_as_they_are() -> None:
    counts: LinkCounts = decoded(layout("json"), [b"\x1b[2J" * 1000, b'{"\x1b[2J": NaN}'])[1]
    assert all(note.isprintable() and len(note) <= 120 for note in counts.notes.values())
