"""Streams cut into chunks in any way, and what a whole run of the chain found, in a form that compares exactly.

Chunks of no samples are part of every cutting. Nothing here repeats a computation of the package under test.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from hypothesis import strategies as st

from dsp.faults import FaultChange
from dsp.frame import Aligned
from dsp.pipeline import Frame, Pipeline
from dsp.stops import Contact
from dsp.summary import LapSummary, Share
from ingest.chunk import Chunk, Floats, Ints
from ingest.sheet import Sheet


def columns(*values: Floats) -> Floats:
    """Return channels side by side, column-major, as the readers deliver them."""
    return np.asfortranarray(np.column_stack(values))


def same_on_all(values: Floats) -> Floats:
    """Return one signal on all four corners."""
    return columns(*[values] * 4)


def stream(
    travel: Floats,
    rate_hz: float = 500.0,
    first_sample: int = 0,
    gaps: dict[int, int] | None = None,
    side: dict[str, Floats] | None = None,
    **channels: Floats,
) -> list[Chunk]:
    """Return a stream as one chunk per stretch; `gaps` maps a row to the samples missing before it (-1: a restart)."""
    gaps = gaps or {}
    channels |= side or {}
    bounds = [0, *sorted(gaps), len(travel)]
    chunks = []
    number = first_sample
    for start, stop in itertools.pairwise(bounds):
        missing = gaps.get(start, 0)
        number += max(0, missing)
        chunks.append(
            Chunk(
                first_sample=number,
                rate_hz=rate_hz,
                sensors=np.asfortranarray(travel[start:stop]),
                side={role: values[start:stop] for role, values in channels.items()},
                gap_before=max(0, missing),
                restart=missing < 0,
            )
        )
        number += stop - start
    return chunks


def cut(chunks: Iterable[Chunk], places: Iterable[int]) -> list[Chunk]:
    """Return the same stream cut after each of `places` rows; a place given twice makes an empty chunk."""
    wanted = sorted(places)
    result = []
    row = 0
    for chunk in chunks:
        inner = [place - row for place in wanted if row <= place <= row + len(chunk)]
        bounds = [0, *inner, len(chunk)]
        result += [chunk.part(start, stop) for start, stop in itertools.pairwise(bounds)]
        row += len(chunk)
    return result


def places_of(rows: int, most: int = 12) -> st.SearchStrategy[list[int]]:
    """Cuts of a stream of `rows` rows: none, some, close together, or after every single row."""
    few = st.lists(st.integers(0, rows), max_size=most)
    close = st.builds(
        lambda start, count: [min(rows, start + i) for i in range(count)], st.integers(0, rows), few.map(len)
    )
    return st.one_of(few, close, st.just(list(range(rows))))


@dataclass
class Findings:
    """Everything a run of the chain told."""

    share: Share
    laps: list[LapSummary]
    contacts: list[Contact]
    changes: list[FaultChange]
    lap_starts: list[tuple[int, str]]
    blocks: list[Aligned]
    rows: Ints
    heights: Floats
    loads: Floats
    trusted: Floats
    pipeline: Pipeline
    frames: list[Frame] = field(default_factory=list)

    def exact(self) -> dict[str, Any]:
        """Return what may not differ by a single bit between two cuttings of one stream."""
        tallies = [self.share, *(lap.share for lap in self.laps)]
        return {
            "velocity": [s.tally.velocity.tolist() for s in tallies],
            "travel": [s.tally.travel.tolist() for s in tallies],
            "heights": [s.heights.counts.tolist() for s in tallies],
            "below": [s.heights.below.tolist() for s in tallies],
            "lowest_at": [(s.heights.lowest_at, s.heights.lowest_regime, s.heights.shortest_at) for s in tallies],
            "regimes": [s.heights.below_by_regime.tolist() for s in tallies],
            "places": [repr(s.heights.places) for s in tallies],
            "loads": [(s.loads.counts.tolist(), s.loads.unloaded.tolist(), s.loads.together) for s in tallies],
            "load_sums": [(s.loads.stop_sum.tolist(), s.loads.together_sum.tolist()) for s in tallies],
            "body": [(s.body.motions.tolist(), s.body.straight_warp.tolist(), s.body.kerb_rows) for s in tallies],
            "top_outs": [[(t.count, t.samples, t.longest_samples) for t in s.top_outs] for s in tallies],
            "hardest": [[(c.corner, c.start_sample) for c in s.contacts.in_order()] for s in tallies],
            "extremes": [repr((s.tally.lowest_mm.tolist(), s.tally.highest_mm.tolist())) for s in tallies],
            "received": [(s.received, s.idle) for s in tallies],
            "stops": [
                [(t.count, t.samples, t.longest_samples, repr(t.peak_travel_mm)) for t in s.stops] for s in tallies
            ],
            "laps": [
                (lap.name, lap.verdict, lap.first_sample, lap.end_sample, repr(lap.distance_m), lap.missing_samples)
                for lap in self.laps
            ],
            "contacts": sorted(repr(contact) for contact in self.contacts),
            "changes": [repr(change) for change in self.changes],
            "lap_starts": self.lap_starts,
            "rejected": self.pipeline.validity.rejected.tolist(),
            "missing": self.pipeline.validity.missing.tolist(),
            "rolling": self.pipeline.counting.rolling().tolist(),
            "gaps": (self.pipeline.gaps, self.pipeline.lost_samples, self.pipeline.restarts),
            "timed": (self.pipeline.timed_laps, self.pipeline.timed.received),
            "samples": repr(numbers(self.blocks).tolist()),
            "velocities": repr(stacked([block.velocity_mm_s for block in self.blocks], 4).tolist()),
            "travels": repr(stacked([block.travel_mm for block in self.blocks], 4).tolist()),
            "platform": repr(self.heights.tolist()),
            "rows": self.rows.tolist(),
            "wheel_loads": repr(self.loads.tolist()),
            "trusted": repr(self.trusted.tolist()),
        }


def numbers(blocks: list[Aligned]) -> Floats:
    """Return the device's numbers of all samples of some blocks."""
    runs = [np.arange(block.first_sample, block.first_sample + len(block)) for block in blocks]
    return np.concatenate([np.empty(0, dtype=np.int64), *runs])


