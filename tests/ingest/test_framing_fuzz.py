"""Some millions of bytes of damaged streams: all are accepted or counted, and what is accepted was sent.

Seeded, so that a run can be repeated. A 16-bit checksum lets one damaged frame in 65 536 pass; with these seeds none
does.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from ingest.framing import make_decoder
from ingest.link_block import LinkCounts
from tests.ingest.frames import LAYOUTS, PROTECTED, blocks, encoded, layout, wrong_samples

BYTES = 300_000
FRAMES = 200


def damaged(stream: bytes, chance: random.Random) -> bytes:
    """A stream with about one fault in 400 bytes: flipped, lost, doubled, inserted or zeroed."""
    whole = bytearray(stream)
    for _ in range(max(1, len(whole) // 400)):
        place = chance.randrange(len(whole))
        match chance.randrange(6):
            case 0:
                whole[place] ^= 1 << chance.randrange(8)
            case 1:
                del whole[place : place + chance.choice((1, 1, 2, 30, 300))]
            case 2:
                whole[place:place] = chance.randbytes(chance.choice((1, 1, 2, 30, 300)))
            case 3:
                whole[place : place + 3] = chance.choice((b"\0\0\0", b"\n", b",,,", b"\xff\xff\xff", b"\xa5\x5a"))
            case 4:
                whole[place:place] = whole[max(0, place - 200) : place]
            case _:
                whole[place] = chance.randrange(256)
    return bytes(whole)


def pieces(stream: bytes, chance: random.Random) -> Iterator[bytes]:
    """The stream in pieces as a port would give them."""
    start = 0
    while start < len(stream):
        stop = start + chance.choice((1, 3, 64, 500, 4096))
        yield stream[start:stop]
        start = stop


@pytest.mark.parametrize("name", LAYOUTS)
def test_damaged_streams_are_accepted_or_counted(name: str) -> None:
    chance = random.Random(f"damperwatch {name}")
    link = layout(name, longest_frame=2000)
    good = encoded(link, blocks(FRAMES))
    messages = link.mqtt is not None
    sent = accepted = wrong = 0
    counts = LinkCounts()
    decoder = make_decoder(link, counts)
    while sent < BYTES:
        if messages:
            stream = [damaged(one, chance) if chance.random() < 0.3 else one for one in good]
        else:
            stream = list(pieces(damaged(b"".join(good), chance), chance))
        for piece in stream:
            found = decoder.feed(piece)
            accepted += sum(len(one.values) for one in found)
            wrong += len(wrong_samples(found))
            sent += len(piece)
    assert counts.bytes == sent
    assert counts.samples == accepted
    assert counts.refused > 20
    assert accepted > 0.3 * counts.frames
    if name in PROTECTED:
        assert wrong == 0


@pytest.mark.parametrize("name", LAYOUTS)
def test_noise_is_never_accepted_nor_fatal(name: str) -> None:
    chance = random.Random(f"noise {name}")
    counts = LinkCounts()
    decoder = make_decoder(layout(name, longest_frame=200), counts)
    alphabet = b'0123456789,.-\n\0\xa5\x5a{}[]":' * 3 + bytes(range(256))
    for _ in range(300):
        found = decoder.feed(bytes(chance.choices(alphabet, k=300)))
        if name in PROTECTED:
            assert found == []
    refused = counts.refused + counts.garbage_bytes
    assert refused > 0
