"""Heights of named points above the road, from four wheel travels, the body taken as rigid.

In: how far each corner of the body has come down (mm, 0 at static): wheel travel, plus tyre deflection where it
is known. Out: heights (mm), warp, and the body's motion. A height is the static one less how far the body has come
down there; it is NaN when any corner is. The plane is the least-squares one through four corners, so one mode (warp)
is left over.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.chunk import Floats
from ingest.sheet import Sheet


class BodyPlane:
    """Weights that turn four wheel travels into the body's drop at any point.

    Parameters
    ----------
    wheelbase_mm, track_front_mm, track_rear_mm : float
        Where the corners are: x = 0 at the front axle, y to the left.
    """

    def __init__(self, wheelbase_mm: float, track_front_mm: float, track_rear_mm: float) -> None:
        self._wheelbase_mm = wheelbase_mm
        places = np.array(
            [
                [1.0, 0.0, track_front_mm / 2.0],
                [1.0, 0.0, -track_front_mm / 2.0],
                [1.0, -wheelbase_mm, track_rear_mm / 2.0],
                [1.0, -wheelbase_mm, -track_rear_mm / 2.0],
            ]
        )
        # Drop = a + b x + c y; the rows of the pseudo-inverse give a, b, c from the corners.
        self._solution = np.linalg.pinv(places)
        residual = np.eye(4) - places @ self._solution
        # Four corners less a plane leave one direction; its weights, signed so that FL up counts as positive.
        direction = residual[:, 0] / np.linalg.norm(residual[:, 0])
        self.warp_weights: Floats = direction / np.abs(direction).sum()

    @property
    def motion_weights(self) -> Floats:
        """Weights, shape (3, 4), of the corners' drops (mm) in heave (mm), pitch and roll (slopes).

        Heave is that of the middle between the axles, up positive; pitch is positive nose down, roll right side down.
        """
        middle = self._solution[0] - self._solution[1] * self._wheelbase_mm / 2.0
        weights: Floats = np.stack([-middle, self._solution[1], -self._solution[2]])
        return weights

    def drop_weights(self, x_mm: float, y_mm: float) -> Floats:
        """Weights, shape (4,), of the corners' wheel travel in the drop at a point."""
        weights: Floats = self._solution[0] + self._solution[1] * x_mm + self._solution[2] * y_mm
        return weights


class Platform:
    """Heights of the sheet's named points.

    Parameters
    ----------
    sheet : Sheet
        Geometry and points.
    """

    def __init__(self, sheet: Sheet) -> None:
        self.names = tuple(sheet.platform)
        self.plane = BodyPlane(sheet.car.wheelbase_mm, sheet.car.track_front_mm, sheet.car.track_rear_mm)
        points = sheet.platform.values()
        self.static_mm = np.array([point.static_height_mm for point in points])
        self.lowest_mm = np.array([point.lowest_mm for point in points])
        weights = [self.plane.drop_weights(point.x_mm, point.y_mm) for point in points]
        # A column of weights for each corner.
        self._weights = list(np.array(weights).reshape(len(weights), 4).T[:, :, np.newaxis].copy())
        self._warp_weights = self.plane.warp_weights.tolist()
        self._heights_at_rest = self.static_mm[:, np.newaxis]

    def heights(self, wheel_travel_mm: Floats) -> Floats:
        """Heights, shape (n_samples, n_points), of wheel travel of shape (n_samples, 4)."""
        # All points at once, each summed as by `weighted_sum`.
        drop = self._weights[0] * wheel_travel_mm[:, 0]
        part = np.empty_like(drop)
        for corner in range(1, 4):
            drop += np.multiply(self._weights[corner], wheel_travel_mm[:, corner], out=part)
        heights: Floats = np.subtract(self._heights_at_rest, drop, out=drop).T
        return heights

    def warp(self, wheel_travel_mm: Floats) -> Floats:
        """Warp, shape (n_samples,): half the difference of the two diagonals' mean travels, FL and RR positive."""
        return weighted_sum(wheel_travel_mm, self._warp_weights)


def weighted_sum(values: Floats, weights: Floats | Sequence[float]) -> Floats:
    """Sum of the columns of (n, 4) by four weights, always in the same order, so that no split changes a bit of it."""
    total: Floats = values[:, 0] * weights[0]
    for column in range(1, 4):
        total += values[:, column] * weights[column]
    return total
