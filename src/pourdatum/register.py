"""Two scans of one room in one frame, on what stayed when the floor was poured.

From any turn and shift: ways to lay walls over walls (``turns``), each brought closer by Open3D's
iterative closest points with a robust loss, the best adjusted patch by patch (``adjustment``). A
room that looks the same in two ways is asked about; scans that do not belong together are refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.adjustment import HELD, Adjusted, Freedom, Pose, adjust
from pourdatum.chunks import Means, PointStore
from pourdatum.errors import JobError, NoFloor
from pourdatum.fixedparts import HEAD_M, MARKS, FixedParts, as_cloud, fixed_parts
from pourdatum.headedges import Heads, heads_between
from pourdatum.levelfaces import LevelFace, faces_between
from pourdatum.levels import Level, find_level
from pourdatum.move import Move, about_z, as_place, as_rotation
from pourdatum.optional import need
from pourdatum.passing import Progress, silent
from pourdatum.scan import Scan
from pourdatum.tiechecks import (
    LEAST_OVERLAP,
    check_mirror,
    check_tie,
    met_by,
    overlap_of,
    rivals_of,
    turns_in_words,
)
from pourdatum.turns import Start, starts
from pourdatum.uncertainty import SENSORS, SharedError

if TYPE_CHECKING:
    from types import ModuleType

    from scipy.spatial import cKDTree

Array = NDArray[np.float64]

_TRIED: Final = 12
_OF_BEST: Final = 0.45
"""Share of the best start's score from which a start is tried."""
_COARSE_M: Final = 0.12
_REACH_M: Final = ((0.4, 0.1), (0.15, 0.04))
"""Reach and width of the robust loss, coarse and fine [m]."""
_ROUNDS: Final = 25
_SAME_RAD: Final = 0.05
_SAME_M: Final = 0.3
"""Poses nearer than this are one."""
_AS_GOOD: Final = 0.6
"""Share of the best pose's fitness, in coarse steps, from which another is looked at closely."""
_MOST_POSES: Final = 4
_NEAR_TURN_RAD: Final = math.radians(30.0)
"""Turns that are about the one told."""
_CEILING_M: Final = 0.3
"""Heights within which level faces are one ceiling [m]."""
_LEAST_TILT: Final = 1e-4
_LEAST_SCALE: Final = 1e-5
"""Tilt and scale between two scans are left free by so much, whatever was stated."""


@dataclass(frozen=True, eq=False)
class Registration:
    """A scan in the frame of another, and what is left between them.

    Attributes
    ----------
    method : str
        What was held against what: "walls and ceiling", "walls alone", "marks".
    move : Move
    residual_m : float
        Root mean square distance of what was matched [m].
    height_error_m : float or None
        Standard uncertainty of heights of the one against the other at the floor's middle [m]:
        of the tie, and of what either scan bends between it and the floor. None where nothing is
        fixed in height.
    middle_m : (3,) array
        Where that holds, local to the fixed scan [m].
    bend_m : float
        What of ``height_error_m`` is bends of the scans, one standard deviation [m].
    heads_m : tuple of floats
        Heights over the floor of the level faces that tie the heights, one for each ceiling or
        row of heads [m].
    covariance : (3, 3) array
        Of the tie alone: of the height there [m] and of the slopes in x and y.
    tie_m : (k, 2) array
        Where in plan heights of the two are tied, local to the fixed scan [m].
    overlap : float
        Share of the smaller scan's walls that lies on the other's; 1 of marks.
    wall_m2, level_m2 : float
        Upright and level faces that were matched [m²]; 0 of marks.
    marks : tuple of (str, float)
        Name and residual [m] of each mark, where they were used.
    heads : Heads or None
        What door and window heads say of the heights; None of marks, and where too few are seen.
    faces : tuple of LevelFace
        Level faces that join walls and are seen in both, the largest first: what each says of the
        heights; none of marks.
    mirror_alike : bool
        Whether AFTER would fit about as well if it were mirrored: what nothing here can tell.
    """

    method: str
    move: Move
    residual_m: float
    height_error_m: float | None
    middle_m: Array
    covariance: Array
    tie_m: Array
    bend_m: float = 0.0
    heads_m: tuple[float, ...] = ()
    overlap: float = 1.0
    wall_m2: float = 0.0
    level_m2: float = 0.0
    marks: tuple[tuple[str, float], ...] = ()
    heads: Heads | None = None
    faces: tuple[LevelFace, ...] = ()
    mirror_alike: bool = False

    def moved(self, scan: Scan) -> Scan:
        """The scan in the other's frame."""
        return self.move.moved(scan)

    @property
    def height_known(self) -> bool:
        """Whether heights of the two may be compared."""
        return self.height_error_m is not None

    @property
    def against(self) -> LevelFace | None:
        """The largest level face that contradicts what the heights were tied by."""
        return next((one for one in self.faces if one.differs), None)

    @property
    def bearing_out(self) -> tuple[LevelFace, ...]:
        """Faces at other heights than the largest that agree with it."""
        return tuple(
            one
            for one in self.faces[1:]
            if one.agrees and abs(one.height_m - self.faces[0].height_m) > _CEILING_M
        )


