"""Unpacking the points of an E57 scan piece by piece, in order, by the library.

The library reads a scan from its beginning and cannot enter it midway. An open scan is
therefore kept for the piece that follows, and what lies between is kept for a while where
several threads ask for pieces at once. Pieces in order cost one decoding of the file; a
piece before those already read starts again from the beginning.
"""

from __future__ import annotations

import math
import os
import re
import threading
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import PourdatumError, ScanError
from pourdatum.optional import need
from pourdatum.read.e57_pages import damaged_page
from pourdatum.read.e57_scans import E57Scan
from pourdatum.read.look import VOID_SHARE, columns_of, measured
from pourdatum.read.remote import is_address
from pourdatum.read.source import Source, opened

_OPEN_MOST: Final = 2
_AHEAD_MOST: Final = 4
_TURN: Final = 2 * math.pi + 0.01
_UPRIGHT: Final = math.pi / 2 + 0.01
"""Angles go from -π to π or from 0 to 2π, and from -π/2 to π/2; the rest is rounding [rad]."""


@dataclass(frozen=True)
class Rows:
    """How to read a piece.

    Attributes
    ----------
    source : Source
    scan : E57Scan
    rows : int
        Records of a full piece.
    keep_zero : bool
        Whether a record at 0, 0, 0 is a point, not a way to say "no return".
    """

    source: Source
    scan: E57Scan
    rows: int
    keep_zero: bool = False


@dataclass(frozen=True, eq=False)
class Block:
    """Points of one piece in the scan's own frame (n, 3) [m], and what was left out.

    ``void`` counts records without numbers, ``zero`` those at 0, 0, 0.
    """

    points: NDArray[np.float64]
    void: int
    zero: int


class _Sequence:
    """One scan, open, with the next record to be read and pieces that nobody fetched yet."""

    def __init__(self, details: Rows) -> None:
        pye57 = need("pye57", purpose="reading E57 files", extra="e57")
        self._library = pye57.libe57
        self._details = details
        self._image: Any = None
        self.ahead: dict[int, Block] = {}

    def _open(self) -> None:
        library, scan = self._library, self._details.scan
        path = self._details.source.path
        if is_address(path):
            raise ScanError(
                "E57 is read from a disk only",
                where=self._details.source.shown,
                hint="copy the file to a disk and give that",
                id="e57-address",
            )
        # Names of files need not be text on POSIX.
        self._image = library.ImageFile(os.fsencode(path) if os.name == "posix" else path, "r")
        node = library.CompressedVectorNode(self._image.root().get(f"/data3D/{scan.index}/points"))
        assert scan.axes is not None
        names = [*scan.axes, *([scan.state] if scan.state else [])]
        self._columns = np.zeros((len(names), self._details.rows))
        buffers = library.VectorSourceDestBuffer()
        for name, column in zip(names, self._columns, strict=True):
            # The last two words: convert to our type, and apply scale and offset.
            buffers.append(
                library.SourceDestBuffer(self._image, name, column, len(column), True, True)
            )
        self._reader = node.reader(buffers)
        self.next = 0

    def close(self) -> None:
        """Let go of the file."""
        if self._image is not None:
            self._image.close()
            self._image = None

    def fetch(self, start: int) -> Block:
        """The piece that begins at a record."""
        if start in self.ahead:
            return self.ahead.pop(start)
        if self._image is None or start < self.next:
            self.close()
            self._open()
        while self.next < start:
            skipped = self.next
            self.ahead[skipped] = self._piece()
            if len(self.ahead) > _AHEAD_MOST:
                del self.ahead[next(iter(self.ahead))]
        return self._piece()

    def _piece(self) -> Block:
        scan = self._details.scan
        expected = min(self._details.rows, scan.records - self.next)
        count = self._reader.read()
        if count != expected:
            raise ScanError(
                f"scan {scan.index + 1} ends after {self.next + count} of {scan.records} points",
                where=self._details.source.shown,
                hint="copy or export the scan again",
                id="cut-short",
            )
        self.next += count
        block = _block(self._details, self._columns[:, :count])
        if self.next == scan.records:
            self.close()
        return block

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to be read or fetched."""
        return self._image is None and not self.ahead


_kept: dict[tuple[int, Rows], _Sequence] = {}
_keeping = threading.Lock()


def decode(details: Rows, start: int, count: int) -> Block:
    """The measurements among ``count`` records from ``start``.

    Parameters
    ----------
    details : Rows
    start, count : int
        ``start`` is a multiple of ``details.rows``.

    Raises
    ------
    ScanError
        If the data are damaged, or the file changed; in one line.
    MissingExtra
        If pye57 is not installed.
    """
    source = details.source
    # A child process shares the place in the file with its parent, so each opens its own.
    key = (os.getpid(), details)
    with _keeping, opened(source):
        sequence = _kept.pop(key, None)
        try:
            if sequence is None:
                sequence = _Sequence(details)
            block = sequence.fetch(start)
        except PourdatumError:
            raise
        except Exception as reason:
            raise _refusal(reason, details) from None
        if not sequence.is_done:
            _kept[key] = sequence
            while len(_kept) > _OPEN_MOST:
                _kept.pop(next(iter(_kept))).close()
    return block


def _block(details: Rows, columns: NDArray[np.float64]) -> Block:
    """Columns of one piece as points in the scan's frame."""
    if details.scan.state:
        columns = columns[:, columns[3] == 0.0]
    zero = 0
    if not details.keep_zero:
        # No range is nothing measured, whatever the angles say.
        told = columns[:1] if details.scan.is_spherical else columns[:3]
        there = (told != 0.0).any(axis=0)
        zero = int(np.count_nonzero(~there))
        columns = columns[:, there]
    if details.scan.is_spherical:
        columns = _with_angles(columns, details)
    with np.errstate(invalid="ignore"):
        points = _cartesian(columns) if details.scan.is_spherical else columns_of(*columns[:3])
    kept = measured(points)
    return Block(kept, len(points) - len(kept), zero)


