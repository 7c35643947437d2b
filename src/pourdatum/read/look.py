"""One look over the points of a file: how many, how far, how finely stored.

A format module hands over what it found as an ``Opened``: pieces that can be read
later, and a ``Look`` at the points. Everything in it depends on the points alone,
never on the size of the pieces.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.source import Source, opened
from pourdatum.scan import LatticeReader, Reader, Thinner, UpAxis
from pourdatum.uncertainty import SensorKind

SAMPLE_POINTS: Final = 200_000
PIECE_BYTES: Final = 256 << 20
"""A piece never asks for more than this, however long the records are."""
FAR: Final = 1e10
"""A coordinate beyond this is no measurement (a 'no value' of the writer), in any unit."""
VOID_SHARE: Final = 0.01
_REST_BYTES: Final = 1 << 16
_LATTICE_LEAST: Final = 1000
_DISTINCT_LEAST: Final = 20


@dataclass(frozen=True)
class Piece:
    """``count`` records from ``start``, and what the reader needs to find them."""

    start: int
    count: int
    details: Any
    setup: int = 0
    """Which of the file's set-ups of the instrument it belongs to."""


@dataclass(frozen=True)
class Setup:
    """One set-up of the instrument within a file: its name, and where it stood."""

    name: str
    place: tuple[float, float, float] | None = None
    """Raw coordinates, if the file says."""


@dataclass(frozen=True, eq=False)
class Look:
    """What one look over the points found, in the file's own unit and axes.

    Attributes
    ----------
    low, high : (3,) float64 arrays
        Least and greatest coordinate of the points kept.
    sample : (n, 3) float64 array
        Every k-th kept point, at most about ``SAMPLE_POINTS``.
    kept : int
        Points kept; the other records are no measurements. Where a format looks at a
        part only, box and count are what its header says.
    """

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    sample: NDArray[np.float64]
    kept: int


@dataclass(frozen=True)
class UnitDoubt:
    """A unit whose name and factor contradict each other: what is said, and what it may be."""

    told: str
    choices: tuple[str, ...]


@dataclass(frozen=True)
class StatedUnit:
    """What a file says of its units; ``None`` where it names a system without the unit.

    Attributes
    ----------
    name, unit_m : str, float
        Of the plan coordinates: name and metres in one.
    height_name, height_unit_m : str, float
        Of the heights.
    source, system : str
        What in the file says so, and the reference system it names, for people.
    doubt, height_doubt : UnitDoubt or None
        Where the file contradicts itself; only the user can tell.
    epsg : int or None
        Number of the plan's system in the EPSG register, where the file says.
    """

    name: str | None
    unit_m: float | None
    height_name: str | None
    height_unit_m: float | None
    source: str
    system: str
    doubt: UnitDoubt | None = None
    height_doubt: UnitDoubt | None = None
    epsg: int | None = None


@dataclass(frozen=True, eq=False)
class Opened:
    """A file that was checked and looked over, ready to be read in pieces.

    Attributes
    ----------
    format : str
        Name and version or kind of the format.
    records : int
        Point records in the file.
    pieces : tuple of Piece
        Together every record once, in order.
    reader : callable
        Reads a piece; see ``pourdatum.scan.Reader``.
    look : Look
        One look over the points.
    thinner : callable, optional
        Lets the reader read a part of the records; see ``pourdatum.scan.Thinner``.
    lattice_reader : callable, optional
        A faster way to lattice points; see ``pourdatum.scan.LatticeReader``.
    step : tuple of 3 floats
        Step in which each coordinate is stored [file unit]; 0 where not known.
    metres_by_convention, up_by_convention : bool, str or None
        What the format lays down where the file says nothing.
    stated_unit : StatedUnit or None
    up_hint : (str, str) or None
        Vertical that the file's own kind of frame suggests, and why.
    setups : tuple of Setup
        Set-ups of the instrument that the file tells apart; empty where it does not.
    sensor_hint : str or None
        Sensor that the kind of file speaks for, where its noise does not.
    notes, warnings : tuples
        What was assumed; (code, text) of what was odd.
    """

    format: str
    records: int
    pieces: tuple[Piece, ...]
    reader: Reader
    look: Look
    thinner: Thinner | None = None
    lattice_reader: LatticeReader | None = None
    step: tuple[float, float, float] = (0.0, 0.0, 0.0)
    metres_by_convention: bool = False
    up_by_convention: UpAxis | None = None
    stated_unit: StatedUnit | None = None
    up_hint: tuple[UpAxis, str] | None = None
    setups: tuple[Setup, ...] = ()
    sensor_hint: SensorKind | None = None
    notes: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = ()