def register_scans(
    moving: Scan,
    fixed: Scan,
    *,
    turn_rad: float | None = None,
    budgets: tuple[SharedError, SharedError] = (SENSORS["tripod"], SENSORS["tripod"]),
    levels: tuple[Level | None, Level | None] = (None, None),
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
) -> Registration:
    """Bring a scan into the frame of another of the same room.

    Parameters
    ----------
    moving, fixed : Scan
        After and before the pour.
    turn_rad : float, optional
        About how the one lies turned in the other, anticlockwise: where a room looks the same
        in several ways.
    budgets : pair of SharedError, optional
        What each scan as a whole may be out by: how far verticals and lengths may differ, and how
        far either bends between what ties it and the floor. Default that of tripod scanners.
    levels : pair of Level, optional
        Coarse floors, where they are known already.
    means : Means
    progress : callable

    Returns
    -------
    Registration

    Raises
    ------
    NoFloor
        If one scan shows nothing but floor, walls of one direction only, or they are of two rooms.
    JobError
        If the room looks the same in two ways, or AFTER fits better mirrored.
    MissingExtra
        Without Open3D.
    """
    o3d = need("open3d", purpose="bringing two scans together", extra="registration")
    from scipy.spatial import cKDTree as Tree

    own, other = (
        _parts(scan, level, which, means, progress)
        for scan, level, which in zip((moving, fixed), levels, ("AFTER", "BEFORE"), strict=True)
    )
    tree = Tree(other.place_m)
    progress("one frame for both scans", None)
    poses = _poses(own, other, turn_rad, o3d)
    freedom = freedom_of(budgets)
    if not poses:
        _refuse_start(own, other, tree, freedom, turn_rad, o3d)
    best, others = _tried(own, other, tree, poses, freedom)
    likeliest = best
    if turn_rad is not None:
        # A turn that was told wrong is neither another room nor a mirror.
        likeliest, _ = _tried(own, other, tree, _poses(own, other, None, o3d), freedom)
        told, most = (overlap_of(one, own, other, tree) for one in (best, likeliest))
        if told < LEAST_OVERLAP <= most:
            _refuse_start(own, other, tree, freedom, turn_rad, o3d)
    turned_over = _mirrored(own)
    alike = check_mirror(
        likeliest,
        [adjust(turned_over, other, tree, pose, freedom)
         for pose in _poses(turned_over, other, None, o3d)],
        own, turned_over, other, tree,
    )  # fmt: skip
    overlap = check_tie(best, others, own, other, tree, freedom)
    moved = np.column_stack([best.place_m(own.head_m[:, :3]), own.head_m[:, 3]])
    heads = heads_between(moved, other.head_m, other.cube_m)
    tie = _registration(
        best, own, overlap, fixed, freedom, heads, _faces(best, own, other, freedom)
    )
    return replace(tie, mirror_alike=alike)


