"""A scan brought into another scan's frame: turned and shifted as a rigid body.

No point is touched: the frames through which the pieces of the files are read are changed, so a
moved scan is a scan like any other, and everything downstream works on it as it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import product
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from pourdatum.scan import ChunkRef, Frame, Rotation, Scan, Station

Array = NDArray[np.float64]
Place = tuple[float, float, float]

_PLAIN: Final = Frame()
_AS_IT_IS: Final[Rotation] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class Moving(Protocol):
    """What can bring a scan into the frame of another."""

    def moved(self, scan: Scan) -> Scan:
        """The scan in the other's frame."""


@dataclass(frozen=True)
class Move:
    """How places of one scan become those of another.

    Attributes
    ----------
    rotation : 3 rows of 3
        Turns plan x, plan y and level of the one into those of the other.
    shift_m : tuple of 3 floats
        Added afterwards [m]; from local place to local place, each campaign's origin subtracted.
    frame : Frame
        Of the scan into which the other is brought.

    Examples
    --------
    A quarter turn, and 2 m up:

    >>> quarter = Move(((0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)), (0.0, 0.0, 2.0))
    >>> quarter.place_m(np.array([[3.0, 0.0, 0.5]])).tolist()
    [[0.0, 3.0, 2.5]]
    """

    rotation: Rotation = _AS_IT_IS
    shift_m: Place = (0.0, 0.0, 0.0)
    frame: Frame = _PLAIN

    def place_m(self, place_m: Array) -> Array:
        """Local places (n, 3) in the frame of the other [m]."""
        out: Array = place_m @ np.asarray(self.rotation).T + np.asarray(self.shift_m)
        return out

    @property
    def turn_rad(self) -> float:
        """Turn about the vertical, anticlockwise from above."""
        (a, _, _), (b, _, _), _ = self.rotation
        return float(np.arctan2(b, a))

    def moved(self, scan: Scan) -> Scan:
        """The scan in the other's frame, its files as they are."""
        ends = np.array(list(product(*zip(scan.low_m, scan.high_m, strict=True))))
        corners = self.place_m(ends)
        return replace(
            scan,
            stations=tuple(self._station(one, scan.origin_m) for one in scan.stations),
            frame=self.frame,
            low_m=as_place(corners.min(axis=0)),
            high_m=as_place(corners.max(axis=0)),
        )

    def _station(self, one: Station, origin_m: Place) -> Station:
        stood = one.place_m
        if stood is not None:
            local = self.place_m(np.subtract(stood, origin_m)[None])[0]
            stood = as_place(local + self.frame.origin_m)
        chunks = tuple(replace(chunk, frame=self._frame(chunk)) for chunk in one.chunks)
        return replace(one, chunks=chunks, place_m=stood)

    def _frame(self, chunk: ChunkRef) -> Frame:
        """The frame of a piece: its own, then this move, in one rotation and one origin."""
        own = chunk.frame
        turn = np.asarray(self.rotation)
        # turn (axes raw - origin) + shift, less nothing: the other's local origin is zero.
        origin = turn @ np.asarray(own.origin_m) - np.asarray(self.shift_m)
        return replace(own, rotation=as_rotation(turn @ own.axes()), origin_m=as_place(origin))


def as_rotation(matrix: Array) -> Rotation:
    """A (3, 3) matrix as three rows of numbers."""
    a, b, c = (as_place(row) for row in matrix)
    return a, b, c


def as_place(values: Iterable[float]) -> Place:
    """Three coordinates as plain numbers."""
    x, y, z = (float(value) for value in values)
    return x, y, z


def about_z(turn_rad: float) -> Array:
    """Rotation (3, 3) about the vertical, anticlockwise from above.

    Examples
    --------
    >>> about_z(np.pi / 2).round(9).tolist()
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
