"""`kill -9` in every state: the file tells exactly the last step that was said, or the one that was under way."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
KILLS, MOST = 120, 400  # every state is hit within the first thirty or so; a longer run is a benchmark


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and kill -9")
def test_killed_in_every_state_nothing_is_lost_and_nothing_invented(tmp_path: Path) -> None:
    # In a process of its own: one that has threads, as that of the tests may, must not fork.
    command = [sys.executable, "-m", "benchmarks.journal_soak", f"--kills={KILLS}", f"--most={MOST}", "--seed=7"]
    done = subprocess.run(
        [*command, f"--directory={tmp_path}"], cwd=ROOT, capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr
    account = json.loads(done.stdout)
    assert account["missing"] == []
    assert account["kills"] >= KILLS
    # Kills before the first word and between a line on the disk and the word about it.
    assert account["opening"] > 0
    assert account["steps"] > KILLS