def _with_angles(columns: NDArray[np.float64], details: Rows) -> NDArray[np.float64]:
    """Columns whose angles are none made NaN: beyond a turn, or beyond straight up or down.

    Raises
    ------
    ScanError
        If that is so of more than a hundredth: a sine of anything is a number, and would do.
    """
    azimuth, elevation = columns[1:3]
    with np.errstate(invalid="ignore"):
        beyond = (np.abs(azimuth) > _TURN) | (np.abs(elevation) > _UPRIGHT)
    many = int(np.count_nonzero(beyond))
    if many > VOID_SHARE * len(beyond):
        first = int(np.argmax(beyond))
        raise ScanError(
            f"E57: scan {details.scan.index + 1}: {many} of {len(beyond)} points have angles that "
            f"are none in radians (azimuth {azimuth[first]:.4g}, elevation {elevation[first]:.4g})",
            where=details.source.shown,
            hint="export the scan again, in Cartesian coordinates or with angles in radians",
            id="e57-angles",
        )
    return np.where(beyond, np.nan, columns) if many else columns


def _cartesian(columns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Range, azimuth and elevation as x, y, z (n, 3).

    Examples
    --------
    >>> _cartesian(np.array([[2.0], [np.pi / 2], [np.pi / 6]])).round(9) + 0.0
    array([[0.        , 1.73205081, 1.        ]])
    """
    reach, azimuth, elevation = columns[:3]
    level = reach * np.cos(elevation)
    return columns_of(level * np.cos(azimuth), level * np.sin(azimuth), reach * np.sin(elevation))


def _refusal(reason: Exception, details: Rows) -> ScanError:
    """An error of the library, in one line of ours."""
    text = str(reason)
    if "ErrorBadChecksum" in text and (page := re.search(r"\bpage=(\d+)", text)):
        return damaged_page(int(page[1]), details.source)
    first = text.strip().splitlines()[0][:120] if text.strip() else type(reason).__name__
    return ScanError(
        f"the data of scan {details.scan.index + 1} do not decode: {first}",
        where=details.source.shown,
        hint="copy or export the scan again",
        id="e57-damaged",
    )
