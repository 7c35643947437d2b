"""Two scans of what stayed, adjusted by least squares, and how sure the result is.

Faces are compared patch by patch: the mean distance of one scan's patch from the other's face is
one observation, however many points it has. So a dense wall does not outvote a far one, what
averages out (noise) has done so, and what does not (a bend of either scan, a face that moved a
little) shows as scatter between patches, from which the covariance is taken (JCGM 100:2008, 5.2;
least squares as of Gauss and Markov). Patches of several sizes are tried, for a slow bend is alike
in neighbours: the size that leaves the height least sure is the one that is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import pack

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

    from pourdatum.fixedparts import FixedParts

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Pose = tuple[Array, Array]
"""Rotation (3, 3) and shift (3,) from the moving scan's frame to the fixed one's."""

_NEAR: Final = 1.5
"""Distance within which a face of the other scan is looked for, in cubes."""
_SAME_WAY: Final = 0.9
"""Cosine between normals of one face in both scans, at the least."""
_FAR_M: Final = (0.06, 0.03, 0.02, 0.02, 0.02)
"""Distance from a face beyond which it is another one, by rounds [m]."""
_OUTLIERS: Final = 4.0
_PATCH_M: Final = (0.5, 1.0, 2.0)
_LEAST_CUBES: Final = 8
"""Cubes of a patch."""
_BORDERS: Final = 16
"""Places in a patch at which its border across a face may lie."""
_ON_EDGE: Final = 0.2
_HUBER: Final = 2.0
HELD: Final = 3.0
"""Patches across a direction from which it is held; a choice."""
_TURN_X, _TURN_Y, _Z, _SCALE, _COUNT = 0, 1, 5, 6, 7


@dataclass(frozen=True)
class Freedom:
    """What the scans may be out against each other before anything is compared.

    Attributes
    ----------
    tilt_rad : float
        Standard deviation of the tilt between the two verticals.
    scale : float
        Of lengths in the one against those in the other.
    bend_m : float
        Of slow bends of the two scans, at one place [m].
    """

    tilt_rad: float
    scale: float
    bend_m: float = 0.0


@dataclass(frozen=True, eq=False)
class Adjusted:
    """A place p of the moving scan lies at ``middle + rotation (p - own_middle)``.

    Attributes
    ----------
    rotation : (3, 3) array
    own_middle_m, middle_m : (3,) array
        One place on the floor, in the moving scan's frame and in the fixed one's [m].
    covariance : (7, 7) array
        Of turns about x, y, z [rad], shifts at that place [m], and scale.
    residual_m : float
        Root mean square distance of matched faces, cube by cube [m].
    matched : (n,) bool array
        Cubes of the moving scan that lie on faces of the fixed one.
    scale : float
        Lengths of the fixed scan in those of the moving one; places are moved without it.
    held : tuple of 2 floats
        Patches across the way in plan that fewest look along, and along the vertical.
    turn_held_m2 : float
        Squared levers of the patches about the place that holds the shift best, summed [m²]: what
        holds the turn about the vertical.
    tie_m : (k, 2) array
        Middles of level patches in plan [m]: where heights are tied.
    """

    rotation: Array
    own_middle_m: Array
    middle_m: Array
    covariance: Array
    residual_m: float
    matched: Mask
    scale: float
    held: tuple[float, float]
    turn_held_m2: float
    tie_m: Array

    def place_m(self, place_m: Array) -> Array:
        """Places (n, 3) of the moving scan in the fixed one's frame [m]."""
        out: Array = self.middle_m + (place_m - self.own_middle_m) @ self.rotation.T
        return out

    @property
    def pose(self) -> Pose:
        """The same as a rotation and a shift."""
        return self.rotation, self.middle_m - self.rotation @ self.own_middle_m

    @property
    def height_covariance(self) -> Array:
        """Of the height at the floor's middle [m] and of the slopes in x and y (3, 3)."""
        # A turn about x lifts what lies towards y; one about y lowers what lies towards x.
        slopes = np.zeros((3, _COUNT))
        slopes[0, _Z], slopes[1, _TURN_Y], slopes[2, _TURN_X] = 1.0, -1.0, 1.0
        out: Array = slopes @ self.covariance @ slopes.T
        return out

    @property
    def height_error_m(self) -> float:
        """Standard uncertainty of the height at the floor's middle [m]."""
        return float(np.sqrt(self.covariance[_Z, _Z]))


