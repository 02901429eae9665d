"""A robust straight fit of several responses at once, with standard errors that allow for related errors.

In: a design matrix, responses, and a cluster number for every row. Out: Huber M-estimates (Huber, Ann. Math. Statist.
35 (1964) 73) by reweighted least squares, and the joint covariance of all coefficients from leaving out one cluster
after the other. Sums are elementwise, so the same rows in the same order give the same bits. Raises ValueError for a
design that can't be solved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.chunk import Floats, Ints

TUNING: Final = 1.345  # in units of the scale: 95 % of least squares' efficiency when errors are normal
_MAD_TO_SIGMA: Final = 0.6744897501960817  # median absolute deviation of a standard normal variable
_MOST_ROUNDS: Final = 100
# The columns are scaled to the same size, so this is how near they may be to being multiples of each other.
_WORST_CONDITION: Final = 1e12
_CONVERGED: Final = 1e-10  # change of the fitted values, in units of the scale


@dataclass(frozen=True)
class RobustFit:
    """A fit of m responses by k coefficients each.

    Attributes
    ----------
    coefficients : array of shape (m, k)
    covariance : array of shape (m, k, m, k)
        Of every coefficient with every other one, across responses too.
    scale : array of shape (m,)
        Robust standard deviation of the residuals.
    clusters : int
        How many clusters the rows fall into.
    """

    coefficients: Floats
    covariance: Floats
    scale: Floats
    clusters: int

    @property
    def degrees_of_freedom(self) -> int:
        """For Student's t: clusters less coefficients of one response, at least 1."""
        return max(1, self.clusters - int(self.coefficients.shape[1]))


def robust_fit(design: Floats, responses: Floats, clusters: Ints, tuning: float = TUNING) -> RobustFit:
    """Fit every column of `responses` by the columns of `design`.

    The covariance is (G-1)/G times the sum over the G clusters of d d', where d = (B - B_g)^-1 s_g is how far leaving
    out cluster g moves the coefficients: s_g is its sum of x psi(r), B_g its share of B = sum psi'(r) x x'. This is the
    jackknife over clusters (for least squares exactly, see Bell & McCaffrey, Survey Methodology 28 (2002) 169), one
    step of it for the rest. Errors within a cluster may be related in any way, and few clusters of unequal weight
    do not make it too sure, as the plain sandwich (B in place of B - B_g) would.

    Parameters
    ----------
    design : array of shape (n, k)
    responses : array of shape (n, m)
    clusters : array of shape (n,)
        Rows with the same number may have related errors.
    tuning : float
        Residuals beyond this many scales get less weight; infinity is least squares.

    Raises
    ------
    ValueError
        The design's columns are not independent, or there are fewer than two clusters or no spare rows.
    """
    rows, columns = design.shape
    names, numbers = np.unique(clusters, return_inverse=True)
    if len(names) < 2 or rows <= columns:
        raise ValueError("a fit needs at least two clusters, and more rows than coefficients")
    size = np.sqrt(np.mean(design**2, axis=0))
    if not np.all(size > 0.0):
        raise ValueError("a column of the design is 0")
    scaled = design / size
    count = responses.shape[1]
    solutions, scales, influences = np.empty((count, columns)), np.empty(count), []
    for number in range(count):
        solution, scale, kept, slope = _huber(scaled, responses[:, number], tuning)
        solutions[number], scales[number] = solution, scale
        influences.append(_pulls(scaled, kept, slope, numbers, len(names)) / size)
    pulls = np.concatenate(influences, axis=1)
    joint = (1.0 - 1.0 / len(names)) * (pulls[:, :, np.newaxis] * pulls[:, np.newaxis, :]).sum(axis=0)
    return RobustFit(
        coefficients=solutions / size,
        covariance=joint.reshape(count, columns, count, columns),
        scale=scales,
        clusters=len(names),
    )


def _pulls(design: Floats, kept: Floats, slope: Floats, numbers: Ints, count: int) -> Floats:
    """How far leaving out each cluster moves the coefficients, shape (count, k)."""
    columns = range(design.shape[1])

    def per_cluster(values: Floats) -> Floats:
        return np.asarray(np.bincount(numbers, weights=values, minlength=count), dtype=np.float64)

    scores = np.stack([per_cluster(design[:, i] * kept) for i in columns], axis=1)
    own = np.stack([np.stack([per_cluster(design[:, i] * slope * design[:, j]) for j in columns]) for i in columns])
    without = np.moveaxis(own.sum(axis=2, keepdims=True) - own, 2, 0)
    if not np.all(np.linalg.cond(without) < _WORST_CONDITION):
        raise ValueError("the design's columns are told apart by one cluster alone")
    pulls: Floats = (np.linalg.inv(without) * scores[:, np.newaxis, :]).sum(axis=2)
    return pulls


def _huber(design: Floats, response: Floats, tuning: float) -> tuple[Floats, float, Floats, Floats]:
    """Coefficients, scale, psi(r) and psi'(r) of one response."""
    weights = np.ones(len(response))
    scale = 0.0
    solution = np.zeros(design.shape[1])
    for _ in range(_MOST_ROUNDS):
        before = solution
        right = np.array([(design[:, i] * weights * response).sum() for i in range(design.shape[1])])
        solution = (_inverse(_weighted_square(design, weights)) * right).sum(axis=1)
        residual = response - _values(design, solution)
        scale = float(np.median(np.abs(residual))) / _MAD_TO_SIGMA
        limit = tuning * scale
        with np.errstate(divide="ignore", invalid="ignore"):
            weights = np.where(np.abs(residual) > limit, limit / np.abs(residual), 1.0)
        # A scale of 0: half of the rows lie on the line exactly, and there is nothing to weigh by.
        if scale == 0.0 or np.max(np.abs(_values(design, solution - before))) <= _CONVERGED * scale:
            break
    if scale == 0.0:
        return solution, scale, residual, np.ones(len(response))
    return solution, scale, np.clip(residual, -limit, limit), (np.abs(residual) <= limit).astype(np.float64)


def _values(design: Floats, solution: Floats) -> Floats:
    total: Floats = (design * solution).sum(axis=1)
    return total


def _weighted_square(design: Floats, weights: Floats) -> Floats:
    columns = range(design.shape[1])
    return np.array([[(design[:, i] * weights * design[:, j]).sum() for j in columns] for i in columns])


def _inverse(square: Floats) -> Floats:
    if not np.linalg.cond(square) < _WORST_CONDITION:
        raise ValueError("the design's columns are not independent")
    return np.asarray(np.linalg.inv(square), dtype=np.float64)
