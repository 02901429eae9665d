"""The spectrum of damper travel against what is published of the Hann window, and against Parseval's theorem.

F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66 (1978)
51, table 1 (from memory, recomputed): Hann has a coherent gain of 0.5, an equivalent noise bandwidth of 1.5 bins and a
scalloping loss of 1.42 dB.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.spectra import TravelSpectra
from ingest.chunk import Floats
from tests.dsp.block_streams import block_stream
from tests.dsp.helpers import same_on_all
from tests.sheets import make_sheet

RATE_HZ = 250.0
ROWS = 1024
BIN_HZ = RATE_HZ / ROWS
NOISE_BANDWIDTH_BINS = 1.5
COHERENT_GAIN = 0.5
SCALLOPING_DB = -1.424


def spectrum(travel: Floats) -> tuple[Floats, int]:
    """PSD of one corner, mm2/Hz, and how many segments are in it."""
    stage = TravelSpectra(make_sheet(), RATE_HZ, has_speed=False)
    assert stage.rows == ROWS
    for block in block_stream(same_on_all(travel), RATE_HZ):
        stage.process(block)
    found = stage.result()[0]
    return found.power_mm2_hz, found.segments


def sine(bins: float, amplitude_mm: float = 3.0) -> Floats:
    return amplitude_mm * np.sin(2.0 * math.pi * bins * np.arange(ROWS) / ROWS + 0.3)


def test_a_sine_on_a_bin_has_half_its_squared_amplitude_in_the_noise_bandwidth() -> None:
    power, segments = spectrum(sine(40.0))
    assert segments == 1
    assert int(power.argmax()) == 40
    assert power[40] * NOISE_BANDWIDTH_BINS * BIN_HZ == pytest.approx(3.0**2 / 2.0, rel=1e-9)
    # Half the height on either side: a quarter of the power; nothing beyond.
    np.testing.assert_allclose(power[[39, 41]], power[40] / 4.0, rtol=1e-9)
    assert power[[36, 37, 43, 44]].max() < 1e-20 * power[40]


def test_a_sine_between_two_bins_loses_the_scalloping() -> None:
    on, _ = spectrum(sine(100.0))
    between, _ = spectrum(sine(100.5))
    assert 10.0 * math.log10(between.max() / on.max()) == pytest.approx(SCALLOPING_DB, abs=0.002)


def test_coherent_gain() -> None:
    # The peak line of a sine of amplitude A is A n / 2 times the coherent gain; PSD = 2 |line|^2 / (rate sum w^2).
    power, _ = spectrum(sine(64.0, amplitude_mm=1.0))
    window_energy = NOISE_BANDWIDTH_BINS * COHERENT_GAIN**2 * ROWS
    line = math.sqrt(power[64] * RATE_HZ * window_energy / 2.0)
    assert line / (ROWS / 2) == pytest.approx(COHERENT_GAIN, rel=1e-9)


def test_parseval_for_one_segment() -> None:
    noise = np.random.default_rng(1799).normal(size=ROWS) * 2.0 + 7.0
    power, _ = spectrum(noise)
    window = 0.5 - 0.5 * np.cos(2.0 * math.pi * np.arange(ROWS) / ROWS)
    weighted = float(np.sum((window * (noise - noise.mean())) ** 2) / np.sum(window**2))
    assert power.sum() * BIN_HZ == pytest.approx(weighted, rel=1e-12)


def test_the_integral_over_frequency_is_the_variance() -> None:
    noise = np.random.default_rng(1800).normal(size=400 * ROWS) * 2.0
    power, segments = spectrum(noise)
    assert segments == 2 * 400 - 1
    # The variance of 400 000 independent values is good to 0.2 %; white noise is flat.
    assert power.sum() * BIN_HZ == pytest.approx(4.0, rel=0.01)
    assert power[10:250].mean() == pytest.approx(power[250:500].mean(), rel=0.02)
    assert power[100:400].mean() == pytest.approx(4.0 / (RATE_HZ / 2.0), rel=0.01)