def adjust(
    moving: FixedParts,
    fixed: FixedParts,
    tree: cKDTree,
    start: Pose,
    freedom: Freedom,
) -> Adjusted:
    """Bring faces together from a start that is near.

    Parameters
    ----------
    moving, fixed : FixedParts
    tree : cKDTree
        Of the fixed scan's places.
    start : Pose
    freedom : Freedom

    Returns
    -------
    Adjusted
    """
    middle = np.array(fixed.middle_m)
    rotation, shift = start
    # The place of the moving scan that lies at the middle, and how lengths compare about it.
    own_middle = rotation.T @ (middle - shift)
    scale = 1.0
    for far_m in _FAR_M:
        place = middle + scale * (moving.place_m - own_middle) @ rotation.T
        found = _compared(place, moving.normal @ rotation.T, fixed, tree, far_m)
        step, _ = _solved(found, middle, rotation, scale, freedom, _PATCH_M[0])
        rotation = _turned(step[:3]) @ rotation
        own_middle = own_middle - rotation.T @ step[3:_SCALE]
        scale += float(step[_SCALE])
    place = middle + scale * (moving.place_m - own_middle) @ rotation.T
    found = _compared(place, moving.normal @ rotation.T, fixed, tree, _FAR_M[-1])
    covariances = [
        _solved(found, middle, rotation, scale, freedom, patch_m)[1] for patch_m in _PATCH_M
    ]
    middles, _, normal = _patches(found, _PATCH_M[0])
    matched = np.zeros(len(moving.place_m), bool)
    matched[found.index] = True
    return Adjusted(
        rotation=rotation,
        own_middle_m=own_middle,
        middle_m=middle,
        covariance=max(covariances, key=lambda one: float(one[_Z, _Z])),
        residual_m=float(np.sqrt(np.mean(found.off_m**2))) if found.off_m.size else float("nan"),
        matched=matched,
        scale=scale,
        held=_held(normal),
        turn_held_m2=_turn_held_m2(middles - middle, normal),
        tie_m=middles[np.abs(normal[:, 2]) > _SAME_WAY, :2],
    )


@dataclass(frozen=True, eq=False)
class _Compared:
    """Cubes of the moving scan against the faces they lie on."""

    index: NDArray[np.int64]
    place_m: Array
    normal: Array
    off_m: Array


def _compared(
    place: Array, normal: Array, fixed: FixedParts, tree: cKDTree, far_m: float
) -> _Compared:
    """Distances of cubes from the nearest face that looks the same way."""
    away, nearest = tree.query(place, distance_upper_bound=_NEAR * fixed.cube_m + far_m)
    index = np.flatnonzero(np.isfinite(away))
    near = np.asarray(nearest)[index]
    face = fixed.normal[near]
    alike = np.abs((normal[index] * face).sum(axis=1)) > _SAME_WAY
    index, near, face = index[alike], near[alike], face[alike]
    off = ((place[index] - fixed.place_m[near]) * face).sum(axis=1)
    # Of cubes on no common face nothing is asked.
    spread = 1.4826 * float(np.median(np.abs(off))) if off.size else 0.0
    good = np.abs(off) <= min(max(_OUTLIERS * spread, 1e-3), far_m)
    return _Compared(index[good], place[index[good]], face[good], off[good])


def _held(normal: Array) -> tuple[float, float]:
    """Patches across the least held way in plan, and along the vertical."""
    plan = normal[:, :2].T @ normal[:, :2]
    return float(np.linalg.eigvalsh(plan)[0]), float((normal[:, 2] ** 2).sum())


def _turn_held_m2(lever: Array, normal: Array) -> float:
    """What holds a turn about the vertical once the shift may follow it [m²].

    In a round room every wall looks along its own lever, and nothing does.
    """
    across = lever[:, 0] * normal[:, 1] - lever[:, 1] * normal[:, 0]
    plan = normal[:, :2]
    both = plan.T @ across
    return float(across @ across - both @ np.linalg.pinv(plan.T @ plan) @ both)


