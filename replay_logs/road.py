"""The road as two wheel tracks: roughness of ISO 8608 form, kerbs, and each lap's slightly different line.

In: a circuit, a seed and the laps of a stint. Out: elevation in mm of the left and right track at any place.
The roughness is periodic over the lap, so it repeats by position. Pure functions of their arguments; no I/O.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay_logs.circuit import Circuit, Kerb

Floats = NDArray[np.float64]

STEP_M: Final = 0.05  # grid of the profile; half of the shortest wave kept is 0.1 m
REFERENCE_WAVE_NUMBER: Final = 0.1  # cycle/m, n0 of ISO 8608
# Gd(n0) in m3. Class A reaches 32e-6 (ISO 8608:2016, Annex C); a racing surface is smoother than most of it.
ROUGHNESS_M3: Final = 10.0e-6
LONGEST_WAVE_M: Final = 100.0  # slower undulation moves the car as a whole and is left out
ENVELOPE_M: Final = 0.14  # the tyre's contact patch averages the road over about its own length
COHERENCE_WAVE_M: Final = 2.5  # waves much longer than this are alike under both tracks
LINE: Final = 0.25  # a lap's own roughness as a share of the road's short waves, in the mean over laps
KERBS: Final = 0.13  # standard deviation of the share of a kerb's height that a lap takes
SEAM_M: Final = 15.0  # a lap's own line fades out towards the finish line, so that laps join
FLAT_M: Final = 12.0  # the pit box is flat; the road's roughness grows from 0 over this distance


def spectrum_m3(wave_number: Floats, roughness_m3: float = ROUGHNESS_M3) -> Floats:
    """One-sided displacement PSD of ISO 8608, Gd(n0) (n/n0)^-2, before the tyre's averaging.

    Parameters
    ----------
    wave_number : array, cycle/m
        Above 0.
    roughness_m3 : float, m3
        Gd at 0.1 cycle/m.

    Returns
    -------
    array of the same shape, m3
    """
    return np.asarray(roughness_m3 * (wave_number / REFERENCE_WAVE_NUMBER) ** -2.0, dtype=np.float64)


def periodic_profile(length_m: float, generator: np.random.Generator, envelope_m: float = ENVELOPE_M) -> Floats:
    """One random track in mm, periodic over `length_m`, on a grid of about `STEP_M`; its PSD follows `spectrum_m3`."""
    count = round(length_m / STEP_M)
    wave_number: Floats = np.fft.rfftfreq(count, length_m / count).astype(np.float64)
    density = np.zeros(wave_number.size)
    kept = wave_number >= 1.0 / LONGEST_WAVE_M
    density[kept] = spectrum_m3(wave_number[kept])
    # Amplitude of one bin of a one-sided PSD is sqrt(2 G dn); rfft halves and scales by the count.
    size = np.sqrt(2.0 * density / length_m) * count / 2.0 * np.sinc(wave_number * envelope_m)
    phases = generator.uniform(0.0, 2.0 * np.pi, wave_number.size)
    spectrum = size * np.exp(1j * phases)
    return np.asarray(np.fft.irfft(spectrum, count) * 1000.0, dtype=np.float64)


def track_pair(length_m: float, generator: np.random.Generator, envelope_m: float = ENVELOPE_M) -> Floats:
    """Left and right track, shape (2, n), mm: alike in long waves, independent in short ones."""
    shared = periodic_profile(length_m, generator, envelope_m)
    common = _weighted(shared, np.sqrt(_coherence(shared.size, length_m)))
    return np.asarray(common + short_waves(length_m, generator, envelope_m), dtype=np.float64)


def short_waves(length_m: float, generator: np.random.Generator, envelope_m: float = ENVELOPE_M) -> Floats:
    """What differs from place to place across the road, for two tracks, shape (2, n), mm."""
    left, right = (periodic_profile(length_m, generator, envelope_m) for _ in range(2))
    rest = np.sqrt(1.0 - _coherence(left.size, length_m))
    return np.stack([_weighted(left, rest), _weighted(right, rest)])


def _coherence(count: int, length_m: float) -> Floats:
    wave_number = np.fft.rfftfreq(count, length_m / count)
    return np.asarray(np.exp(-wave_number * COHERENCE_WAVE_M), dtype=np.float64)


def _weighted(profile: Floats, weight: Floats) -> Floats:
    return np.asarray(np.fft.irfft(np.fft.rfft(profile) * weight, profile.size), dtype=np.float64)


def kerb_profile_mm(kerb: Kerb, distance_m: Floats) -> Floats:
    """Height of one kerb at lap distances: a ramp up, teeth, a ramp down; 0 elsewhere."""
    into = distance_m - kerb.start_m
    ramp = np.clip(np.minimum(into, kerb.length_m - into) / kerb.ramp_m, 0.0, 1.0)
    ramp = ramp * ramp * (3.0 - 2.0 * ramp)
    teeth = kerb.tooth_mm * np.sin(2.0 * np.pi * into / kerb.tooth_length_m)
    return np.asarray(ramp * (kerb.height_mm + teeth), dtype=np.float64)


@dataclass
class Road:
    """The circuit's road, the same in every lap and every stint that shares its seed.

    Attributes
    ----------
    circuit : Circuit
        Gives the length and the kerbs.
    seed : int
        Of the roughness.
    """

    circuit: Circuit
    seed: int
    tracks_mm: Floats = field(init=False)
    _laps: dict[int, Floats] = field(init=False, default_factory=dict, repr=False)
    _laps_of: tuple[int, float, float] | None = field(init=False, default=None, repr=False)

    def __post_init__(self) -> None:
        self.tracks_mm = track_pair(self.circuit.length_m, np.random.default_rng([self.seed, 1]))

    def grid_m(self) -> Floats:
        """Lap distances of the grid, with the end of the lap repeated as its last point."""
        count = self.tracks_mm.shape[1]
        return np.asarray(np.linspace(0.0, self.circuit.length_m, count + 1), dtype=np.float64)

    def lap_tracks_mm(self, seed: int, lap: int, line_share: float = LINE, kerb_scatter: float = KERBS) -> Floats:
        """Both tracks of one lap on `grid_m`, shape (2, n + 1): shared roughness, this lap's line, kerbs."""
        generator = np.random.default_rng([self.seed, 2, seed, lap])
        closed = np.concatenate([self.tracks_mm, self.tracks_mm[:, :1]], axis=1)
        grid = self.grid_m()
        fade = np.clip(np.minimum(grid, grid[-1] - grid) / SEAM_M, 0.0, 1.0)
        line = short_waves(self.circuit.length_m, generator)
        line = np.concatenate([line, line[:, :1]], axis=1)
        tracks: Floats = closed + generator.uniform(0.15, 0.35) * (line_share / LINE) * fade * line
        for kerb in self.circuit.kerbs:
            # How much of the kerb is taken; now and then nearly none.
            depth = float(np.clip(generator.normal(1.0, kerb_scatter), 0.3, 1.4))
            near = slice(*np.searchsorted(grid, [kerb.start_m, kerb.start_m + kerb.length_m]))
            tracks[0 if kerb.side == "left" else 1, near] += depth * kerb_profile_mm(kerb, grid[near])
        return tracks

    def _kept_lap_mm(self, seed: int, lap: int, line_share: float, kerb_scatter: float) -> Floats:
        """The same, kept while one stint is asked for: its rear axle takes the laps of its front axle."""
        if self._laps_of != (seed, line_share, kerb_scatter):
            self._laps.clear()
            self._laps_of = (seed, line_share, kerb_scatter)
        if lap not in self._laps:
            self._laps[lap] = self.lap_tracks_mm(seed, lap, line_share, kerb_scatter)
        return self._laps[lap]

    def along_mm(
        self,
        travelled_m: Floats,
        start_m: float,
        end_m: float,
        seed: int,
        behind_m: float,
        line_share: float = LINE,
        kerb_scatter: float = KERBS,
    ) -> Floats:
        """Elevation under one axle along a stint.

        Parameters
        ----------
        travelled_m : array of shape (n,), m
            Distance from the start-finish line of the stint's first lap, rising.
        start_m, end_m : float, m
            Where the car stands before and after; the road is flat there.
        seed : int
            The stint's own, for its lines.
        behind_m : float, m
            How far the axle is behind the point whose distance is given.
        line_share, kerb_scatter : float
            Of each lap, as in `Scatter`.

        Returns
        -------
        array of shape (n, 2), mm
            Left and right track.
        """
        length = self.circuit.length_m
        place = np.maximum(travelled_m - behind_m, 0.0)
        laps = np.floor(place / length).astype(np.int64)
        elevation = np.zeros((travelled_m.size, 2))
        grid = self.grid_m()
        bounds = np.flatnonzero(np.diff(laps)) + 1
        for begin, stop in zip([0, *bounds], [*bounds, laps.size], strict=True):
            lap = int(laps[begin])
            tracks = self._kept_lap_mm(seed, lap, line_share, kerb_scatter)
            within = place[begin:stop] - lap * length
            for side in range(2):
                elevation[begin:stop, side] = np.interp(within, grid, tracks[side])
        from_box = np.minimum(place - (start_m - behind_m), end_m - behind_m - place)
        amount = np.clip((from_box - 3.0) / FLAT_M, 0.0, 1.0)
        return np.asarray(elevation * amount[:, None], dtype=np.float64)
