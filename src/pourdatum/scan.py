"""A scan that is not loaded: a tuple of picklable references to pieces of files.

A reference is opened where it is read, in this process or in a worker, never
kept as a handle. What leaves it are **lattice points**: int64 counts of 0.01 mm
from the campaign's origin, z up, in metres after the file's unit and axes are
undone. Everything downstream sums integers, so that the result has the same bits
for any chunk size, order and number of workers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.uncertainty import SensorKind

LATTICE_M: Final = 1e-5
"""Step of the lattice on which every coordinate of a campaign lies [m]."""

UpAxis = Literal["x", "y", "z", "-x", "-y", "-z"]
Rotation = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]

# Rows are (plan x, plan y, up) as combinations of the file's axes; right-handed.
_AXES: Final[dict[str, tuple[tuple[int, int], tuple[int, int], tuple[int, int]]]] = {
    "z": ((0, 1), (1, 1), (2, 1)),
    "-z": ((0, 1), (1, -1), (2, -1)),
    "y": ((0, 1), (2, -1), (1, 1)),
    "-y": ((0, 1), (2, 1), (1, -1)),
    "x": ((1, 1), (2, 1), (0, 1)),
    "-x": ((1, 1), (2, -1), (0, -1)),
}


@dataclass(frozen=True)
class Frame:
    """How a file's coordinates become the campaign's.

    Attributes
    ----------
    unit_m : float
        Metres in one unit of the file's plan coordinates.
    up : str
        File axis that points upwards; plan axes follow: (x, y) for z up,
        (x, -z) for y up, (y, z) for x up.
    origin_m : tuple of 3 floats
        Plan x, plan y and level of the campaign's local origin [m].
    height_unit_m : float, optional
        Metres in one unit of the file's heights, where that differs.
    rotation : 3 rows of 3, optional
        Plan x, plan y and up as unit vectors in the file's axes, in the place of ``up``:
        of a scan that stands oblique to all of them, or was brought into another's frame.
        ``up`` then says only along which axis heights have a unit of their own.
    """

    unit_m: float = 1.0
    up: UpAxis = "z"
    origin_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    height_unit_m: float | None = None
    rotation: Rotation | None = None

    def to_metres(self, raw: NDArray[np.float64]) -> NDArray[np.float64]:
        """Raw file coordinates (n, 3) as plan x, plan y, level [m], origin kept.

        Examples
        --------
        >>> Frame(unit_m=0.001, up="y").to_metres(np.array([[1000.0, 20.0, 3000.0]]))
        array([[ 1.  , -3.  ,  0.02]])
        """
        if self.rotation is not None:
            return _turned(raw * self._unit_of_axes(), self.rotation)
        out = np.empty_like(raw, dtype=np.float64)
        for row, (axis, factor) in enumerate(zip(*self.axes_and_factors(), strict=True)):
            np.multiply(raw[:, axis], factor, out=out[:, row])
        return out

    def _unit_of_axes(self) -> NDArray[np.float64]:
        """Metres in one unit along each axis of the file (3,)."""
        unit_m = np.full(3, self.unit_m)
        unit_m["xyz".index(self.up[-1])] = self.upright_unit_m
        return unit_m

    def axes(self) -> NDArray[np.float64]:
        """Plan x, plan y and up as unit vectors in the file's axes (3, 3)."""
        if self.rotation is not None:
            return np.asarray(self.rotation, np.float64)
        out = np.zeros((3, 3))
        for row, (axis, sign) in enumerate(_AXES[self.up]):
            out[row, axis] = sign
        return out

    @property
    def upright_unit_m(self) -> float:
        """Metres in one unit of the file's heights."""
        return self.unit_m if self.height_unit_m is None else self.height_unit_m

    def axes_and_factors(self) -> tuple[tuple[int, int, int], tuple[float, float, float]]:
        """File axis of plan x, plan y and up, and metres in one unit along it, with its sign.

        Examples
        --------
        >>> Frame(unit_m=0.001, up="y").axes_and_factors()
        ((0, 2, 1), (0.001, -0.001, 0.001))
        """
        (a, i), (b, j), (c, k) = _AXES[self.up]
        return (a, b, c), (i * self.unit_m, j * self.unit_m, k * self.upright_unit_m)

    def to_lattice(self, raw: NDArray[np.float64]) -> NDArray[np.int64]:
        """Raw file coordinates (n, 3) as int64 lattice points (n, 3) from the origin."""
        local = self.to_metres(raw)
        local -= np.asarray(self.origin_m)
        local /= LATTICE_M
        return np.rint(local, out=local).astype(np.int64)


def _turned(points: NDArray[np.float64], rotation: Rotation) -> NDArray[np.float64]:
    """Points in the turned axes, each by itself: a matrix product may differ with the batch."""
    x, y, z = points.T
    return np.stack([a * x + b * y + c * z for a, b, c in rotation], axis=1)


