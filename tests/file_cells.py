"""The cells of scans in files, and whether two of them hold the same bits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells, gather_cells
from pourdatum.chunks import Means, PointStore
from pourdatum.levels import find_level
from pourdatum.passing import Progress, silent
from pourdatum.scan import Scan
from read_bytes import las_bytes


def las_of_metres(points_m: NDArray[np.float64]) -> bytes:
    """A LAS file of points (n, 3) [m], in steps of 0.1 mm."""
    return las_bytes(np.rint(points_m / 1e-4).astype(np.int64))


def cells_of(scan: Scan, means: Means, progress: Progress = silent) -> Cells:
    """The cells of 50 mm of a scan; only the pass over all points tells its progress."""
    store = PointStore(scan, means)
    return gather_cells(store, find_level(store, silent), 0.05, progress)


def same(a: Cells, b: Cells) -> bool:
    """Whether both hold the same bits."""
    return all(
        np.array_equal(getattr(getattr(a, column), name), getattr(getattr(b, column), name))
        for column in ("band", "structure")
        for name in ("cell", "height_m", "z_m", "x_m", "y_m", "count")
    )
