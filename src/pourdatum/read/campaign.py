"""Whether files of one campaign can be scans of one floor, or lie in frames of their own.

A station in the scanner's frame, around zero, beside one in site coordinates of millions
reads well and means nothing: the floor is sought in the one, or in neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError

Array = NDArray[np.float64]

PLAN_APART_M: Final = 100.0
"""Gap in plan that one floor cannot have [m]: an instrument 2 m above it sees floor to some
50 m, where the ray comes in at 2°, so that two files that see one floor from neighbouring
set-ups leave less than twice that between them (geometry; the reach is common practice, no
source). Tiles touch, stations overlap: a hall of any length passes."""
LEVELS_APART_M: Final = 60.0
"""Gap in height [m]: one file may hold the floor alone and another the roof; no hall of which
the floor is scanned is higher (as in ``sizing``)."""


def box_of(points_m: Array) -> Array:
    """The box around all but the farthest 1 % along each axis, (2, 3): strays are no bridge."""
    return np.asarray(np.quantile(points_m, (0.005, 0.995), axis=0))


def check_together(names: Sequence[str], boxes_m: Array, *, upright: bool = True) -> None:
    """Refuse files that lie too far apart to be scans of one floor.

    Files hang together where the gap between their boxes is at most ``PLAN_APART_M`` in plan
    and ``LEVELS_APART_M`` in height, directly or over others. Two local frames, both around
    zero, cannot be told from one by this.

    Parameters
    ----------
    names : sequence of str
        The files, as the user wrote them.
    boxes_m : (n, 2, 3) array
        Least and greatest plan x, plan y and level of each, in one frame [m].
    upright : bool
        Whether the third is known to be a level; if not, no axis may gap more than a plan's.

    Raises
    ------
    JobError
        If not all hang together; one that is outside the largest group is named.

    Examples
    --------
    >>> boxes = np.array([[[0, 0, 0], [9, 9, 3]], [[5000, 0, 0], [5009, 9, 3]]], float)
    >>> check_together(["a.las", "b.las"], boxes)
    Traceback (most recent call last):
    pourdatum.errors.JobError: b.las: lies 4991 m from a.las, too far for one floor; register \
them into one frame, or run them one by one
    """
    groups = _groups(boxes_m, upright)
    if len(groups) == 1:
        return
    main = max(groups, key=len)
    odd = next(group for group in groups if group is not main)
    plan_m, level_m = _gaps(boxes_m[odd][:, None], boxes_m[main][None], upright)
    one, other = np.unravel_index(np.argmin(np.hypot(plan_m, level_m)), plan_m.shape)
    far_m, up_m = float(plan_m[one, other]), float(level_m[one, other])
    if far_m > PLAN_APART_M:
        told = f"lies {_length(far_m)} from"
    else:
        above = boxes_m[odd[one], 0, 2] > boxes_m[main[other], 0, 2]
        told = f"lies {_length(up_m)} {'above' if above else 'below'}"
    rest = f" and {len(main) - 1} more" if len(main) > 1 else ""
    raise JobError(
        f"{told} {names[main[other]]}{rest}, too far for one floor",
        where=names[odd[one]],
        hint="register them into one frame, or run them one by one",
        id="frames-apart",
    )


def _gaps(ones: Array, others: Array, upright: bool) -> tuple[Array, Array]:
    """Gaps in plan and in height between boxes (..., 2, 3) and (..., 2, 3) [m]; 0 where they meet.

    What is not upright has gaps in plan alone.

    Examples
    --------
    >>> one, other = np.array([[[0, 0, 0], [1, 1, 1]], [[4, 5, 1], [9, 9, 9]]], float)
    >>> [float(gap) for gap in _gaps(one, other, True)]
    [5.0, 0.0]
    """
    gap = np.maximum(others[..., 0, :] - ones[..., 1, :], ones[..., 0, :] - others[..., 1, :])
    gap = np.maximum(gap, 0.0)
    if not upright:
        return np.linalg.norm(gap, axis=-1), np.zeros(gap.shape[:-1])
    return np.hypot(gap[..., 0], gap[..., 1]), gap[..., 2]


def _groups(boxes_m: Array, upright: bool) -> list[list[int]]:
    """Files that hang together, each group in order, groups by their first file."""
    left = np.ones(len(boxes_m), bool)
    groups = []
    while left.any():
        todo = [int(np.argmax(left))]
        left[todo] = False
        group = []
        while todo:
            k = todo.pop()
            group.append(k)
            plan_m, level_m = _gaps(boxes_m[k], boxes_m, upright)
            near = left & (plan_m <= PLAN_APART_M) & (level_m <= LEVELS_APART_M)
            left &= ~near
            todo.extend(int(i) for i in np.flatnonzero(near))
        groups.append(sorted(group))
    return groups


def _length(side_m: float) -> str:
    return f"{side_m:.0f} m" if side_m < 10_000.0 else f"{side_m / 1000.0:.0f} km"
