"""Where an instrument stood: the turning and place that a file states for its points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Turn = tuple[tuple[float, float, float], ...]
_UNIT_SIZE_SLACK: Final = 0.01


@dataclass(frozen=True)
class Pose:
    """Where the instrument stood: place and turning (rows of a rotation matrix)."""

    place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn: Turn = (
        (1.0, 0.0, 0.0),
        (0.0, 1.0, 0.0),
        (0.0, 0.0, 1.0),
    )

    @property
    def is_identity(self) -> bool:
        """Whether points stay as they are."""
        return bool(np.array_equal(self.turn, np.eye(3))) and self.place == (0.0, 0.0, 0.0)

    def apply(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the instrument's frame (n, 3) in the scan's."""
        if self.is_identity:
            return points
        # Sums written out: a matrix product may add in another order for other sizes.
        x, y, z = points.T
        out = np.empty_like(points)
        for i, (row, shift) in enumerate(zip(self.turn, self.place, strict=True)):
            out[:, i] = row[0] * x + row[1] * y + row[2] * z + shift
        return out


def pose_of(
    place: tuple[float, float, float], quaternion: tuple[float, float, float, float]
) -> Pose:
    """The pose of a place and a unit quaternion (w, x, y, z), made one where it is rounded.

    Raises
    ------
    ValueError
        If a number is none, or the quaternion's size is not 1 within a hundredth.

    Examples
    --------
    A quarter turn about z takes x to y.

    >>> pose_of((1, 2, 3), (0.7071, 0, 0, 0.7071)).apply(np.array([[10.0, 0, 0]])).round(9)
    array([[ 1., 12.,  3.]])
    """
    size = math.hypot(*quaternion)
    if not all(map(math.isfinite, (*place, *quaternion))) or abs(size - 1.0) >= _UNIT_SIZE_SLACK:
        raise ValueError(f"is no turning (its four numbers have size {size:g})")
    w, i, j, k = (q / size for q in quaternion)
    return Pose(place, turn_of(w, i, j, k))


def turn_of(w: float, i: float, j: float, k: float) -> Turn:
    """Rows of the rotation matrix of a quaternion of size 1."""
    return (
        (1 - 2 * (j * j + k * k), 2 * (i * j - k * w), 2 * (i * k + j * w)),
        (2 * (i * j + k * w), 1 - 2 * (i * i + k * k), 2 * (j * k - i * w)),
        (2 * (i * k - j * w), 2 * (j * k + i * w), 1 - 2 * (i * i + j * j)),
    )
