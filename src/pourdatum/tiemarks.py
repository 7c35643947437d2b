"""Two scans in one frame by marks that both show: targets, bolts, corners of door frames.

At least three, not in a line; with four or more they check one another. Least squares over a turn
and a shift (Kabsch 1976, by SciPy); the covariance is that of a plane through the marks' residuals
for heights, and what few marks leave open is taken from what a mark may be read to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.adjustment import Freedom
from pourdatum.errors import JobError
from pourdatum.move import Move, as_place, as_rotation
from pourdatum.register import Registration, freedom_of
from pourdatum.scan import Frame
from pourdatum.tiechecks import too_far
from pourdatum.uncertainty import COVER_95, SENSORS
from pourdatum.units import MM

Array = NDArray[np.float64]

LEAST: Final = 3
_READ_M: Final = 0.001
"""To what a mark is read in a scan, one standard deviation [m]; common practice, no source."""
_WRONG_M: Final = 0.006
"""Distance of a mark from where the others put it, from which one of them is wrong [m]: four times
the difference of two readings."""
_FAR_M: Final = 0.02
"""Uncertainty of the height from which marks lie too far from the floor to carry it there [m]."""
_TRIPODS: Final = freedom_of((SENSORS["tripod"], SENSORS["tripod"]))
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


def height_by_marks_m(count: int) -> float:
    """Standard uncertainty of the height amid so many marks, each read in both scans [m].

    Examples
    --------
    >>> round(1000 * height_by_marks_m(4), 3)
    0.707
    """
    return math.sqrt(2.0 / count) * _READ_M


def register_by_marks(
    marks: Sequence[TieMark],
    frame: Frame,
    middle_m: tuple[float, float, float],
    *,
    freedom: Freedom = _TRIPODS,
    where: str = "",
) -> Registration:
    """Bring a scan into the frame of another by marks.

    Parameters
    ----------
    marks : sequence of TieMark
    frame : Frame
        Of the fixed scan.
    middle_m : tuple
        Place on the floor for which the height's uncertainty is told, local to the fixed scan [m].
    freedom : Freedom
        How far the verticals of the two scans may differ, and either bends; default tripods.
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
    _check_twice(marks, where)
    _check_spread(fixed, where)
    turn, _ = Rotation.align_vectors(fixed - fixed.mean(axis=0), moving - moving.mean(axis=0))
    rotation = turn.as_matrix()
    shift = fixed.mean(axis=0) - rotation @ moving.mean(axis=0)
    left = np.linalg.norm(fixed - moving @ rotation.T - shift, axis=1)
    _check_wrong(marks, fixed, moving, left, where)
    _check_upright(rotation, freedom, where)
    residual_m = float(np.sqrt(np.mean(left**2)))
    covariance = _heights(fixed, np.asarray(middle_m), max(residual_m, _READ_M))
    tied_m = float(np.sqrt(covariance[0, 0]))
    if tied_m > _FAR_M:
        raise JobError(
            f"the marks carry heights to the floor to {COVER_95 * tied_m * MM:.0f} mm only",
            where=where, hint="take marks around the floor, and not beside it", id="marks-far",
        )  # fmt: skip
    return Registration(
        method="marks",
        move=Move(as_rotation(rotation), as_place(shift), frame),
        residual_m=residual_m,
        height_error_m=math.hypot(tied_m, freedom.bend_m),
        middle_m=np.asarray(middle_m),
        covariance=covariance,
        tie_m=fixed[:, :2],
        bend_m=freedom.bend_m,
        marks=tuple((mark.name, float(own)) for mark, own in zip(marks, left, strict=True)),
    )


def _check_twice(marks: Sequence[TieMark], where: str) -> None:
    for k, one in enumerate(marks):
        for other in marks[:k]:
            if one.name == other.name or one.fixed_m == other.fixed_m:
                word = "name" if one.name == other.name else "place"
                raise JobError(
                    f"two marks have one {word}: {other.name} and {one.name}",
                    where=where, hint="leave one of them out", id="marks-twice",
                )  # fmt: skip


def _check_upright(rotation: Array, freedom: Freedom, where: str) -> None:
    """Refuse marks by which one scan would lean against the other: one is wrong in height."""
    told = too_far(rotation, freedom)
    if told:
        raise JobError(
            f"by these marks one scan leans by {told}: one of them is wrong in height",
            where=where, hint="check their heights; one more mark tells which", id="marks-lean",
        )  # fmt: skip


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
    if float(left.max()) <= _WRONG_M:
        return
    apart = np.abs(_distances(fixed) - _distances(moving))
    if float(apart.max()) <= _WRONG_M:
        raise JobError(
            "the marks of one scan are those of the other in a mirror",
            where=where, hint="exchange the columns x and y of one of them", id="marks-mirrored",
        )  # fmt: skip
    # The mark whose distances to all others are off most is the one to look at.
    worst = int(np.argmax(np.median(apart, axis=1)))
    raise JobError(
        f"mark {marks[worst].name} does not fit: its distances from the others differ by"
        f" {float(np.median(apart[worst])) * MM:.0f} mm from scan to scan, and the marks meet to"
        f" {float(left.max()) * MM:.0f} mm only",
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
