"""What one would chain instead, each as a program of its own: ``scripts/benchmark`` times them.

``read`` only decodes the points in pieces, with scaled coordinates: everything is held against it.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

CELL_M = 0.05
_PIECE = 1_000_000


def pieces(path: Path) -> list[NDArray[np.float64]]:
    """All points, a list of pieces (n, 3)."""
    import laspy

    with laspy.open(path, laz_backend=laspy.LazBackend.LazrsParallel) as file:
        return [
            np.stack([np.asarray(axis) for axis in (part.x, part.y, part.z)], axis=1)
            for part in file.chunk_iterator(_PIECE)
        ]


def read(path: Path) -> None:
    """Decode every point once, and keep none."""
    import laspy

    with laspy.open(path, laz_backend=laspy.LazBackend.LazrsParallel) as file:
        for part in file.chunk_iterator(_PIECE):
            for axis in (part.x, part.y, part.z):
                np.asarray(axis)


def binned_mean(path: Path) -> None:
    """Mean level over cells of 50 mm."""
    from scipy.stats import binned_statistic_2d

    points = np.concatenate(pieces(path))
    x, y, z = points.T
    bins = [max(int(np.ptp(axis) / CELL_M), 1) for axis in (x, y)]
    binned_statistic_2d(x, y, z, "mean", bins)


def plane(path: Path) -> None:
    """The largest plane within 10 mm, by random samples."""
    import open3d

    _cloud(open3d, path).segment_plane(0.01, 3, 100)


def voxels(path: Path) -> None:
    """One point for each voxel of 50 mm."""
    import open3d

    _cloud(open3d, path).voxel_down_sample(CELL_M)


def _cloud(open3d: object, path: Path) -> object:
    points = np.concatenate(pieces(path))
    return open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))  # type: ignore[attr-defined]


STEPS: dict[str, Callable[[Path], None]] = {
    "read": read, "binned-mean": binned_mean, "plane": plane, "voxels": voxels,
}  # fmt: skip

if __name__ == "__main__":
    step = STEPS[sys.argv[1]]
    for name in sys.argv[2:]:
        step(Path(name))
