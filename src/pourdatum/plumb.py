"""Walls as a second opinion on the vertical: how far they lean in common.

A wall that a mason plumbed stands along gravity to a few millimetres per metre. What all
walls lean in common, whichever way they face, is therefore the tilt of the scan and not
theirs. The distance of a face's points from its line is regressed on height, robustly, so
that skirtings, frames and cupboards do not count; faces of two directions give both parts
of the lean, faces of one direction the part across them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.uncertainty import SharedError

if TYPE_CHECKING:
    from pourdatum.cells import Cells
    from pourdatum.walls import WallLine

Array = NDArray[np.float64]

OWN_LEAN: Final = 0.0025
"""How far a sound wall is out of plumb itself [m/m], one standard deviation; trade practice,
no source."""
_HEIGHT_M: Final = (0.15, 4.0)
_LAYER_M: Final = 0.05
_WINDOW_M: Final = 0.03
_STEEPEST: Final = 0.09
"""Lean up to which points are looked for, and a face counts [m/m]: 5 degrees."""
_PIECE_M: Final = 0.25
_END_M: Final = 0.10
"""Ends of a stretch left out, where another wall meets it [m]."""
_LEAST_LAYERS: Final = 8
_LEAST_SPAN_M: Final = 1.2
_APART_M: Final = 0.5
_LEAST_PIECES: Final = 3
_WALL_M: Final = 0.3
"""Thickness up to which two parallel faces are those of one wall."""
_PARALLEL: Final = 0.99
_ASKED: Final = 0.01
"""Lean from which it is asked whether both halves of a face lean so [m/m]: walls are built within a
fifth of it."""
_ALIKE: Final = 0.5
"""Share of it that each half must lean by; a choice."""
_MOST_PAIRS: Final = 40
_LEAST_SCALE_M: Final = 0.0003
_TUKEY: Final = 4.685
_HUBER: Final = 2.0
_LEAST_ERROR: Final = 0.004
"""A face whose lean is known no better than this says nothing [m/m]."""
_ONE_WAY: Final = 0.05
_CHI2_95: Final = {1: 3.841, 2: 5.991}
"""95 % quantiles of the chi-squared distribution (JCGM 100:2008 names none; tables)."""
_COVER: Final = 1.96


@dataclass(frozen=True, eq=False)
class FaceLean:
    """The lean of one wall face.

    Attributes
    ----------
    normal : (2,) array
        Unit normal in plan.
    lean : float
        Rise of the distance along the normal per height [m/m].
    error : float
        Its standard error, without what the wall itself is out of plumb [m/m].
    """

    normal: Array
    lean: float
    error: float


@dataclass(frozen=True, eq=False)
class WallLean:
    """What the walls of a scan lean in common.

    Attributes
    ----------
    toward : (2,) array
        Plan vector to which their tops lean [m/m].
    covariance : (2, 2) array
        Of it, with the walls' own error [(m/m)²].
    faces : int
        Faces that it rests on.
    across : (2,) array or None
        The one direction that faces of one direction tell of; None where both are known.
    apart : float
        The most that one wall leans beside the others [m/m], where sound walls and their
        errors do not explain how they differ (99.9 %); else 0.
    """

    toward: Array
    covariance: Array
    faces: int
    across: Array | None
    apart: float = 0.0


@dataclass(frozen=True)
class Disagreement:
    """A lean of the walls that neither they nor the sensor explain.

    Attributes
    ----------
    slope : float
        The lean [m/m].
    half_95 : float
        Half-width of its 95 % interval [m/m].
    bearing_rad : float
        Where the tops lean to, clockwise from +y.
    faces : int
    both_ways : bool
        Whether faces of two directions tell.
    """

    slope: float
    half_95: float
    bearing_rad: float
    faces: int
    both_ways: bool


def _is_stepped(lean: float, distance_m: Array, height_m: Array, piece: NDArray[np.int64]) -> bool:
    """Whether a face leans as a whole and not above and below: two leaves of a wall, or a ledge.

    A wall that leans does so in its lower and in its upper half alike.
    """
    if abs(lean) < _ASKED:
        return False
    middle_m = float(np.median(height_m))
    for half in (height_m < middle_m, height_m >= middle_m):
        slopes = []
        for k in np.unique(piece[half]):
            own = np.flatnonzero(half & (piece == k))
            some = own[np.linspace(0, own.size - 1, min(own.size, _MOST_PAIRS)).astype(int)]
            rise = height_m[some][:, None] - height_m[some]
            far = rise > 0.5 * _APART_M
            slopes.append((distance_m[some][:, None] - distance_m[some])[far] / rise[far])
        own_slopes = np.concatenate(slopes) if slopes else np.empty(0)
        if own_slopes.size and float(np.median(own_slopes)) / lean < _ALIKE:
            return True
    return False


def face_lean(
    distance_m: Array, height_m: Array, piece: NDArray[np.int64]
) -> tuple[float, float] | None:
    """Common slope of distance over height of one face, and its standard error.

    Each piece of the face has an offset of its own, so that a face out of line does not
    lean. The start is the median slope between layers half a metre apart, the end a
    reweighted fit with Tukey's biweight; the error takes each piece as one observation.

    Parameters
    ----------
    distance_m, height_m : (n,) arrays
        Of the layers of all pieces [m].
    piece : (n,) int array
        Piece that each belongs to.

    Returns
    -------
    (slope, error) or None
        None where too little of the face was seen.

    Examples
    --------
    >>> h = np.tile(np.arange(0.2, 2.2, 0.05), 4)
    >>> piece = np.repeat(np.arange(4), 40)
    >>> d = 0.01 * h + 0.002 * piece
    >>> d[:3] += 0.02
    >>> lean, error = face_lean(d, h, piece)
    >>> round(lean, 6)
    0.01
    """
    keep = np.zeros(len(piece), bool)
    slopes = []
    for k in np.unique(piece):
        own = np.flatnonzero(piece == k)
        if own.size < _LEAST_LAYERS or np.ptp(height_m[own]) < _LEAST_SPAN_M:
            continue
        keep[own] = True
        some = own[np.linspace(0, own.size - 1, min(own.size, _MOST_PAIRS)).astype(int)]
        rise = height_m[some][:, None] - height_m[some]
        far = rise > _APART_M
        slopes.append((distance_m[some][:, None] - distance_m[some])[far] / rise[far])
    if len(slopes) < _LEAST_PIECES:
        return None
    d, h = distance_m[keep], height_m[keep]
    _, which = np.unique(piece[keep], return_inverse=True)
    lean = float(np.median(np.concatenate(slopes)))
    middle = np.array([np.median((d - lean * h)[which == k]) for k in range(len(slopes))])
    weight = np.ones_like(d)
    for _ in range(20):
        rest = d - lean * h - middle[which]
        scale = max(1.4826 * float(np.median(np.abs(rest))), _LEAST_SCALE_M)
        weight = np.maximum(1.0 - (rest / (_TUKEY * scale)) ** 2, 0.0) ** 2
        mass = np.maximum(np.bincount(which, weights=weight), 1e-12)
        h0 = np.bincount(which, weights=weight * h) / mass
        d0 = np.bincount(which, weights=weight * d) / mass
        spread = float((weight * (h - h0[which]) ** 2).sum())
        if spread <= 0.0:
            return None
        new = float((weight * (h - h0[which]) * (d - d0[which])).sum() / spread)
        middle = d0 - new * h0
        done = abs(new - lean) < 1e-7
        lean = new
        if done:
            break
    if _is_stepped(lean, d, h, which):
        return None
    rest = d - lean * h - middle[which]
    pull = np.bincount(which, weights=weight * (h - h0[which]) * rest)
    # How far a step of the slope moves the pulls: less than the weights say, for an outlier
    # that comes nearer counts more (Huber, Robust Statistics, 1981, 6.3; from memory).
    off2 = np.minimum((rest / (_TUKEY * scale)) ** 2, 1.0)
    give = float(((1.0 - off2) * (1.0 - 5.0 * off2) * (h - h0[which]) ** 2).sum())
    pieces = len(slopes)
    error = math.sqrt(float((pull**2).sum()) * pieces / (pieces - 1)) / max(give, 0.2 * spread)
    return lean, error


def wall_leans(cells: Cells, lines: Sequence[WallLine]) -> list[FaceLean]:
    """The lean of each wall that was seen over more than 1.2 m of height, one face of each.

    Parameters
    ----------
    cells : Cells
        Sums of the points over the floor, in layers of 50 mm.
    lines : sequence of WallLine
        Faces in plan.
    """
    column = cells.structure
    pick = (column.height_m > _HEIGHT_M[0]) & (column.height_m < _HEIGHT_M[1])
    xy = np.stack([column.x_m[pick], column.y_m[pick]], axis=1)
    height, count = column.height_m[pick], column.count[pick]
    reach = _WINDOW_M + _STEEPEST * height
    found: list[FaceLean] = []
    walls: list[WallLine] = []
    for line in lines:
        if any(_one_wall(line, other) for other in walls):
            continue
        distance = line.distance(xy)
        on = np.flatnonzero(np.abs(distance) < reach)
        along = line.along(xy[on])
        seen = np.zeros(on.size, bool)
        for first, last in line.along_m:
            seen |= (along > first + _END_M) & (along < last - _END_M)
        on, along = on[seen], along[seen]
        if on.size < _LEAST_PIECES * _LEAST_LAYERS:
            continue
        # A face near the edge of a cell lies in two: they are one layer.
        layer = np.floor(height[on] / _LAYER_M).astype(np.int64)
        piece = np.floor(along / _PIECE_M).astype(np.int64)
        piece -= piece.min()
        _, inverse = np.unique(piece * 1000 + layer, return_inverse=True)
        mass = np.bincount(inverse, weights=count[on])
        distances, heights = (
            np.bincount(inverse, weights=count[on] * values[on]) / mass
            for values in (distance, height)
        )
        pieces = np.zeros(len(mass), np.int64)
        pieces[inverse] = piece
        fitted = face_lean(distances, heights, pieces)
        if fitted is not None and abs(fitted[0]) < _STEEPEST and fitted[1] < _LEAST_ERROR:
            found.append(FaceLean(line.normal, *fitted))
            walls.append(line)
    return found


def _one_wall(one: WallLine, other: WallLine) -> bool:
    """Whether two faces are those of one wall, which leans with both or with neither.

    A leaning face may also have been found twice, at its foot and higher up.
    """
    turn = float(one.normal @ other.normal)
    if abs(turn) < _PARALLEL:
        return False
    middle = one.at(one.along_m.mean())
    return bool(abs(float(other.distance(middle)[0])) < _WALL_M)


def common_lean(faces: Sequence[FaceLean]) -> WallLean | None:
    """What wall faces lean in common, None without faces.

    Each face is weighted by its error and by what a sound wall is out of plumb; one that
    leans by itself pulls no harder than two of these. Faces that agree less than that
    widen the result.

    Examples
    --------
    >>> north, east = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    >>> found = common_lean([FaceLean(north, 0.01, 0.0), FaceLean(east, -0.02, 0.0)])
    >>> found.toward.round(6), found.across
    (array([-0.02,  0.01]), None)
    """
    if not faces:
        return None
    normal = np.array([face.normal for face in faces])
    lean = np.array([face.lean for face in faces])
    variance = np.array([face.error**2 for face in faces]) + OWN_LEAN**2
    turns = (normal / variance[:, None]).T @ normal
    values, vectors = np.linalg.eigh(turns)
    across = vectors[:, 1] if values[0] < _ONE_WAY * values[1] else None
    design = normal if across is None else (normal @ across)[:, None]
    weight = np.ones(len(faces))
    for _ in range(30):
        root = weight / variance
        inverse = np.linalg.inv((design * root[:, None]).T @ design)
        part = inverse @ (design.T @ (root * lean))
        off = np.abs(lean - design @ part) / np.sqrt(variance)
        weight = np.minimum(1.0, _HUBER / np.maximum(off, 1e-12))
    spare = len(faces) - design.shape[1]
    apart = 0.0
    if spare > 0:
        beside = np.abs(lean - design @ part)
        if (off**2).sum() > _chi2_999(spare):
            apart = float(beside.max())
        inverse = inverse * max(1.0, float((weight * off**2).sum()) / spare)
    if across is None:
        return WallLean(part, inverse, len(faces), None, apart)
    both = float(part[0]) * across
    spread = float(inverse[0, 0]) * np.outer(across, across)
    return WallLean(both, spread, len(faces), across, apart)


def _chi2_999(freedom: int) -> float:
    """Quantile of 99.9 % of chi-squared.

    Examples
    --------
    Tables give 10.83 and 29.59:

    >>> round(_chi2_999(1), 2), round(_chi2_999(10), 2)
    (10.83, 29.59)
    """
    from scipy.special import chdtri

    return float(chdtri(freedom, 0.001))


def second_opinion(
    lean: WallLean, shared: SharedError, removed: tuple[float, float] = (0.0, 0.0)
) -> Disagreement | None:
    """Whether the walls contradict the vertical that the levels are counted in.

    Parameters
    ----------
    lean : WallLean
        In the scan's own frame.
    shared : SharedError
        How far the vertical may be out, of the sensor or after control.
    removed : (x, y)
        Slope of the heights that control shots took out, along plan x and y [m/m].

    Returns
    -------
    Disagreement or None
        None where walls and sensor together explain what was found (95 %).

    Examples
    --------
    >>> lean = WallLean(np.array([0.0, 0.02]), 4e-6 * np.eye(2), 6, None)
    >>> budget = SharedError(3e-5, 0.0, 0.0, "tripod")
    >>> found = second_opinion(lean, budget)
    >>> found.slope, round(found.half_95, 4), found.bearing_rad
    (0.02, 0.0039, 0.0)
    >>> second_opinion(lean, budget, removed=(0.0, -0.02)) is None
    True
    """
    # Where the heights stood too high by this slope, the vertical leaned the other way.
    off = lean.toward + np.asarray(removed)
    if lean.across is not None:
        off = float(off @ lean.across) * lean.across
    slope = float(np.hypot(*off))
    if slope == 0.0:
        return None
    covariance = lean.covariance + shared.tilt_rad**2 * np.eye(2)
    if lean.across is None:
        distance2 = float(off @ np.linalg.solve(covariance, off))
    else:
        distance2 = slope**2 / float(lean.across @ covariance @ lean.across)
    if distance2 <= _CHI2_95[2 if lean.across is None else 1]:
        return None
    way = off / slope
    half = _COVER * math.sqrt(float(way @ covariance @ way))
    bearing = math.atan2(float(off[0]), float(off[1])) % (2.0 * math.pi)
    return Disagreement(slope, half, bearing, lean.faces, lean.across is None)
