"""Bytes to samples and back, for every format that a link may have. No input or output.

In: bytes as they arrive, in any pieces (or whole messages over MQTT). Out: `SampleBlock`s; what can't be used is
counted by kind in `LinkCounts`. Decoders never raise on any input, hold no more than one frame, and find back after
damage at the next delimiter, sync bytes or message. The formats: `frame_packed`, `frame_text`, `frame_record`,
`frame_message`; docs/wiring.md shows each byte by byte.
"""

from __future__ import annotations

from typing import Protocol

from ingest.frame_message import MessageDecoder, MessageEncoder
from ingest.frame_packed import PackedDecoder, PackedEncoder
from ingest.frame_record import RecordDecoder, RecordEncoder
from ingest.frame_text import TextDecoder, TextEncoder
from ingest.link_block import Decoder, LinkCounts, SampleBlock
from ingest.sheet_link import LINK_ROLES, LinkLayout


class Encoder(Protocol):
    """Turns blocks into the bytes that a device would send, for rehearsals and tests."""

    def encode(self, block: SampleBlock) -> bytes:
        """Return frames, lines or records for a stream, or the payload of one message.

        Raises `FrameError` for what the format can't carry.
        """
        ...


def make_decoder(layout: LinkLayout, counts: LinkCounts) -> Decoder:
    """Return the decoder for a link's format.

    Parameters
    ----------
    layout : LinkLayout
        The sheet's `link`.
    counts : LinkCounts
        All that comes is counted here.
    """
    if layout.format == "packed":
        return PackedDecoder(layout, counts)
    if layout.format == "text":
        return TextDecoder(layout, counts)
    if layout.format == "record":
        return RecordDecoder(layout, counts)
    return MessageDecoder(layout, counts)


def make_encoder(layout: LinkLayout, roles: tuple[str, ...], rate_hz: float) -> Encoder:
    """Return the encoder for a link's format.

    Parameters
    ----------
    layout : LinkLayout
        The sheet's `link`.
    roles : tuple of str
        What the columns of the blocks will be; of `LINK_ROLES`, each at most once.
    rate_hz : float
        Sample rate that the frames name. Text and records do not name one.
    """
    if not roles or len(set(roles)) != len(roles) or not set(roles) <= set(LINK_ROLES):
        raise ValueError(f"roles must be known ones, each once: {roles}")
    if layout.format == "packed":
        return PackedEncoder(layout, roles, rate_hz)
    if layout.format == "text":
        return TextEncoder(layout, roles)
    if layout.format == "record":
        return RecordEncoder(layout, roles)
    return MessageEncoder(layout, roles, rate_hz)
