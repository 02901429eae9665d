"""A recorder that is killed at any instant has lost nothing that it had acknowledged."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.recording_reader import open_recording
from tests.ingest.recordings import all_payloads, numbered

ROOT = Path(__file__).parents[2]
RUNS = 30
# Writes numbered blocks as fast as it can, 150 to a file, and says which one is written after each.
WRITER = """
import sys
from pathlib import Path
from ingest.inbox import Received
from ingest.recording import Clock, Recorder

now_ns = 0
clock = Clock(lambda: now_ns, lambda: now_ns)
recorder = Recorder(Path(sys.argv[1]), {"car": "x"}, clock, sync_every_s=0.005, new_file_every_s=0.15)
for number in range(20_000):
    now_ns += 1_000_000
    text = b"%08d." % number
    payload = (text * 34)[:300]
    recorder.write(Received(payload, now_ns, now_ns))
    sys.stdout.buffer.write(b"%08d\\n" % number)
    sys.stdout.buffer.flush()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs kill -9")
def test_every_acknowledged_block_outlives_a_kill(tmp_path: Path) -> None:
    generator = random.Random(20)
    closed = 0
    for run in range(RUNS):
        folder = tmp_path / str(run)
        acknowledgements = generator.randrange(1, 1200)
        with subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, cwd=ROOT) as process:
            assert process.stdout is not None
            for _ in range(acknowledgements):
                last = process.stdout.readline()
            process.kill()
            rest = process.stdout.read().splitlines()
        acknowledged = int(rest[-1]) if rest and len(rest[-1]) == 8 else int(last) + max(0, len(rest) - 1)
        assert acknowledged >= acknowledgements - 1
        found = all_payloads(folder)
        assert found == [numbered(n) for n in range(len(found))]
        assert len(found) >= acknowledged + 1
        for path in folder.iterdir():
            if not path.stat().st_size:  # killed between making a file and writing its header
                continue
            with open_recording(path) as recording:
                list(recording)
                assert not recording.damage.bad_places
                assert not recording.damage.missing_blocks
                closed += recording.closed
    assert closed > RUNS  # kills fell on runs of several files, too
