"""Two scans in one frame by marks that both show: targets, bolts, corners of door frames.

At least three, not in a line; with four or more they check one another. Least squares over a turn
and a shift (Kabsch 1976, by SciPy); the covariance is that of a plane through the marks' residuals
for heights, and what few marks leave open is taken from what a mark may be read to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.move import Move, as_rotation
from pourdatum.register import Registration
from pourdatum.scan import Frame

Array = NDArray[np.float64]

LEAST: Final = 3
_READ_M: Final = 0.001
"""To what a mark is read in a scan, one standard deviation [m]; common practice, no source."""
_WRONG_M: Final = 0.010
_NARROW_M: Final = 0.5
"""Width across which marks must be spread [m]; a choice."""


@dataclass(frozen=True)
class TieMark:
    """A mark in both scans, in local metres of each.

    Attributes
    ----------
    name : str
    fixed_m, moving_m : tuple of 3 floats
        Where it is before and after the pour.
    """

    name: str
    fixed_m: tuple[float, float, float]
    moving_m: tuple[float, float, float]


def register_by_marks(
    marks: Sequence[TieMark], frame: Frame, middle_m: tuple[float, float, float], *, where: str = ""
) -> Registration:
    """Bring a scan into the frame of another by marks.

    Parameters
    ----------
    marks : sequence of TieMark
    frame : Frame
        Of the fixed scan.
    middle_m : tuple
        Place on the floor for which the height's uncertainty is told, local to the fixed scan [m].
    where : str
        File of the marks, for errors.

    Raises
    ------
    JobError
        If they are too few, lie in a line, or one of them is wrong.

    Examples
    --------
    >>> marks = [TieMark(n, (x, y, 1.0), (x + 5.0, y, 0.0)) for n, x, y in
    ...          (("A", 0.0, 0.0), ("B", 6.0, 0.0), ("C", 0.0, 4.0), ("D", 6.0, 4.0))]
    >>> found = register_by_marks(marks, Frame(), (3.0, 2.0, 0.0))
    >>> [round(value, 6) for value in found.move.shift_m], round(found.residual_m, 9)
    ([-5.0, 0.0, 1.0], 0.0)
    """
    from scipy.spatial.transform import Rotation

    if len(marks) < LEAST:
        raise JobError(
            f"{len(marks)} marks are given, three at the least are needed",
            where=where, hint="add a mark that both scans show", id="marks-few",
        )  # fmt: skip
    fixed = np.array([mark.fixed_m for mark in marks])
    moving = np.array([mark.moving_m for mark in marks])
    _check_spread(fixed, where)
    turn, _ = Rotation.align_vectors(fixed - fixed.mean(axis=0), moving - moving.mean(axis=0))
    rotation = turn.as_matrix()
    shift = fixed.mean(axis=0) - rotation @ moving.mean(axis=0)
    left = np.linalg.norm(fixed - moving @ rotation.T - shift, axis=1)
    _check_wrong(marks, fixed, moving, left, where)
    residual_m = float(np.sqrt(np.mean(left**2)))
    covariance = _heights(fixed, np.asarray(middle_m), max(residual_m, _READ_M))
    x, y, z = (float(value) for value in shift)
    return Registration(
        method="marks",
        move=Move(as_rotation(rotation), (x, y, z), frame),
        residual_m=residual_m,
        height_error_m=float(np.sqrt(covariance[0, 0])),
        middle_m=np.asarray(middle_m),
        covariance=covariance,
        tie_m=fixed[:, :2],
        marks=tuple((mark.name, float(own)) for mark, own in zip(marks, left, strict=True)),
    )


def _check_spread(fixed: Array, where: str) -> None:
    plan = fixed[:, :2] - fixed[:, :2].mean(axis=0)
    across = float(np.linalg.svd(plan, compute_uv=False)[-1])
    if across < _NARROW_M:
        raise JobError(
            f"the marks lie in a line: {across:.2f} m across it in all",
            where=where, hint="add a mark well aside of the line", id="marks-in-line",
        )  # fmt: skip


def _check_wrong(
    marks: Sequence[TieMark], fixed: Array, moving: Array, left: Array, where: str
) -> None:
    """Refuse marks that do not fit: distances between them are the same in both scans."""
    apart = np.abs(_distances(fixed) - _distances(moving))
    if float(left.max()) <= _WRONG_M:
        return
    # The mark whose distances to all others are off most is the one to look at.
    worst = int(np.argmax(np.median(apart, axis=1)))
    raise JobError(
        f"mark {marks[worst].name} does not fit: distances between the marks differ by up to"
        f" {float(apart.max()) * 1000:.0f} mm from scan to scan",
        where=where,
        hint="check its coordinates and their order, or leave it out",
        id="marks-wrong",
    )


def _distances(place: Array) -> Array:
    out: Array = np.linalg.norm(place[:, None] - place[None], axis=2)
    return out


def _heights(fixed: Array, middle: Array, error_m: float) -> Array:
    """Covariance of the height at the middle and of the slopes in x and y (3, 3)."""
    design = np.column_stack([np.ones(len(fixed)), fixed[:, :2] - middle[:2]])
    out: Array = error_m**2 * np.linalg.inv(design.T @ design)
    return out
