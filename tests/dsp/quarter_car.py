"""A linear quarter car on a road whose vertical velocity is white noise: exact samples, and exact spectra.

The state is [body less wheel, body's velocity, wheel less road, wheel's velocity], SI. Samples are exact in law at any
rate (discretised with the matrix exponential, noise of the exact covariance). Independent of the package under test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh, expm, solve_continuous_lyapunov
from scipy.signal import lfilter

from ingest.chunk import Floats

CLASS_A_M3 = 16e-6  # geometric mean of class A at 0.1 cycle/m (ISO 8608:2016, Annex C; from memory)


def road_intensity(speed_m_s: float, roughness_m3: float = CLASS_A_M3) -> float:
    """Return the two-sided intensity of the road's vertical velocity, (m/s)^2/Hz, of an ISO 8608 road with w = 2."""
    return (2.0 * math.pi * 0.1) ** 2 * roughness_m3 * speed_m_s / 2.0


@dataclass(frozen=True)
class QuarterCar:
    """Masses in kg, rates in N/m, damper in N s/m at the wheel."""

    sprung_kg: float
    unsprung_kg: float
    spring_n_m: float
    tyre_n_m: float
    damper_n_s_m: float

    @property
    def matrix(self) -> Floats:
        ms, mu, ks, kt, c = (
            self.sprung_kg,
            self.unsprung_kg,
            self.spring_n_m,
            self.tyre_n_m,
            self.damper_n_s_m,
        )
        return np.array(
            [
                [0.0, 1.0, 0.0, -1.0],
                [-ks / ms, -c / ms, 0.0, c / ms],
                [0.0, 0.0, 0.0, 1.0],
                [ks / mu, c / mu, -kt / mu, -c / mu],
            ]
        )

    def velocity_spectrum(self, hertz: Floats, intensity: float) -> Floats:
        """Return the one-sided PSD of suspension velocity, (m/s)^2/Hz."""
        road = np.array([0.0, 0.0, -1.0, 0.0])
        states = [np.linalg.solve(2j * math.pi * f * np.eye(4) - self.matrix, road) for f in hertz]
        velocity = np.array([state[3] - state[1] for state in states])
        return np.asarray(2.0 * intensity * np.abs(velocity) ** 2)

    def drive(
        self, seconds: float, rate_hz: float, intensity: float, seed: int, cars: int = 4
    ) -> tuple[Floats, Floats]:
        """Return wheel travel (mm) and its velocity (mm/s), compression positive, shape (n, cars), independent cars."""
        rows = round(seconds * rate_hz)
        road = np.array([[0.0], [0.0], [-1.0], [0.0]])
        steady = solve_continuous_lyapunov(self.matrix, -intensity * road @ road.T)
        step = expm(self.matrix / rate_hz)
        values, vectors = eigh(steady - step @ steady @ step.T)
        kick = vectors * np.sqrt(np.maximum(values, 0.0))
        poles, modes = np.linalg.eig(self.matrix)
        to_modes = np.linalg.inv(modes)
        generator = np.random.default_rng(seed)
        begin = np.linalg.cholesky(steady) @ generator.normal(size=(4, cars))
        noise = generator.normal(size=(rows, 4, cars))
        travel, velocity = np.empty((rows, cars), order="F"), np.empty((rows, cars), order="F")
        for car in range(cars):
            driven = (to_modes @ kick @ noise[:, :, car].T).astype(complex)
            driven[:, 0] = to_modes @ begin[:, car]
            moved = np.stack(
                [lfilter([1.0], [1.0, -np.exp(pole / rate_hz)], row) for pole, row in zip(poles, driven, strict=True)]
            )
            states = (modes @ moved).real
            travel[:, car] = -1000.0 * states[0]
            velocity[:, car] = 1000.0 * (states[3] - states[1])
        return travel, velocity
