"""Writes point clouds that other programs open: LAS and LAZ, PLY, PCD.

A file is written beside its target and renamed when whole, so that no half scan
ever bears the name that was asked for.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, OutputError

SCAN_EXTENSIONS: Final = (".las", ".laz", ".ply", ".pcd")
LAS_SCALE_M: Final = 0.0001
_LAS_DATE_AT: Final = 90

Points = NDArray[np.float64]


def write_scan(
    path: str | Path, points_m: Points, station: NDArray[np.int64] | None = None
) -> Path:
    """Write a point cloud in the format that the extension names.

    Parameters
    ----------
    path : str or Path
        Ends in .las, .laz, .ply or .pcd.
    points_m : (n, 3) float64
        Plan x, plan y, level [m].
    station : (n,) int64, optional
        Number of the set-up that saw each point, from 0. LAS and LAZ keep it as the
        point source ID (set-up + 1, as 0 means not given); the others drop it.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    JobError
        If the extension is none of these, or the points are none or not finite.
    OutputError
        If the file cannot be written.
    """
    target = Path(path)
    suffix = target.suffix.lower()
    if suffix not in SCAN_EXTENSIONS:
        raise JobError(
            f"extension '{target.suffix}' names no format",
            where=target.name,
            hint=f"end the name in one of {', '.join(SCAN_EXTENSIONS)}",
            id="format",
        )
    if points_m.ndim != 2 or points_m.shape[1] != 3 or len(points_m) == 0:
        raise JobError(
            f"points have shape {points_m.shape}", where=target.name, hint="give (n, 3), n > 0"
        )
    if not np.isfinite(points_m).all():
        raise JobError("points are not all finite", where=target.name, hint="drop NaN and inf")
    if suffix == ".ply":
        _beside(target, lambda out: write_ply(out, points_m))
    elif suffix == ".pcd":
        _beside(target, lambda out: write_pcd(out, points_m))
    else:
        _beside(target, lambda out: write_las(out, points_m, station, packed=suffix == ".laz"))
    return target


def write_text(path: str | Path, text: str) -> Path:
    """Write a small text file in UTF-8, whole or not at all.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    target = Path(path)
    _beside(target, lambda out: out.write(text.encode("utf-8")))
    return target


def write_las(
    out: IO[bytes],
    points_m: Points,
    station: NDArray[np.int64] | None = None,
    *,
    packed: bool = False,
) -> None:
    """LAS 1.4, point format 6, in steps of 0.1 mm from a local offset; LAZ where packed.

    The offset is the whole metre below the least coordinate, so that site coordinates of
    millions of metres cost nothing of the 32 bits. The date in the header is left empty:
    two runs write the same bytes.
    """
    import laspy

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, LAS_SCALE_M)
    header.offsets = np.floor(points_m.min(axis=0))
    header.generating_software = "pourdatum"
    las = laspy.LasData(header)
    las.x, las.y, las.z = points_m[:, 0], points_m[:, 1], points_m[:, 2]
    las.return_number = np.ones(len(points_m), np.uint8)
    las.number_of_returns = np.ones(len(points_m), np.uint8)
    if station is not None:
        las.point_source_id = (station + 1).astype(np.uint16)
    las.write(out, do_compress=packed)
    out.seek(_LAS_DATE_AT)
    out.write(bytes(4))
    out.seek(0, os.SEEK_END)


def write_ply(out: IO[bytes], points_m: Points) -> None:
    """PLY 1.0, binary little endian, x y z in double."""
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        f"element vertex {len(points_m)}",
        *(f"property double {axis}" for axis in "xyz"),
        "end_header",
    ]
    out.write(("\n".join(lines) + "\n").encode("ascii"))
    out.write(np.ascontiguousarray(points_m, "<f8").tobytes())


def write_pcd(out: IO[bytes], points_m: Points) -> None:
    """PCD 0.7, binary, x y z as 8-byte floats."""
    n = len(points_m)
    lines = [
        "VERSION 0.7",
        "FIELDS x y z",
        "SIZE 8 8 8",
        "TYPE F F F",
        "COUNT 1 1 1",
        f"WIDTH {n}",
        "HEIGHT 1",
        "VIEWPOINT 0 0 0 1 0 0 0",
        f"POINTS {n}",
        "DATA binary",
    ]
    out.write(("\n".join(lines) + "\n").encode("ascii"))
    out.write(np.ascontiguousarray(points_m, "<f8").tobytes())


def _beside(target: Path, write: Callable[[IO[bytes]], Any]) -> None:
    """Write into a file beside the target, then give it the target's name."""
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as out:
            write(out)
            if not out.closed:
                out.flush()
                os.fsync(out.fileno())
        part.replace(target)
    except OSError as reason:
        raise OutputError(
            f"cannot be written ({reason.strerror or reason})",
            where=str(target),
            hint="choose another place, or free some",
        ) from reason
    finally:
        part.unlink(missing_ok=True)
