"""Short blocks wait to be counted together; whoever asks meanwhile sees everything up to the newest sample."""

from __future__ import annotations

import numpy as np
import pytest

from dsp import pipeline as module
from dsp.pipeline import Pipeline
from ingest.chunk import Floats
from tests.dsp.helpers import cut, run, smooth_noise, stream
from tests.sheets import make_sheet

RATE_HZ = 500.0
CAR = make_sheet()
ROWS = 3000


def driven(rows: int, seed: int) -> Floats:
    return 7.0 * smooth_noise(rows, RATE_HZ, 12.0, seed)


def line_at(row: int, rows: int) -> Floats:
    return (np.arange(rows) >= row).astype(float)


def test_what_waited_is_counted_as_if_it_had_come_at_once() -> None:
    chunks = stream(driven(ROWS, 6), RATE_HZ, lap_number=line_at(1500, ROWS), gaps={700: 5, 2100: -1})
    assert run(CAR, cut(chunks, range(0, ROWS, 7))).exact() == run(CAR, chunks).exact()


def test_asking_at_any_time_shows_every_sample_and_changes_nothing() -> None:
    chunks = stream(driven(ROWS, 6), RATE_HZ, lap_number=line_at(1500, ROWS))
    asked, left_alone = (Pipeline(CAR, RATE_HZ, ("lap_number",)) for _ in range(2))
    trails = asked.filter.half_width + asked.car.stride
    fed = 0
    for piece in cut(chunks, range(0, ROWS, 7)):
        asked.process(piece)
        left_alone.process(piece)
        fed += len(piece)
        assert asked.so_far().received == max(0, fed - trails)
        if fed <= RATE_HZ:  # less than the rolling picture holds
            assert asked.rolling().tolist() == asked.so_far().tally.velocity.tolist()
    for one in (asked, left_alone):
        one.finish()
    assert asked.stint.tally.velocity.tolist() == left_alone.stint.tally.velocity.tolist()
    assert asked.stint.heights.counts.tolist() == left_alone.stint.heights.counts.tolist()


def test_what_waits_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    counted: list[int] = []
    really = Pipeline._count_run

    def noting(self: Pipeline, run: module._Run, start: int, stop: int) -> None:
        counted.append(stop - start)
        really(self, run, start, stop)

    monkeypatch.setattr(Pipeline, "_count_run", noting)
    pipeline = Pipeline(CAR, RATE_HZ, ())
    for piece in cut(stream(driven(ROWS, 6), RATE_HZ), range(0, ROWS, 7)):
        pipeline.process(piece)
    longest = round(module._WAITS_UP_TO_S * RATE_HZ)
    assert counted
    assert longest <= max(counted) < longest + 7
    assert np.sum(counted) <= ROWS