Reader = Callable[[str, int, int, Any], NDArray[np.float64]]
"""A module-level function (path, start, count, details) -> raw coordinates (n, 3) float64.

It drops what is no measurement (NaN, withheld, no return), and raises
``ScanError`` where the file holds less than was promised.
"""

LatticeReader = Callable[[str, int, int, Any, Frame], "NDArray[np.int64] | None"]
"""A module-level function that reads and places points in one go, to the same bits as reader and
frame do one after the other; None where it cannot."""

Thinner = Callable[[Any, int, int], Any]
"""A module-level function (details, one in, before) -> details with which the reader reads about
one record in so many: the same ones however the file is cut into pieces, and where ``before``
records of the campaign lie in other files, however it is cut into files if the format allows."""


@dataclass(frozen=True)
class ChunkRef:
    """A piece of a file: ``count`` records from ``start``, and how to read them."""

    path: str
    start: int
    count: int
    reader: Reader
    frame: Frame
    details: Any = None
    thinner: Thinner | None = None
    """How to read a part of the records evenly, where the format allows."""
    lattice_reader: LatticeReader | None = None
    """A faster way to lattice points, where there is one."""

    @property
    def thins(self) -> bool:
        """Whether a part of the records can be read without reading all."""
        return self.thinner is not None

    def thinned(self, one_in: int, before: int = 0) -> ChunkRef:
        """The same piece, of which about one record in so many is read.

        Parameters
        ----------
        one_in : int
        before : int
            Records of the campaign in the files before this one.
        """
        if self.thinner is None:
            msg = f"{self.path}: records from {self.start} cannot be thinned"
            raise ValueError(msg)
        return replace(self, details=self.thinner(self.details, one_in, before))

    def load(self) -> NDArray[np.int64]:
        """Lattice points (n, 3), n at most ``count``."""
        told = (self.path, self.start, self.count, self.details)
        if self.lattice_reader is not None:
            points = self.lattice_reader(*told, self.frame)
            if points is not None:
                return points
        return self.frame.to_lattice(self.reader(*told))


@dataclass(frozen=True)
class Station:
    """One set-up of the instrument, or one file where set-ups are not told apart."""

    name: str
    chunks: tuple[ChunkRef, ...]
    place_m: tuple[float, float, float] | None = None
    """Where the instrument stood (plan x, plan y, level, without the origin), if the file says."""


@dataclass(frozen=True)
class InputFile:
    """What a file is, as ``result.json`` lists it."""

    file: str
    hashed: str | Future[str]
    """SHA-256 in hexadecimal, or the promise of it: a large file is hashed while it is read."""
    points: int
    format: str
    units: str
    up: str

    @property
    def sha256(self) -> str:
        """SHA-256 of the file in hexadecimal; waits for it.

        Raises
        ------
        ScanError
            If the file changed while it was read.
        """
        return self.hashed if isinstance(self.hashed, str) else self.hashed.result()


@dataclass(frozen=True, eq=False)
class SpotLevels:
    """Single levels, as an optical level, a rotating laser or a total station gives them.

    Attributes
    ----------
    names : tuple of str
        One for each; may be empty text.
    points_m : (n, 3) float64 array
        Plan x, plan y and level [m], local (the campaign's origin subtracted).
    error_m : (n,) float64 array
        Standard error of each level [m].
    """

    names: tuple[str, ...]
    points_m: NDArray[np.float64]
    error_m: NDArray[np.float64]


@dataclass(frozen=True)
class Scan:
    """One campaign: its files, its stations, its frame. No point is loaded."""

    inputs: tuple[InputFile, ...]
    stations: tuple[Station, ...]
    frame: Frame
    low_m: tuple[float, float, float]
    """Least plan x, plan y, level of any point [m], local (origin subtracted)."""
    high_m: tuple[float, float, float]
    step_m: float = 0.0
    """Coarsest step in which a file stores its heights [m]; 0 where finer than the lattice."""
    assumptions: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = ()
    spots: SpotLevels | None = None
    """Levels at single places in the place of point clouds; there are no stations then."""
    level_known: bool = True
    """Whether the vertical is one of gravity; else only area and flatness can be had."""
    sensor_hint: SensorKind | None = None
    """Sensor that the files speak for by their kind, where the noise of the points misleads."""

    epsg: int | None = None
    """Number of the plan's system in the EPSG register, where all files state the same."""

    unit_taken: str = ""
    """The unit that was taken though nothing speaks for it: said before all else."""

    @property
    def origin_m(self) -> tuple[float, float, float]:
        """Local origin: plan x, plan y, level in the scan's own coordinates [m]."""
        return self.frame.origin_m

    @property
    def points(self) -> int:
        """Number of points in all files."""
        return sum(item.points for item in self.inputs)

    def wait_for_hashes(self) -> None:
        """Wait until each file was read to its end by whoever hashes it.

        Raises
        ------
        ScanError
            If a file changed under the reading.
        """
        for item in self.inputs:
            _ = item.sha256

    def chunks(self) -> Iterator[ChunkRef]:
        """Every chunk of every station, in order."""
        for station in self.stations:
            yield from station.chunks
