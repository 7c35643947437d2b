"""Folds a stream of chunks into one value: load, summarise, merge.

Because summaries are sums of integers, the fold's result does not depend on how
the scan is cut, in which order pieces arrive, or how many workers take part.
Small scans keep their decoded lattice points between passes, so that a file is
decoded once.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.scan import ChunkRef, Scan

T = TypeVar("T")

Progress = Callable[[str, float | None], None]
"""Called with the stage's name and the share done (0 to 1, or None)."""

KEEP_POINTS: Final = 20_000_000
"""Decoded points kept between passes at the most (240 MB as int32)."""

_INT32_MAX: Final = 2**31 - 1


def silent(stage: str, done: float | None) -> None:
    """A progress that says nothing."""


class PointStore:
    """The points of a scan for several passes, decoded once where they fit.

    Parameters
    ----------
    scan : Scan
    keep_points : int
        Budget of decoded points held between passes.
    workers : int, optional
        Threads that decode and summarise; decompression and NumPy's sorting leave
        the interpreter's lock. Default: the processors of this machine, at most 4.
    """

    def __init__(
        self, scan: Scan, keep_points: int = KEEP_POINTS, workers: int | None = None
    ) -> None:
        self._refs: tuple[ChunkRef, ...] = tuple(scan.chunks())
        if not self._refs:
            raise ScanError(
                "the scan holds no points", where=", ".join(i.file for i in scan.inputs)
            )
        self._kept: dict[int, NDArray[np.int32]] = {}
        self._keep = sum(ref.count for ref in self._refs) <= keep_points
        self._workers = workers or min(4, os.cpu_count() or 1)

    def fold(
        self,
        summarise: Callable[[NDArray[np.int64]], T],
        merge: Callable[[T, T], T],
        *,
        stage: str,
        progress: Progress = silent,
    ) -> T:
        """``merge`` of ``summarise(points)`` over every chunk; points are (n, 3) int64."""
        total = len(self._refs)

        def one(index: int) -> T:
            return summarise(self._points(index))

        progress(stage, 0.0)
        if total == 1 or self._workers == 1:
            result = one(0)
            progress(stage, 1 / total)
            for index in range(1, total):
                result = merge(result, one(index))
                progress(stage, (index + 1) / total)
            return result
        with ThreadPoolExecutor(self._workers) as pool:
            # A window of futures bounds what is in memory at once.
            waiting = [pool.submit(one, index) for index in range(min(total, self._workers + 1))]
            following = len(waiting)
            result = waiting.pop(0).result()
            done = 1
            progress(stage, done / total)
            while waiting:
                if following < total:
                    waiting.append(pool.submit(one, following))
                    following += 1
                result = merge(result, waiting.pop(0).result())
                done += 1
                progress(stage, done / total)
            return result

    def _points(self, index: int) -> NDArray[np.int64]:
        kept = self._kept.get(index)
        if kept is not None:
            return kept.astype(np.int64)
        points = self._refs[index].load()
        fits = points.size == 0 or int(np.abs(points).max()) <= _INT32_MAX
        if self._keep and fits:
            self._kept[index] = points.astype(np.int32)
        return points
