"""A long run over a bad link: `python -m benchmarks.link_soak`.

Makes a 1 kHz stream as long as asked (an hour by default), spoils its frames with a seed (dropped, damaged, doubled,
swapped, and the cable pulled now and then), and gives what is left to the decoder, the assembler and the whole chain
as fast as it goes. Prints what was done, what was found, whether every sample is accounted for, and the memory after
the first tenth and at the end.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from alerts.monitor import Monitor
from benchmarks.link_latency import FRAME, ROLES, with_link
from benchmarks.replay_speed import RATE_HZ
from console.mischief import Frame, Mischief, Plan
from ingest.assembler import Assembler
from ingest.chunk import Chunk
from ingest.framing import make_decoder, make_encoder
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet_link import LinkLayout, SerialPort


def main() -> None:
    """Run the soak and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    total = int(options.minutes * 60 * RATE_HZ) // FRAME * FRAME
    sheet = with_link(LinkLayout(serial=SerialPort(port="x")))
    assert sheet.link is not None
    encoder = make_encoder(sheet.link, ROLES, RATE_HZ)
    plan = Plan(
        drop=0.002,
        corrupt=0.002,
        duplicate=0.002,
        reorder=0.002,
        pulls=tuple((60.0 * minute + 20.0, 4.0) for minute in range(1, int(options.minutes), 7)),
        seed=options.seed,
    )
    mischief, counts = Mischief(plan), LinkCounts()
    decoder, assembler = make_decoder(sheet.link, counts), Assembler(sheet, counts)
    monitor: Monitor | None = None
    alerts = 0
    random = np.random.default_rng(options.seed)
    memory: list[float] = []
    begun = time.perf_counter()

    def give(chunks: list[Chunk]) -> None:
        nonlocal monitor, alerts
        for chunk in chunks:
            if monitor is None:
                monitor = Monitor(sheet, chunk.rate_hz, assembler.roles or ())
            alerts += len(monitor.process(chunk).transitions)

    for first in range(0, total, FRAME):
        at = (first + np.arange(FRAME)) / RATE_HZ
        travel = 8.0 * np.sin(9.0 * at[:, None] + np.arange(4)) + random.normal(0.0, 0.02, (FRAME, 4))
        values = np.column_stack([np.round((travel + 75.0) / 150.0 * 16383), np.full(FRAME, 50.0), at // 90.0])
        payload = encoder.encode(SampleBlock(first, 2**32, RATE_HZ, ROLES, values))
        for sent in mischief.take(Frame(first, FRAME, first / RATE_HZ, payload)):
            give(assembler.take(decoder.feed(sent.payload)))
        if first % (total // 10 // FRAME * FRAME) == 0 and first:
            memory.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    for sent in mischief.finish():
        give(assembler.take(decoder.feed(sent.payload)))
    give(assembler.finish())
    assert monitor is not None
    monitor.finish()
    stint = monitor.pipeline.so_far()
    took = time.perf_counter() - begun
    speed = options.minutes * 60 / took
    print(f"{options.minutes:g} min at {RATE_HZ:g} Hz in {took:.0f} s ({speed:.0f} times real time)")
    print("done to the frames: ", {k: v for k, v in mischief.account.numbers().items() if v})
    print("found by the chain: ", {k: v for k, v in counts.numbers().items() if v})
    accounted = stint.received + counts.missing_samples
    print(f"sent {total}, used {stint.received} + counted lost {counts.missing_samples} = {accounted}")
    came = stint.received + counts.duplicate_samples + counts.late_samples
    print(f"came {counts.samples}, used + doubled {counts.duplicate_samples} + late {counts.late_samples} = {came}")
    print(f"alert transitions {alerts}; peak memory after each tenth, MB: {', '.join(f'{m:.0f}' for m in memory)}")


if __name__ == "__main__":
    main()