def _mirrored(parts: FixedParts) -> FixedParts:
    """The same room as a left-handed file would show it."""
    flip = np.array([-1.0, 1.0, 1.0])
    floor = replace(parts.floor, slope_x=-parts.floor.slope_x)
    x, y, z = parts.middle_m
    return replace(
        parts, place_m=parts.place_m * flip, normal=parts.normal * flip, floor=floor,
        middle_m=(-x, y, z), head_m=np.empty((0, 4)),
    )  # fmt: skip


def _faces(
    best: Adjusted, own: FixedParts, other: FixedParts, freedom: Freedom
) -> tuple[LevelFace, ...]:
    """What each level face over head height says of the heights."""
    high, there = (one.level & (one.height_m > HEAD_M) for one in (own, other))
    return faces_between(
        best.place_m(own.place_m[high]),
        own.height_m[high],
        other.place_m[there],
        other.normal[there],
        other.place_m[other.upright],
        other.cube_m,
        freedom.bend_m,
    )


def _parts(
    scan: Scan, level: Level | None, which: str, means: Means, progress: Progress
) -> FixedParts:
    store = PointStore(scan, means)
    found = find_level(store, progress) if level is None else level
    return fixed_parts(store, found, progress, which=which)


def _tried(
    own: FixedParts, other: FixedParts, tree: cKDTree, poses: list[Pose], freedom: Freedom
) -> tuple[Adjusted, list[Adjusted]]:
    """The pose that brings most walls together, adjusted, and the others."""
    tried = [adjust(own, other, tree, pose, freedom) for pose in poses]
    # Walls that meet at all: one that was plastered meanwhile lies on no face, and meets one.
    share = [float((met_by(one, own, tree) & own.upright).sum()) for one in tried]
    best, *rest = (tried[k] for k in np.argsort(share)[::-1])
    return best, [one for one in rest if not _same_pose(one.pose, best.pose, own)]


def _refuse_start(
    own: FixedParts,
    other: FixedParts,
    tree: cKDTree,
    freedom: Freedom,
    turn_rad: float | None,
    o3d: ModuleType,
) -> None:
    """No way to lay the one over the other: say which lacks walls, or what turns there are."""
    bare = [name for name, one in (("AFTER", own), ("BEFORE", other)) if not one.upright.any()]
    if bare or turn_rad is None:
        raise NoFloor(
            f"{' and '.join(bare) or 'one of the scans'} shows no walls",
            hint=f"scan walls and columns as well, or {MARKS}",
            id="nothing-fixed",
        )
    # The same that a question would list.
    best, others = _tried(own, other, tree, _poses(own, other, None, o3d), freedom)
    turns = turns_in_words([best, *rivals_of(best, others, own, tree)])
    raise JobError(
        "walls of AFTER do not lie on those of BEFORE once it is turned anticlockwise, seen from"
        f" above, by about {math.degrees(turn_rad):g} degrees",
        where="--turn",
        hint=f"walls agree at {' or '.join(f'--turn {turn}' for turn in turns)}",
        id="turn",
    )


def freedom_of(budgets: tuple[SharedError, SharedError]) -> Freedom:
    """How far verticals and lengths of two scans may differ, and either bends."""
    return Freedom(
        tilt_rad=max(math.hypot(*(one.tilt_rad for one in budgets)), _LEAST_TILT),
        scale=max(math.hypot(*(one.scale for one in budgets)), _LEAST_SCALE),
        bend_m=math.hypot(*(one.warp_m for one in budgets)),
    )


def _poses(
    own: FixedParts, other: FixedParts, turn_rad: float | None, o3d: ModuleType
) -> list[Pose]:
    """Poses to adjust from, distinct, the best first."""
    found = starts(own, other)
    if turn_rad is not None:
        found = [
            one
            for one in found
            if abs(math.remainder(one.turn_rad - turn_rad, math.tau)) < _NEAR_TURN_RAD
        ]
    if not found:
        return []
    likely = [one for one in found if one.score >= _OF_BEST * found[0].score][:_TRIED]
    coarse = _thinned(own, o3d), _thinned(other, o3d)
    closer: list[tuple[float, Pose]] = []
    for one in likely:
        fitness, pose = _icp(*coarse, _pose(one, own, other), _REACH_M[0], o3d)
        if not any(_same_pose(pose, known, own) for _, known in closer):
            closer.append((fitness, pose))
    closer.sort(key=lambda one: -one[0])
    fine = tuple(as_cloud(parts.place_m, o3d, parts.normal) for parts in (own, other))
    best = closer[0][0]
    poses: list[Pose] = []
    for fitness, pose in closer:
        if fitness < _AS_GOOD * best or len(poses) == _MOST_POSES:
            break
        _, nearer = _icp(fine[0], fine[1], pose, _REACH_M[1], o3d)
        if not any(_same_pose(nearer, known, own) for known in poses):
            poses.append(nearer)
    return poses