def _patches(found: _Compared, patch_m: float) -> tuple[Array, Array, Array]:
    """Mean place, offset and normal of each patch, one side of one cell each."""
    if not found.off_m.size:
        return np.empty((0, 3)), np.empty(0), np.empty((0, 3))
    axis = np.argmax(np.abs(found.normal), axis=1)
    sign = np.sign(np.take_along_axis(found.normal, axis[:, None], axis=1))[:, 0]
    cell = np.floor(found.place_m / patch_m).astype(np.int64)
    for own in range(3):
        faces = axis == own
        across = found.place_m[faces, own]
        cell[faces, own] = np.floor((across - _between_faces_m(across, patch_m)) / patch_m)
    key = pack(cell[:, 0], cell[:, 1], 3 * cell[:, 2] + axis)
    _, group, count = np.unique(key, return_inverse=True, return_counts=True)

    def mean(values: Array) -> Array:
        return np.bincount(group, weights=values) / count

    place = np.stack([mean(one) for one in found.place_m.T], axis=1)
    normal = np.stack([mean(sign * one) for one in found.normal.T], axis=1)
    off = mean(sign * found.off_m)
    length = np.linalg.norm(normal, axis=1)
    good = (count >= _LEAST_CUBES) & (length > _SAME_WAY)
    place, normal, off = place[good], normal[good], off[good]
    # A wall's normal is never quite level: it says nothing of heights all the same.
    upright = np.abs(normal[:, 2]) < _ON_EDGE
    normal[upright, 2] = 0.0
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return place, off, normal


def _between_faces_m(across_m: Array, patch_m: float) -> float:
    """Where borders between patches lie, across their faces: where hardly any face is [m].

    A border along a face would sort its cubes by their noise, and tear it into two that both err.
    """
    share = np.mod(across_m / patch_m, 1.0)
    count = np.bincount((share * _BORDERS).astype(np.int64) % _BORDERS, minlength=_BORDERS)
    # The middle of the emptiest stretch, so that its neighbours are empty as well if they can be.
    around = count + 0.5 * (np.roll(count, 1) + np.roll(count, -1))
    return (int(np.argmin(around)) + 0.5) / _BORDERS * patch_m


def _solved(
    found: _Compared,
    middle: Array,
    rotation: Array,
    scale: float,
    freedom: Freedom,
    patch_m: float,
) -> tuple[Array, Array]:
    """Turns, shifts and scale that bring the patches together (7,), and their covariance."""
    place, off, normal = _patches(found, patch_m)
    lever = place - middle
    rows = np.column_stack([np.cross(lever, normal), normal, (lever * normal).sum(axis=1)])
    # Scans stand upright, and lengths in them agree, each as far as such scanners do.
    tilt_back = np.array([rotation[1, 2], -rotation[0, 2]])
    held = np.zeros((3, _COUNT))
    held[0, 0] = held[1, 1] = 1.0 / freedom.tilt_rad
    held[2, _SCALE] = 1.0 / freedom.scale
    owed = np.concatenate([tilt_back / freedom.tilt_rad, [(1.0 - scale) / freedom.scale]])
    weight = np.ones(len(off))
    spread, step = 1e-3, np.zeros(_COUNT)
    inverse = np.eye(_COUNT)
    for _ in range(6):
        normal_matrix = (rows * (weight / spread**2)[:, None]).T @ rows + held.T @ held
        inverse = np.linalg.pinv(normal_matrix, rcond=1e-12, hermitian=True)
        step = inverse @ (held.T @ owed - rows.T @ (weight / spread**2 * off))
        left = off + rows @ step
        freely = max(len(off) - _COUNT, 1)
        spread = max(float(np.sqrt((weight * left**2).sum() / freely)), 1e-5)
        weight = 1.0 / np.maximum(np.abs(left) / (_HUBER * spread), 1.0)
    return step, inverse


def _turned(turn_rad: Array) -> Array:
    from scipy.spatial.transform import Rotation

    out: Array = Rotation.from_rotvec(turn_rad).as_matrix()
    return out
