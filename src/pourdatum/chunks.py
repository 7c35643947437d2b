"""Folds a stream of chunks into one value: load, summarise, merge.

Because summaries are sums of integers, the fold's result does not depend on how
the scan is cut, in which order pieces arrive, or how many workers take part.
Small scans keep their decoded lattice points between passes, so that a file is
decoded once.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, as_completed
from copy import copy
from dataclasses import dataclass
from itertools import groupby
from time import monotonic
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from pourdatum.cluster import gather_on
from pourdatum.errors import ScanError
from pourdatum.passing import InPairs, Keeper, Kept, Progress, Sums, Told, silent
from pourdatum.scan import ChunkRef, Scan

T = TypeVar("T")


KEEP_POINTS: Final = 6_000_000
"""Decoded points kept between passes at the most (72 MB as int32)."""
SAMPLE_POINTS: Final = 2_000_000
"""Points, about, from which the floor is found where not all are kept."""
_KEEP_AFTER_S: Final = 10.0
"""Work after which the sums over finished files are worth keeping [s]."""

_INT32_MAX: Final = 2**31 - 1


@dataclass(frozen=True)
class Means:
    """With what a scan is gone through.

    Attributes
    ----------
    workers : int, optional
        Threads that decode and summarise; decompression and NumPy's sorting leave
        the interpreter's lock. Default: the processors of this machine, at most 4.
    scheduler : str, optional
        Address of a Dask scheduler whose workers take the pass over all points.
    memory_bytes : int, optional
        What the sums over the floor's cells may take.
    keep_points : int
        Decoded points held between passes at the most.
    keeper : Keeper, optional
        Keeps the sums over finished files for a run that goes on later.
    """

    workers: int | None = None
    scheduler: str | None = None
    memory_bytes: int | None = None
    keep_points: int = KEEP_POINTS
    keeper: Keeper | None = None


class PointStore:
    """The points of a scan for several passes, decoded once where they fit.

    Parameters
    ----------
    scan : Scan
    means : Means
        Workers, memory and machines.
    """

    def __init__(self, scan: Scan, means: Means = Means()) -> None:
        self._refs: tuple[ChunkRef, ...] = tuple(scan.chunks())
        if not self._refs:
            raise ScanError(
                "the scan holds no points", where=", ".join(i.file for i in scan.inputs)
            )
        self._kept: dict[int, NDArray[np.int32]] = {}
        self.keeps_all = self.points <= means.keep_points
        self.means = means
        self._workers = means.workers or min(4, os.cpu_count() or 1)
        self.one_in = 1
        """Of how many points this store holds one, where it is a sample of another."""

    @property
    def points(self) -> int:
        """Records of all chunks."""
        return sum(ref.count for ref in self._refs)

    def sample(self) -> PointStore:
        """The store itself where all points are kept; else one with about ``SAMPLE_POINTS``.

        The thinned points depend on their place in the campaign alone, not on how it is cut into
        pieces, nor, for plain LAS, on how it is cut into files.
        """
        one_in = max(self.points // SAMPLE_POINTS, 1)
        if self.keeps_all or not all(ref.thins for ref in self._refs):
            return self
        thin = copy(self)
        refs: list[ChunkRef] = []
        before = 0
        for _, own in groupby(self._refs, lambda ref: ref.path):
            pieces = tuple(own)
            refs += [ref.thinned(one_in, before) for ref in pieces]
            before += sum(ref.count for ref in pieces)
        thin._refs = tuple(refs)
        thin._kept = {}
        thin.keeps_all = False
        thin.one_in = one_in
        return thin

    def part(self, first: int, last: int) -> PointStore:
        """A store of the chunks from one number up to another, as a set-up of the scan is."""
        own = copy(self)
        own._refs = self._refs[first:last]
        own._kept = {i - first: kept for i, kept in self._kept.items() if first <= i < last}
        return own

    def gather(
        self,
        start: Callable[[], Kept[T]],
        merge: Callable[[T, T], T],
        *,
        stage: str,
        progress: Progress = silent,
    ) -> T:
        """One value over every point; chunks are loaded and added side by side.

        Sums over files that are finished are kept now and then, where there is a keeper.

        Parameters
        ----------
        start : callable
            Makes empty sums.
        merge : callable
            Joins the values of two of them, where several machines take part.
        """
        if self.means.scheduler is not None:
            return gather_on(
                self.means.scheduler, self._refs, start, merge, stage=stage, progress=progress
            )
        sums = start()
        keeper = self.means.keeper
        files = [list(own) for _, own in groupby(range(len(self._refs)), self._file_of)]
        names = [self._file_of(own[0]) for own in files]
        finished: list[str] = []
        if keeper is not None:
            names = [keeper.identity(name) for name in names]
            held = keeper.load(sums.mark())
            if held is not None and set(held[1]) <= set(names):
                sums.take_up(held[0])
                finished += held[1]
        pace = Told(stage, progress, self.points)
        saved_s = monotonic()
        for name, own in zip(names, files, strict=True):
            if name in finished:
                pace.add(sum(self._refs[index].count for index in own))
                continue
            self._add_all(sums, own, pace)
            finished.append(name)
            last = len(finished) == len(files)
            if keeper is not None and not last and monotonic() - saved_s > _KEEP_AFTER_S:
                keeper.save(sums.mark(), sums.state(), finished)
                saved_s = monotonic()
        return sums.result()

    def _file_of(self, index: int) -> str:
        return self._refs[index].path

    def _add_all(self, sums: Sums[T], indices: list[int], pace: Told) -> None:
        """Load these chunks side by side and add each to the sums."""

        def one(index: int) -> int:
            sums.add(self._points(index))
            return self._refs[index].count

        if self._workers == 1 or len(indices) == 1:
            for index in indices:
                pace.add(one(index))
            return
        with ThreadPoolExecutor(self._workers) as pool:
            waiting = [pool.submit(one, index) for index in indices]
            try:
                for finished in as_completed(waiting):
                    pace.add(finished.result())
            except BaseException:
                for item in waiting:
                    item.cancel()
                raise

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
        joined = InPairs(merge)
        if total == 1 or self._workers == 1:
            for index in range(total):
                joined.add(one(index))
                progress(stage, (index + 1) / total)
            return joined.result()
        with ThreadPoolExecutor(self._workers) as pool:
            # A window of futures bounds what is in memory at once.
            waiting = [pool.submit(one, index) for index in range(min(total, self._workers + 1))]
            following = len(waiting)
            done = 0
            while waiting:
                joined.add(waiting.pop(0).result())
                if following < total:
                    waiting.append(pool.submit(one, following))
                    following += 1
                done += 1
                progress(stage, done / total)
            return joined.result()

    def _points(self, index: int) -> NDArray[np.int64]:
        kept = self._kept.get(index)
        if kept is not None:
            return kept.astype(np.int64)
        points = self._refs[index].load()
        fits = points.size == 0 or int(np.abs(points).max()) <= _INT32_MAX
        if self.keeps_all and fits:
            self._kept[index] = points.astype(np.int32)
        return points
