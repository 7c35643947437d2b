"""Writes the halls that ``scripts/benchmark`` reads: LAS or LAZ, any area, any number of points.

A hall of two by three with walls, roof, columns and crates, scanned from set-ups on a square
of eight metres, each turning once, so that the points come in the order in which an
instrument takes them: line after line from the ground to the roof. Only the cost of reading
and folding is asked of it: beams pass through columns, and no accuracy is judged on it.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_HEIGHT_M = 6.0
_EYE_M = 1.7
_APART_M = 8.0
_NOISE_M = 0.0015
_SCALE_M = 0.0001
_BATCH = 500_000


@dataclass(frozen=True)
class Hall:
    """A hall by its area, three parts long and two wide."""

    area_m2: float

    @property
    def length_m(self) -> float:
        """Along x [m]."""
        return math.sqrt(1.5 * self.area_m2)

    @property
    def width_m(self) -> float:
        """Along y [m]."""
        return self.area_m2 / self.length_m

    def floor_m(self, x: Array, y: Array) -> Array:
        """Level of the floor [m]: long waves of a few millimetres."""
        return 0.004 * np.sin(0.7 * x + 0.2) * np.cos(0.5 * y) + 0.003 * np.sin(0.13 * x + 0.21 * y)

    def stations(self) -> list[tuple[float, float]]:
        """Where the instrument stood [m]."""
        nx = max(round(self.length_m / _APART_M), 1)
        ny = max(round(self.width_m / _APART_M), 1)
        return [
            ((i + 0.5) * self.length_m / nx, (j + 0.5) * self.width_m / ny)
            for j in range(ny)
            for i in range(nx)
        ]

    def boxes(self) -> list[tuple[float, float, float, float]]:
        """Columns and crates: middle x, middle y, side, height [m]; one of each to 60 m²."""
        rng = np.random.default_rng(7)
        crates = [
            (*rng.uniform((1.0, 1.0), (self.length_m - 1.0, self.width_m - 1.0)), 0.8, 0.9)
            for _ in range(round(self.area_m2 / 60))
        ]
        columns = [
            (x, y, 0.4, _HEIGHT_M)
            for x in np.arange(5.0, self.length_m - 2.0, 8.0)
            for y in np.arange(5.0, self.width_m - 2.0, 8.0)
        ]
        return crates + columns


def scanned(hall: Hall, points: int, seed: int) -> Iterator[Array]:
    """Batches (n, 3) of points [m], set-up after set-up."""
    rng = np.random.default_rng(seed)
    stations = hall.stations()
    boxes = hall.boxes()
    for k, (x, y) in enumerate(stations):
        own = points * (k + 1) // len(stations) - points * k // len(stations)
        near = [b for b in boxes if math.hypot(b[0] - x, b[1] - y) < 12.0]
        lines = max(round(math.sqrt(2 * own)), 1)
        for first in range(0, own, _BATCH):
            at = np.arange(first, min(first + _BATCH, own)) * lines / own
            turn = 2 * math.pi * (np.floor(at) + rng.random(at.size) / 10) / lines
            up = -1.05 + 2.05 * (at - np.floor(at))
            yield _station(hall, (x, y), turn, up, near, rng)


def _station(
    hall: Hall,
    place: tuple[float, float],
    turn: Array,
    up: Array,
    boxes: list[tuple[float, float, float, float]],
    rng: np.random.Generator,
) -> Array:
    count = turn.size
    tan = np.tan(up)
    dx, dy = np.cos(turn), np.sin(turn)
    with np.errstate(divide="ignore"):
        to_wall = np.minimum(
            np.maximum(-place[0] / dx, (hall.length_m - place[0]) / dx),
            np.maximum(-place[1] / dy, (hall.width_m - place[1]) / dy),
        )
        to_level = np.where(tan < 0, -_EYE_M / tan, (_HEIGHT_M - _EYE_M) / tan)
    reach = np.minimum(to_wall, to_level)
    x, y = place[0] + reach * dx, place[1] + reach * dy
    z = np.where(to_wall < to_level, _EYE_M + reach * tan, np.where(tan < 0, 0.0, _HEIGHT_M))
    floor = (tan < 0) & (to_level <= to_wall)
    z[floor] = hall.floor_m(x[floor], y[floor])
    # A twentieth of the beams meets something on the floor.
    meets = rng.random(count) < 0.05 if boxes else np.zeros(count, bool)
    which = np.asarray(boxes or [(0.0, 0.0, 1.0, 1.0)])[rng.integers(0, max(len(boxes), 1), count)]
    side = rng.integers(0, 4, count)
    along = rng.uniform(-0.5, 0.5, count)
    off = np.where(side < 2, -0.5, 0.5)
    bx = which[:, 0] + which[:, 2] * np.where(side % 2 == 0, off, along)
    by = which[:, 1] + which[:, 2] * np.where(side % 2 == 0, along, off)
    x, y = np.where(meets, bx, x), np.where(meets, by, y)
    z = np.where(meets, rng.random(count) * which[:, 3], z)
    points = np.stack([x, y, z], axis=1) + rng.normal(0.0, _NOISE_M, (count, 3))
    hidden = np.zeros(count, bool)
    for mx, my, width, _ in boxes:
        hidden |= floor & ~meets & (np.maximum(abs(x - mx), abs(y - my)) < width / 2)
    points[hidden, 2] = points[hidden, 2] + 0.5  # the crate's inside is not seen, its top is
    return points


def write_hall(path: Path, area_m2: float, points: int, *, seed: int = 1) -> None:
    """Write a hall to a file named ``.las`` or ``.laz``."""
    import laspy

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, _SCALE_M)
    header.offsets = np.zeros(3)
    with laspy.open(path, "w", header=header) as out:
        for batch in scanned(Hall(area_m2), points, seed):
            record = laspy.ScaleAwarePointRecord.zeros(len(batch), header=header)
            record.x, record.y, record.z = batch.T
            out.write_points(record)


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("path", type=Path)
    words.add_argument("--area-m2", type=float, default=2400.0)
    words.add_argument("--points", type=int, default=22_700_000)
    words.add_argument("--seed", type=int, default=1)
    told = words.parse_args()
    write_hall(told.path, told.area_m2, told.points, seed=told.seed)
