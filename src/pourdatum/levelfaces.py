"""Level faces at other heights than the ceiling: soffits of doorways, ledges, bulkheads.

An adjustment takes the face that most patches lie on as unmoved, and what disagrees with it as an
outlier. A soffit is a few dozen cubes under tens of thousands, so a ceiling that was hung lower
silences it. Here each face that joins a wall is asked by itself how far it rose.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

_NEIGHBOUR: Final = 2.0
"""Distance up to which cubes are one face, in sides."""
_STEP_M: Final = 0.01
"""Step across which they are not [m]."""
_REACH_M: Final = 0.2
"""Difference in height up to which two faces may be one [m]."""
_BESIDE: Final = 1.5
"""Distance in plan within which they may, in sides."""
_WALL: Final = 3.0
"""Distance from a wall within which a face joins it, in sides."""
_LEAST: Final = 12
"""Cubes of a face that are met in both scans, at the least; a choice."""
_LEAST_SHARE: Final = 0.4
"""And their share of the face."""
_TOGETHER_M: Final = 0.008
"""Scatter of differences, robust, from which a face is none [m]."""
_ALIKE: Final = 9.0
"""Cubes whose means err alike, for their faces are smoothed over that many."""
_MIXED_M: Final = 0.001
"""What a small face errs by besides, for spots at its edge are half wall [m]."""
_BOARD_M: Final = 0.0095
"""Thinnest board that ceilings are usually lined with [m]; common practice, no source."""
_LEAST_M: Final = 0.005
_TIMES: Final = 3.0
"""Difference from what the heights were tied by, [m] and in standard errors, from which one of the
two moved."""


@dataclass(frozen=True)
class LevelFace:
    """A level face that both scans show, against what their heights were tied by.

    Attributes
    ----------
    height_m : float
        Over the floor [m].
    rise_m : float
        By how much it lies higher in the moved scan than in the fixed one [m].
    error_m : float
        Its standard uncertainty [m].
    area_m2 : float
        Of it, met in both [m²].
    """

    height_m: float
    rise_m: float
    error_m: float
    area_m2: float

    @property
    def differs(self) -> bool:
        """Whether it contradicts what the scans were tied by.

        Examples
        --------
        >>> LevelFace(2.1, 0.040, 0.001, 0.1).differs, LevelFace(2.1, 0.003, 0.001, 0.1).differs
        (True, False)
        """
        return abs(self.rise_m) > max(_LEAST_M, _TIMES * self.error_m)

    @property
    def agrees(self) -> bool:
        """Whether it bears that out, known well enough to notice a board.

        Examples
        --------
        >>> [LevelFace(2.1, 0.002, error, 0.1).agrees for error in (0.001, 0.004)]
        [True, False]
        """
        return not self.differs and _TIMES * self.error_m <= _BOARD_M


def faces_between(
    own_m: Array,
    height_m: Array,
    other_m: Array,
    normal: Array,
    wall_m: Array,
    cube_m: float,
    bend_m: float = 0.0,
) -> tuple[LevelFace, ...]:
    """Level faces of a scan, brought into the frame of another, against those of the other.

    Parameters
    ----------
    own_m : (n, 3) array
        Places of the moved scan on level faces over head height, in the fixed one's frame [m].
    height_m : (n,) array
        Their height over the floor [m].
    other_m, normal : (k, 3) array
        Places of the fixed scan on such faces [m], and the normals there.
    wall_m : (m, 3) array
        Places of the fixed scan on upright faces [m]: what hangs free, a lamp, is no witness.
    cube_m : float
        Side of a cube [m].
    bend_m : float, optional
        Slow bends of the two scans, one standard deviation [m]: at a small face they do not
        average out.

    Returns
    -------
    tuple of LevelFace
        The largest first.

    Examples
    --------
    A soffit 1 m by 0.16 m beside a wall, 40 mm higher in the one scan:

    >>> x, y = (a.ravel() for a in np.meshgrid(np.arange(0, 1, 0.04), np.arange(0, 0.16, 0.04)))
    >>> soffit = np.column_stack([x, y, np.full(x.size, 2.1)])
    >>> up = np.tile([0.0, 0.0, 1.0], (x.size, 1))
    >>> wall = soffit[y == 0.0] + [0.0, 0.0, 0.04]
    >>> found = faces_between(soffit + [0, 0, 0.04], soffit[:, 2], soffit, up, wall, 0.04)
    >>> [(one.height_m, round(one.rise_m, 6), one.differs) for one in found]
    [(2.1, 0.04, True)]
    """
    from scipy.spatial import cKDTree

    if not (len(own_m) and len(other_m) and len(wall_m)):
        return ()
    group = _faces(own_m, cube_m)
    reach_m = math.hypot(_REACH_M, _BESIDE * cube_m)
    away, nearest = cKDTree(other_m).query(own_m, distance_upper_bound=reach_m)
    near = np.where(np.isfinite(away), nearest, 0)
    apart = own_m - other_m[near]
    face = normal[near]
    # Along the other's normal, so that a face that slopes is not torn by where its cubes lie.
    rise = (apart * face).sum(axis=1) / face[:, 2]
    met = np.isfinite(away) & (np.hypot(apart[:, 0], apart[:, 1]) < _BESIDE * cube_m)
    met &= np.abs(rise) < _REACH_M
    to_wall, _ = cKDTree(wall_m).query(own_m[met], distance_upper_bound=_REACH_M + _WALL * cube_m)
    walled = np.zeros(len(own_m), bool)
    walled[met] = to_wall < _WALL * cube_m + np.abs(rise[met])
    found = []
    for one in np.flatnonzero(np.bincount(group) >= _LEAST):
        own = group == one
        use = own & met
        if use.sum() < max(_LEAST, _LEAST_SHARE * own.sum()) or not (walled & use).any():
            continue
        middle = float(np.median(rise[use]))
        spread = 1.4826 * float(np.median(np.abs(rise[use] - middle)))
        if spread > _TOGETHER_M:
            continue
        noise_m = spread / math.sqrt(max(use.sum() / _ALIKE, 1.0))
        error_m = math.hypot(noise_m, _MIXED_M, bend_m)
        found.append(
            LevelFace(
                float(np.median(height_m[use])), middle, error_m, float(use.sum()) * cube_m**2
            )
        )
    return tuple(sorted(found, key=lambda one: -one.area_m2))


def _faces(place_m: Array, cube_m: float) -> Counts:
    """Number of the face that each place lies on (n,)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    near = cKDTree(place_m).query_pairs(_NEIGHBOUR * cube_m, output_type="ndarray")
    near = near[np.abs(np.diff(place_m[near, 2], axis=1)[:, 0]) < _STEP_M]
    size = len(place_m)
    linked = coo_array((np.ones(len(near), np.int8), (near[:, 0], near[:, 1])), shape=(size, size))
    _, group = connected_components(linked, directed=False)
    return np.asarray(group, np.int64)