def stacked(parts: list[Floats], width: int) -> Floats:
    """Return arrays of shape (n, width) one below the other."""
    return np.concatenate([np.empty((0, width)), *parts])


def run(sheet: Sheet, chunks: list[Chunk]) -> Findings:
    """Drive the whole chain over a stream to its end."""
    pipeline = Pipeline(sheet, chunks[0].rate_hz, tuple(chunks[0].side))
    frames: list[Frame] = []
    changes: list[FaultChange] = []
    for chunk in chunks:
        frames += pipeline.process(chunk)
        changes += pipeline.take_fault_changes()
    frames += pipeline.finish()
    return Findings(
        share=pipeline.stint,
        laps=[lap for frame in frames for lap in frame.laps],
        contacts=[contact for frame in frames for contact in frame.contacts],
        changes=changes + pipeline.take_fault_changes(),
        lap_starts=[start for frame in frames for start in frame.lap_starts],
        blocks=[frame.block for frame in frames],
        rows=np.concatenate(
            [frame.car.first_sample + np.arange(len(frame.car)) * frame.car.stride for frame in frames]
        ),
        heights=stacked([frame.car.heights_mm for frame in frames], len(pipeline.platform.names)),
        loads=stacked([frame.car.load_n for frame in frames], 4),
        trusted=stacked([frame.trusted_mm for frame in frames], 4),
        pipeline=pipeline,
        frames=frames,
    )


def smooth_noise(rows: int, rate_hz: float, band_hz: float, seed: int, channels: int = 4) -> Floats:
    """Return Gaussian noise of unit variance, flat from 0 to `band_hz`, shape (rows, channels), of a fixed seed.

    Made of the lines of one Fourier series; the mean is left out.
    """
    generator = np.random.default_rng(seed)
    lines = max(1, int(band_hz * rows / rate_hz))
    spectrum = np.zeros((rows // 2 + 1, channels), dtype=complex)
    spectrum[1 : lines + 1] = generator.normal(size=(lines, channels)) + 1j * generator.normal(size=(lines, channels))
    values = np.fft.irfft(spectrum, rows, axis=0) * rows / (2.0 * np.sqrt(lines))
    return np.asfortranarray(values)