def _pose(start: Start, own: FixedParts, other: FixedParts) -> Pose:
    """A start with its height: the one floor on the other."""
    rotation = about_z(start.turn_rad)
    shift = np.array([*start.shift_m, 0.0])
    x, y, z = rotation @ np.array(own.middle_m) + shift
    shift[2] = float(other.floor.at(x, y)) - z
    return rotation, shift


def _thinned(parts: FixedParts, o3d: ModuleType) -> Any:
    cloud = as_cloud(parts.place_m, o3d, parts.normal)
    if parts.cube_m >= _COARSE_M:
        return cloud
    return cloud.voxel_down_sample(_COARSE_M)


def _icp(
    source: Any, target: Any, pose: Pose, reach: tuple[float, float], o3d: ModuleType
) -> tuple[float, Pose]:
    """A pose brought closer, and the share of the source that lies on the target."""
    registration = o3d.pipelines.registration
    start = np.eye(4)
    start[:3, :3], start[:3, 3] = pose
    found = registration.registration_icp(
        source,
        target,
        reach[0],
        start,
        registration.TransformationEstimationPointToPlane(registration.TukeyLoss(k=reach[1])),
        registration.ICPConvergenceCriteria(max_iteration=_ROUNDS),
    )
    matrix = np.array(found.transformation)
    return float(found.fitness), (matrix[:3, :3], matrix[:3, 3])


def _same_pose(one: Pose, other: Pose, own: FixedParts) -> bool:
    turn = np.trace(one[0].T @ other[0])
    middle = np.array(own.middle_m)
    apart = (one[0] - other[0]) @ middle + one[1] - other[1]
    return bool(turn > 1.0 + 2.0 * math.cos(_SAME_RAD) and np.linalg.norm(apart) < _SAME_M)


def _registration(
    best: Adjusted,
    own: FixedParts,
    overlap: float,
    fixed: Scan,
    freedom: Freedom,
    heads: Heads | None,
    faces: tuple[LevelFace, ...],
) -> Registration:
    level = best.held[1] >= HELD
    # One of the two moved, and nobody knows which: heights are not tied.
    against = (heads is not None and heads.differ) or any(one.differs for one in faces)
    known = level and not against
    rotation, shift = best.pose
    area_m2 = own.cube_m**2
    return Registration(
        method="walls and ceiling" if known else "walls alone",
        move=Move(as_rotation(rotation), as_place(shift), fixed.frame),
        residual_m=best.residual_m,
        height_error_m=math.hypot(best.height_error_m, freedom.bend_m) if known else None,
        middle_m=best.middle_m,
        covariance=best.height_covariance,
        tie_m=best.tie_m,
        bend_m=freedom.bend_m,
        heads_m=_heads_m(own.height_m[best.matched & own.level]),
        overlap=overlap,
        wall_m2=float((best.matched & own.upright).sum()) * area_m2,
        level_m2=float((best.matched & own.level).sum()) * area_m2,
        heads=heads if level else None,
        faces=faces if level else (),
    )


def _heads_m(height_m: Array) -> tuple[float, ...]:
    """Heights of what looks up or down, put together where they are one ceiling [m].

    Examples
    --------
    >>> _heads_m(np.array([2.71, 2.70, 2.05, 2.72]))
    (2.05, 2.71)
    """
    if not height_m.size:
        return ()
    rising = np.sort(height_m)
    groups = np.split(rising, np.flatnonzero(np.diff(rising) > _CEILING_M) + 1)
    return tuple(round(float(np.median(own)), 3) for own in groups)
