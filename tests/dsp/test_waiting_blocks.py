"""Short blocks wait to be counted together; whoever asks meanwhile sees everything up to the newest sample."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from dsp import counting as module
from dsp.counting import Counting, Run
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
            assert asked.counting.rolling().tolist() == asked.so_far().tally.velocity.tolist()
    for one in (asked, left_alone):
        one.finish()
    assert asked.stint.tally.velocity.tolist() == left_alone.stint.tally.velocity.tolist()
    assert asked.stint.heights.counts.tolist() == left_alone.stint.heights.counts.tolist()


def test_what_waits_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    counted: list[int] = []
    really = Counting._count_samples

    def noting(self: Counting, run: Run, start: int, stop: int) -> None:
        counted.append(stop - start)
        really(self, run, start, stop)

    monkeypatch.setattr(Counting, "_count_samples", noting)
    pipeline = Pipeline(CAR, RATE_HZ, ())
    for piece in cut(stream(driven(ROWS, 6), RATE_HZ), range(0, ROWS, 7)):
        pipeline.process(piece)
    longest = round(module._WAITS_UP_TO_S * RATE_HZ)
    assert counted
    assert longest <= max(counted) < longest + 7
    assert np.sum(counted) <= ROWS


@pytest.mark.parametrize("later", [0, 7, 14, 21, 28, 35])
def test_a_lap_that_ends_while_its_beginning_is_being_counted_has_all_of_it(later: int) -> None:
    """What has waited is counted in turns, a turn a block; a lap's end, or who asks, has to wait for none of them."""
    begins = round(module._WAITS_UP_TO_S * RATE_HZ) + 14 + later
    chunks = stream(driven(ROWS, 6), RATE_HZ, lap_number=line_at(begins, ROWS))
    piecemeal, whole = run(CAR, cut(chunks, range(0, ROWS, 7))), run(CAR, chunks)
    assert [lap.share.received for lap in piecemeal.laps] == [begins, ROWS - begins]
    assert piecemeal.exact() == whole.exact()


def test_a_long_block_behind_short_ones_is_counted_behind_them() -> None:
    chunks = stream(driven(ROWS, 6), RATE_HZ, speed=np.linspace(20.0, 60.0, ROWS))
    some = cut(chunks, [7, 14, 500, 503, 506, 1900, 1901])
    assert run(CAR, some).exact() == run(CAR, chunks).exact()


def test_what_has_waited_is_counted_in_turns_of_several_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise a block in a hundred would take ten times as long as the others."""
    turns: list[int] = []
    pipeline = Pipeline(CAR, RATE_HZ, ())
    for name in ("_watch", "_run", "_count_rows", "_count_samples"):
        really = getattr(pipeline.counting, name)

        def noting(*given: object, really: Callable[..., object] = really) -> object:
            turns.append(blocks)
            return really(*given)

        monkeypatch.setattr(pipeline.counting, name, noting)
    for blocks, piece in enumerate(cut(stream(driven(ROWS, 6), RATE_HZ), range(0, 1200, 7))):  # noqa: B007
        if len(piece) < 100:
            pipeline.process(piece)
    assert len(turns) == 4
    assert [turn - turns[0] for turn in turns] == [0, 1, 2, 3]