class Gatherer:
    """Adds up a look, piece by piece; the pieces' size leaves no trace."""

    def __init__(self, records: int) -> None:
        self._every = max(1, -(-records // SAMPLE_POINTS))
        self._low = np.full(3, np.inf)
        self._high = np.full(3, -np.inf)
        self._sample: list[NDArray[np.float64]] = []
        self.kept = 0

    def add(self, points: NDArray[np.float64]) -> None:
        """Take in the kept points of one piece, (n, 3)."""
        if len(points) == 0:
            return
        for axis, along in enumerate(points.T):  # over three side by side NumPy is slow
            self._low[axis] = np.minimum(self._low[axis], along.min())
            self._high[axis] = np.maximum(self._high[axis], along.max())
        self._sample.append(points[-self.kept % self._every :: self._every].copy())
        self.kept += len(points)

    def result(self) -> Look:
        """The look over all pieces added."""
        sample = np.concatenate(self._sample) if self._sample else np.empty((0, 3))
        return Look(self._low, self._high, sample, self.kept)


def look_over(source: Source, pieces: Iterable[Piece], reader: Reader, records: int) -> Look:
    """Read every piece once and gather the look."""
    gatherer = Gatherer(records)
    for piece in pieces:
        gatherer.add(reader(source.path, piece.start, piece.count, piece.details))
    return gatherer.result()


def rows_per_piece(chunk_points: int, record_bytes: int) -> int:
    """Records of a piece: as many as asked, within ``PIECE_BYTES``.

    Examples
    --------
    >>> rows_per_piece(1_000_000, 34), rows_per_piece(1_000_000, 60_000)
    (1000000, 4473)
    """
    return max(1, min(chunk_points, PIECE_BYTES // max(1, record_bytes)))


def columns_of(
    x: NDArray[np.generic], y: NDArray[np.generic], z: NDArray[np.generic]
) -> NDArray[np.float64]:
    """Columns of any number type as coordinates (n, 3) in float64."""
    points = np.empty((len(x), 3))
    with np.errstate(invalid="ignore"):  # some NaN of float32 "signal" when they are widened
        for column, values in enumerate((x, y, z)):
            points[:, column] = values
    return points


def measured(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The points that are measurements: finite, and not absurdly far.

    Examples
    --------
    >>> measured(np.array([[1.0, 2.0, 3.0], [np.nan, 0.0, 0.0], [3e38, 0.0, 0.0]]))
    array([[1., 2., 3.]])
    """
    good = (np.abs(points) < FAR).all(axis=1)  # NaN compares false
    return points if good.all() else points[good]


def check_voids(void: int, records: int, source: Source) -> tuple[tuple[str, str], ...]:
    """What is said of points without numbers: nothing of none, a warning of a few.

    Raises
    ------
    ScanError
        If more than a hundredth of the file is no number (1 % of the records).
    """
    if void > VOID_SHARE * records:
        raise ScanError(
            f"{void} of {records} points are no numbers (NaN, infinite or 'no value')",
            where=source.shown,
            hint="export the scan again without invalid points",
            id="void-points",
        )
    if not void:
        return ()
    return (("void-points", f"{source.shown}: {void} points without numbers left out"),)


def told_returns(lost: int, records: int, source: Source) -> tuple[tuple[str, str], ...]:
    """What is said of records that had no return; nothing of none."""
    if not lost:
        return ()
    return (("no-return", f"{source.shown}: {lost} of {records} points had no return"),)


def check_rest(
    source: Source, end: int, record_bytes: int, records: int
) -> tuple[tuple[str, str], ...]:
    """What stands after the last record: nothing, a few bytes (told), or more records.

    Raises
    ------
    ScanError
        If whole records follow: the count in the header cuts the scan short.
    """
    rest = source.size - end
    if rest == 0:
        return ()
    whole, over = divmod(rest, record_bytes)
    if whole and not over:
        with opened(source) as stream:
            stream.seek(end)
            padding = not stream.read(_REST_BYTES).strip(b"\0")
        if not padding:
            raise ScanError(
                f"header says {records} points, file holds {records + whole}",
                where=source.shown,
                hint="the header is wrong: export the scan again",
                id="more-points",
            )
    return (("trailing-bytes", f"{source.shown}: {rest} bytes after the last point are not read"),)


def stored_step(values: NDArray[np.float64], float32: bool = False) -> float:
    """The step in which values are stored, as the values themselves show [their unit].

    Rounded text and rounded exports sit on multiples of 1, 2 or 5 in some decimal;
    float32 on multiples of a power of two that grows with the distance from zero.
    The coarsest that fits is the answer; 0 where nothing finer than chance shows.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> heights = rng.normal(67.0, 0.3, 5000)
    >>> stored_step(heights), stored_step(np.round(heights, 2))
    (0.0, 0.01)
    >>> stored_step((4.3e6 + heights).astype(np.float32).astype(float), float32=True)
    0.5
    """
    if len(values) == 0:
        return 0.0
    spread = float(np.quantile(np.abs(values), 0.99))
    ulp = float(np.spacing(np.float32(spread))) if float32 else float(np.spacing(spread))
    distinct = np.unique(values)
    if len(values) >= _LATTICE_LEAST and len(distinct) >= _DISTINCT_LEAST:
        for step in _STEPS:
            if step <= 4 * ulp:
                break
            turns = distinct / step
            if np.max(np.abs(turns - np.rint(turns))) * step <= 2 * ulp:
                return step
    return ulp if float32 else 0.0


_STEPS: Final = tuple(
    sorted(
        {float(f"{m}e{k}") for m in (1, 2, 5) for k in range(-5, 3)}
        | {2.0**k for k in range(-13, 7)},
        reverse=True,
    )
)
