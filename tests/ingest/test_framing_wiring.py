"""docs/wiring.md against the decoders: every frame in it decodes to what it says, every sheet snippet is valid."""

from __future__ import annotations

import math
import re
import shutil
import struct
import subprocess
import tomllib
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs  # type: ignore[import-untyped]

from ingest.frame_packed import checksum
from ingest.link_block import LinkCounts
from ingest.sheet_link import DAMPER_ROLES, LINK_ROLES, LinkLayout
from tests.ingest.frames import decoded, layout

DOCUMENT = (Path(__file__).parent.parent.parent / "docs" / "wiring.md").read_text(encoding="utf-8")
COUNTS = [[2048, 2051, 1990, 1987, 3600], [2050, 2049, 1991, 1986, 3601]]
LENGTHS = [[12.5, -3.25, 0.75, 8], [12.75, math.nan, 0.5, 8]]
WRITTEN = {
    "packed": ((*DAMPER_ROLES, "speed"), COUNTS),
    "text": ((*DAMPER_ROLES, "speed"), [[*LENGTHS[0], 41.6]]),
    "record": (DAMPER_ROLES, [COUNTS[0][:4]]),
    "json": (DAMPER_ROLES, LENGTHS),
    "cbor": (DAMPER_ROLES, LENGTHS),
}


def written(language: str) -> list[str]:
    """The code blocks with this heading, indented ones too."""
    blocks = re.findall(rf"^( *)```{language}\n(.*?)^ *```", DOCUMENT, re.DOTALL | re.MULTILINE)
    return [re.sub(rf"^{indent}", "", text, flags=re.MULTILINE) for indent, text in blocks]


def link_of(name: str) -> LinkLayout:
    """The layout that the document gives with a format."""
    if name == "packed":
        return layout()
    (text,) = written(f"toml {name}")
    return LinkLayout.model_validate(tomllib.loads(text)["link"])


def frame_of(name: str) -> bytes:
    (text,) = written(f"hex {name}")
    return bytes.fromhex(text)


@pytest.mark.parametrize("name", WRITTEN)
def test_the_frame_decodes_to_what_is_said(name: str) -> None:
    (one,), counts = decoded(link_of(name), [frame_of(name)])
    roles, values = WRITTEN[name]
    assert (one.counter, one.rate_hz, one.roles, counts.refused) == (1000, 500.0, roles, 0)
    np.testing.assert_array_equal(one.values, values)
    assert one.device_time_us == (None if name in {"text", "record"} else 2_000_000)


@pytest.mark.parametrize("name", ["packed", "text", "record"])
def test_every_damaged_byte_of_the_frame_is_found(name: str) -> None:
    frame = frame_of(name)
    for place in range(len(frame)):
        damaged = frame[:place] + bytes([frame[place] ^ 0x41]) + frame[place + 1 :]
        assert decoded(link_of(name), [damaged])[1].samples == 0


@pytest.mark.parametrize(("name", "heading"), [("packed", "## packed"), ("record", "## record")])
def test_the_table_holds_the_bytes_of_the_frame(name: str, heading: str) -> None:
    section = DOCUMENT.split(f"\n{heading}\n")[1].split("\n## ")[0]
    cells = re.findall(r"^\|[^|]*\|[^|]*\| `([0-9a-f ]+)` \|", section, re.MULTILINE)
    frame = frame_of(name)
    assert bytes.fromhex("".join(cells)) == (cobs.decode(frame[:-1]) if name == "packed" else frame)
    said = [int(number, 16) for number in re.findall(r"0x([0-9A-F]{4})\b", section.split("```c")[0])]
    body = bytes.fromhex("".join(cells[:-1]))
    assert checksum(body) in said
    assert bytes.fromhex(cells[-1]) == struct.pack("<H", checksum(body))


def test_what_is_shown_as_text_is_what_the_bytes_say() -> None:
    assert f"`{frame_of('text').decode().strip()}`" in DOCUMENT
    assert frame_of("text").endswith(b"\r\n")
    (text,) = written("json")
    assert frame_of("json").decode() == text.strip()


def test_the_channel_set_is_the_one_in_use() -> None:
    bits = dict(re.findall(r"\| (\d+) \| `(\w+)`", DOCUMENT))
    assert [bits[str(bit)] for bit in range(len(LINK_ROLES))] == list(LINK_ROLES)
    assert len(bits) == len(LINK_ROLES)


def test_every_sheet_snippet_is_valid() -> None:
    snippets = written("toml[a-z ]*")
    assert len(snippets) == 6
    for text in snippets:
        LinkLayout.model_validate(tomllib.loads(text)["link"])


def test_every_count_is_explained() -> None:
    table = DOCUMENT.split("## What is counted")[1]
    explained = set(re.findall(r"`([a-z_]+)`", "\n".join(re.findall(r"^\|([^|]*)\|", table, re.MULTILINE))))
    own = {"bytes", "frames", "samples", "dropped_messages"}
    assert explained == set(LinkCounts().numbers()) - own


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_the_c_code_makes_the_same_frames(tmp_path: Path) -> None:
    includes = "#include <stddef.h>\n#include <stdint.h>\n#include <stdio.h>\n"
    main = """
    int main(void) {
        static uint8_t body[4096], out[5000];
        size_t length = fread(body, 1, sizeof body, stdin);
        uint16_t crc = checksum(body, length);
        putchar(crc & 255), putchar(crc >> 8);
        fwrite(out, 1, cobs(body, length, out), stdout);
        return 0;
    }
    """
    source, program = tmp_path / "frame.c", tmp_path / "frame"
    source.write_text(includes + "".join(written("c")) + main)
    subprocess.run(["cc", "-Wall", "-Werror", "-o", program, source], check=True, timeout=60)
    ascending = bytes(range(1, 256))
    bodies = [b"", b"\0", b"\0\0", b"123456789", ascending[:254], ascending, ascending * 3, b"\0" + ascending + b"\0\0"]
    for body in [*bodies, ascending[:253] + b"\0", ascending[:254] + b"\0", ascending[:254] + b"\0\1", bytes(600)]:
        made = subprocess.run([program], input=body, capture_output=True, check=True, timeout=60).stdout
        assert made[:2] == struct.pack("<H", checksum(body))
        assert cobs.decode(made[2:-1]) == body
        assert made[-1:] == b"\0"
        assert b"\0" not in made[2:-1]
