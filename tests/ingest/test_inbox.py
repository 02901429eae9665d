"""The queue between a link and the chain: order, bound, and the break that stands for what was dropped."""

from __future__ import annotations

from ingest.framing import make_decoder
from ingest.inbox import Inbox, Received
from ingest.link_block import LinkCounts
from ingest.sheet_link import DAMPER_ROLES, LinkLayout, SerialPort

ENTRY = 256


def test_payloads_come_out_in_order_and_once() -> None:
    inbox = Inbox()
    for number in range(5):
        inbox.put(Received(bytes([number]), number, 0))
    assert [one.payload for one in inbox.take(0.0)] == [bytes([number]) for number in range(5)]
    assert inbox.take(0.0) == []
    assert inbox.dropped == 0


def test_too_much_drops_the_oldest_and_leaves_a_break_in_its_place() -> None:
    inbox = Inbox(most_bytes=3 * (ENTRY + 10))
    for number in range(10):
        inbox.put(Received(bytes([number]) * 10, number, 0))
    assert [one.payload[:1] for one in inbox.take(0.0)] == [b"", b"\x07", b"\x08", b"\x09"]
    assert inbox.dropped == 7
    inbox.put(Received(b"next", 11, 0))
    assert [one.payload for one in inbox.take(0.0)] == [b"next"]


def test_tiny_payloads_are_bounded_too() -> None:
    inbox = Inbox(most_bytes=100 * ENTRY)
    for number in range(10_000):
        inbox.put(Received(b"x", number, 0))
    assert len(inbox.take(0.0)) <= 101


def test_half_a_line_before_the_hole_is_not_joined_to_half_a_line_after_it() -> None:
    fields = ["counter", *DAMPER_ROLES]
    layout = LinkLayout(serial=SerialPort(port="x"), format="text", fields=fields, rate_hz=500.0)
    decoder = make_decoder(layout, LinkCounts())
    inbox = Inbox(most_bytes=ENTRY + 40)
    blocks = decoder.feed(b"999,1,2,3,4\n1000,11,12,13,14\n1001,12,1")
    for payload in (b"3,14,15,40\n1002,1", b"2,13,14,15\n1003,12,", b"99,14,15,40\n1004,16,17,18,19\n1005,1,1,1,1\n"):
        inbox.put(Received(payload, 0, 0))
    assert inbox.dropped == 2
    for received in inbox.take(0.0):
        if received.payload:
            blocks += decoder.feed(received.payload)
        else:
            decoder.reset()
    sent = {1000: (11, 12, 13, 14), 1004: (16, 17, 18, 19), 1005: (1, 1, 1, 1)}
    for block in blocks:
        for place, row in enumerate(block.values.tolist()):
            assert sent[block.counter + place] == tuple(row)
    assert blocks


# ---------------------------------------------------------------- beside other cars


def test_some_is_the_oldest_up_to_a_size_and_at_least_one() -> None:
    inbox = Inbox()
    for number in range(5):
        inbox.put(Received(bytes([number]) * 10, number, 0))
    assert [one.payload[0] for one in inbox.take_some(25)] == [0, 1, 2]
    assert inbox.waiting
    assert [one.payload[0] for one in inbox.take_some(1)] == [3]
    assert [one.payload[0] for one in inbox.take_some(1000)] == [4]
    assert not inbox.waiting
    assert inbox.take_some(1000) == []


def test_what_was_taken_no_longer_counts_against_the_bound() -> None:
    inbox = Inbox(most_bytes=2 * (ENTRY + 10))
    for number in range(100):
        inbox.put(Received(b"x" * 10, number, 0))
        assert len(inbox.take_some(1)) == 1
    assert inbox.dropped == 0


def test_what_has_waited_too_long_goes_down_to_a_share_and_leaves_one_break() -> None:
    inbox = Inbox(longest_wait_s=1.0, kept_share=0.5)
    for tenth in range(12):
        inbox.put(Received(bytes([tenth]), tenth * 100_000_000, 0))
    # The twelfth is 1.1 s younger than the first: the last half second stays.
    assert inbox.dropped == 6
    assert [one.payload for one in inbox.take_some(1000)] == [b"", *(bytes([tenth]) for tenth in range(6, 12))]


def test_size_goes_down_to_a_share_too() -> None:
    inbox = Inbox(most_bytes=10 * (ENTRY + 1), kept_share=0.5)
    for number in range(11):
        inbox.put(Received(bytes([number]), number, 0))
    assert inbox.dropped == 6
    assert [one.payload for one in inbox.take_some(1000)] == [b"", *(bytes([number]) for number in range(6, 11))]


def test_the_newest_stays_however_long_it_is() -> None:
    inbox = Inbox(most_bytes=10, longest_wait_s=0.0, kept_share=0.5)
    inbox.put(Received(b"a" * 100, 0, 0))
    inbox.put(Received(b"b" * 100, 10, 0))
    assert [one.payload[:1] for one in inbox.take_some(1)] == [b"", b"b"]
