"""The robust fit against scipy's minimiser, leaving clusters out one by one, and errors that are related as known."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import t as student

from dsp.robust_fit import TUNING, robust_fit
from ingest.chunk import Floats, Ints


def made(seed: int, rows: int = 200, places: int = 20) -> tuple[Floats, Floats, Ints]:
    """A design with a constant, two responses with related errors, and clusters of uneven size."""
    random = np.random.default_rng(seed)
    clusters = random.integers(0, places, rows)
    pressure = 300.0 + 60.0 * clusters + random.uniform(0.0, 400.0, rows)
    design = np.stack([np.ones(rows), pressure], axis=1)
    shared = random.normal(0.0, 40.0, (places, 2))[clusters]
    noise = shared + random.normal(0.0, 50.0, (rows, 2))
    noise[:, 1] += 0.5 * noise[:, 0]
    return design, design @ np.array([[20.0, -10.0], [1.1, 1.4]]) + noise, clusters


def misfit(design: Floats, values: Floats, coefficients: Floats) -> Floats:
    return np.asarray(design @ coefficients - values, dtype=np.float64)


def test_without_a_limit_it_is_least_squares_and_the_jackknife_over_clusters() -> None:
    design, responses, clusters = made(1)
    fit = robust_fit(design, responses, clusters, tuning=np.inf)
    expected = np.linalg.lstsq(design, responses, rcond=None)[0]
    np.testing.assert_allclose(fit.coefficients, expected.T, rtol=1e-9)
    # Fitted again without each cluster in turn.
    moved = []
    for cluster in np.unique(clusters):
        rest = clusters != cluster
        moved.append((np.linalg.lstsq(design[rest], responses[rest], rcond=None)[0] - expected).T.ravel())
    expected_covariance = 19 / 20 * np.array(moved).T @ np.array(moved)
    np.testing.assert_allclose(fit.covariance.reshape(4, 4), expected_covariance, rtol=1e-6)
    assert fit.clusters == 20
    assert fit.degrees_of_freedom == 18


def test_it_finds_the_least_huber_loss() -> None:
    design, responses, clusters = made(2)
    responses[::17] += 900.0
    fit = robust_fit(design, responses, clusters)
    size = np.array([1.0, 1000.0])
    for axle in range(2):
        values = responses[:, axle]
        limit = TUNING * fit.scale[axle]
        found = least_squares(
            partial(misfit, design / size, values),
            fit.coefficients[axle] * size * 1.2,
            loss="huber",
            f_scale=limit,
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        np.testing.assert_allclose(fit.coefficients[axle], found.x / size, rtol=1e-5, atol=1e-4)
        residual = values - design @ fit.coefficients[axle]
        assert fit.scale[axle] == pytest.approx(np.median(np.abs(residual)) / 0.67449, rel=1e-5)


def test_wild_rows_move_it_little() -> None:
    design, responses, clusters = made(3)
    calm = robust_fit(design, responses, clusters)
    wild = responses.copy()
    wild[np.argsort(design[:, 1])[-8:]] += 3000.0
    least = robust_fit(design, wild, clusters, tuning=np.inf)
    robust = robust_fit(design, wild, clusters)
    assert np.all(least.coefficients[:, 1] - calm.coefficients[:, 1] > 0.15)
    assert np.all(np.abs(robust.coefficients[:, 1] - calm.coefficients[:, 1]) < 0.05)


def test_the_stated_error_is_the_one_that_happens_when_errors_are_related() -> None:
    found = [robust_fit(*made(seed)) for seed in range(100, 500)]
    slopes = np.array([fit.coefficients[:, 1] for fit in found])
    errors = np.sqrt(np.array([np.diagonal(fit.covariance[:, 1, :, 1]) for fit in found]))
    np.testing.assert_allclose(errors.mean(axis=0) / slopes.std(axis=0), 1.0, atol=0.12)
    quantile = student.ppf(0.975, found[0].degrees_of_freedom)
    inside = np.abs(slopes - [1.1, 1.4]) < quantile * errors
    assert np.all(inside.mean(axis=0) > 0.92)
    # Every row a cluster of its own: what ignoring the relation would say is far too little.
    alone = robust_fit(made(100)[0], made(100)[1], np.arange(200))
    assert np.sqrt(alone.covariance[0, 1, 0, 1]) < 0.75 * errors[:, 0].mean()


def test_the_two_responses_errors_are_known_together() -> None:
    found = [robust_fit(*made(seed)) for seed in range(600, 900)]
    slopes = np.array([fit.coefficients[:, 1] for fit in found])
    stated = np.mean([fit.covariance[0, 1, 1, 1] for fit in found])
    assert stated == pytest.approx(np.cov(slopes.T)[0, 1], rel=0.25)


def test_points_on_a_line_give_the_line_and_no_error() -> None:
    design, _, clusters = made(4)
    fit = robust_fit(design, design @ np.array([[5.0], [2.0]]), clusters)
    np.testing.assert_allclose(fit.coefficients, [[5.0, 2.0]], rtol=1e-9)
    np.testing.assert_allclose(fit.covariance, 0.0, atol=1e-12)


def test_the_numbers_of_the_clusters_mean_nothing() -> None:
    design, responses, clusters = made(5)
    one, other = robust_fit(design, responses, clusters), robust_fit(design, responses, 1000 - 7 * clusters)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-9)


@pytest.mark.parametrize(
    ("design", "clusters"),
    [
        (np.ones((9, 2)), np.arange(9)),
        (np.stack([np.ones(9), np.zeros(9)], axis=1), np.arange(9)),
        (np.stack([np.ones(9), np.arange(9.0)], axis=1), np.zeros(9, dtype=np.int64)),
        (np.stack([np.ones(2), np.arange(2.0)], axis=1), np.arange(2)),
    ],
)
def test_what_can_not_be_solved_is_refused(design: Floats, clusters: Ints) -> None:
    with pytest.raises(ValueError, match=r"design|clusters"):
        robust_fit(design, np.ones((len(design), 1)), clusters)
