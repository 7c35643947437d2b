"""Whether two scans that were brought together belong together, and hold each other.

Each refusal says what of the two scans disagrees, by how much, and what would help.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.adjustment import HELD, Adjusted, Freedom
from pourdatum.errors import JobError, NoFloor
from pourdatum.fixedparts import MARKS, FixedParts
from pourdatum.units import LENGTH_UNITS, MM

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

Mask = NDArray[np.bool_]

LEAST_OVERLAP: Final = 0.7
"""Share of the smaller scan's walls that lies on the other's; less are two rooms. A choice."""
_EYE_M: Final = 1.0
"""Height over the floor below which goods stand about [m]."""
_ENOUGH_HIGH: Final = 0.2
"""Share of the walls that must be seen above that for the rest to be left out."""
_RIVAL: Final = 0.8
"""Share of the best pose's walls from which another is a rival."""
_TELLS_M2: Final = 0.5
"""Faces that fit in one pose alone, more than in the other alone, by which it is told; a choice."""
_TELLS: Final = 1.3
_WORSE: Final = 3.0
"""Residuals of the best pose from which another fits badly: walls that are not quite square."""
_MEETS: Final = 2.5
"""Distance within which a cube meets the other scan, in sides."""
_TIMES: Final = 5.0
"""Standard deviations beyond which verticals or lengths do not differ."""
_LEAN: Final = 5e-4
_STRETCH: Final = 5e-4
"""Lean and stretch that are let pass, whatever was stated: half a millimetre per metre."""
_LEFT_M: Final = 0.002
"""What faces may be apart besides the bends of both scans [m]."""
_SAME_RAD: Final = math.radians(5.0)
_LIKE: Final = 0.1
"""Share by which the sizes of two rooms may differ from a ratio of units."""


def check_tie(
    best: Adjusted,
    rest: Sequence[Adjusted],
    own: FixedParts,
    other: FixedParts,
    tree: cKDTree,
    freedom: Freedom,
) -> float:
    """Share of the smaller scan's walls that lies on the other's, where nothing speaks against it.

    Parameters
    ----------
    best : Adjusted
        The pose that brings most walls together.
    rest : sequence of Adjusted
        Other poses.
    own, other : FixedParts
        Of the scan that is moved, AFTER, and of the fixed one, BEFORE.
    tree : cKDTree
        Of ``other``.
    freedom : Freedom
        By how much verticals and lengths may differ.

    Raises
    ------
    NoFloor
        If the two are of different rooms, or nothing holds them.
    JobError
        If the room looks the same in two ways.
    """
    overlap = overlap_of(best, own, other, tree)
    _check_one_room(overlap, own, other)
    _check_held(best)
    rivals = rivals_of(best, rest, own, tree)
    if rivals:
        _ask(best, rivals)
    _check_lean(best.rotation, freedom)
    if abs(best.scale - 1.0) > max(_TIMES * freedom.scale, _STRETCH):
        raise NoFloor(
            f"lengths in AFTER are {abs(best.scale - 1.0) * 100:.2f} %"
            f" {'shorter' if best.scale > 1.0 else 'longer'} than in BEFORE",
            where="AFTER",
            hint="check the unit and the scale of both scans",
            id="scale-differs",
        )
    limit_m = _LEFT_M + 4.0 * freedom.bend_m
    if best.residual_m > limit_m:
        raise NoFloor(
            f"walls of the two scans lie {best.residual_m * MM:.1f} mm apart where they agree best,"
            f" such scans agree to {limit_m * MM:.1f} mm",
            where="AFTER",
            hint=f"check that both are of one room, and --sensor and --turn; or {MARKS}",
            id="fits-badly",
        )
    return overlap


def _check_lean(rotation: NDArray[np.float64], freedom: Freedom) -> None:
    told = too_far(rotation, freedom)
    if told:
        raise NoFloor(
            f"the scans agree only if one leans by {told}",
            where="AFTER",
            hint="something that both were tied by was moved or boarded meanwhile, or one is not"
            f" upright: look at the ceiling; or {MARKS}",
            id="leans",
        )


def too_far(rotation: NDArray[np.float64], freedom: Freedom) -> str:
    """How far one scan leans against the other, where it is more than such scanners do; or ""."""
    lean = lean_of(rotation)
    limit = max(_TIMES * freedom.tilt_rad, _LEAN)
    if lean <= limit:
        return ""
    return f"{lean * MM:.1f} mm per m against the other, such scanners agree to {limit * MM:.1f}"


def lean_of(rotation: NDArray[np.float64]) -> float:
    """Lean of one vertical against the other [rad].

    Examples
    --------
    >>> lean_of(np.diag([1.0, -1.0, -1.0])) == math.pi
    True
    """
    side = math.hypot(float(rotation[0, 2]), float(rotation[1, 2]))
    return math.atan2(side, float(rotation[2, 2]))


def overlap_of(one: Adjusted, own: FixedParts, other: FixedParts, tree: cKDTree) -> float:
    """Share of the smaller scan's walls that lies on the other's."""
    high = own.upright & (own.height_m > _EYE_M)
    # Where nothing is seen so high, all walls count.
    enough = high.sum() > _ENOUGH_HIGH * own.upright.sum()
    walls = high if enough else own.upright
    reach = other.upright & (other.height_m > _EYE_M)
    there = reach if enough and reach.any() else other.upright
    smaller = min(float(walls.sum()) * own.cube_m**2, float(there.sum()) * other.cube_m**2)
    met = float((met_by(one, own, tree) & walls).sum()) * own.cube_m**2
    return min(met / max(smaller, 1e-9), 1.0)


def _check_one_room(overlap: float, own: FixedParts, other: FixedParts) -> None:
    if overlap >= LEAST_OVERLAP:
        return
    unit = _unit_between(own, other)
    raise NoFloor(
        f"the scans do not show one room: at best {overlap:.0%} of the walls of the smaller lie on"
        f" those of the other, {LEAST_OVERLAP:.0%} are needed",
        where="AFTER",
        hint=(f"AFTER seems to be in {unit}: say so with units, under [after] in the job" if unit
              else f"check that BEFORE and AFTER are of one room and overlap, or {MARKS}"),
        id="not-one-room",
    )  # fmt: skip


def _unit_between(own: FixedParts, other: FixedParts) -> str:
    """The unit that would make the one room as large as the other; empty where none does."""
    # Root mean square distance from the middle: the same however a room is turned.
    size, there = (
        float(np.sqrt(parts.place_m[parts.upright, :2].var(axis=0).sum())) for parts in (own, other)
    )
    for name, unit_m in LENGTH_UNITS.items():
        if name != "us-ft" and abs(unit_m - 1.0) > _LIKE:
            for ratio, said in ((unit_m, name), (1.0 / unit_m, f"m, and BEFORE in {name}")):
                if abs(size * ratio / there - 1.0) < _LIKE:
                    return said
    return ""


def _check_held(best: Adjusted) -> None:
    """Refuse scans that could slide along their walls, or turn within them."""
    if best.held[0] < HELD:
        raise NoFloor(
            "the walls that both scans show look one way only: the scans could slide along them",
            where="AFTER",
            hint=f"scan a wall across as well, or {MARKS}",
            id="not-held",
        )
    if best.turn_held_m2 < HELD:
        raise NoFloor(
            "the walls that both scans show run round: the scans could turn within them",
            where="AFTER",
            hint=MARKS,
            id="not-held",
        )


def rivals_of(
    best: Adjusted, rest: Sequence[Adjusted], own: FixedParts, tree: cKDTree
) -> list[Adjusted]:
    """Poses that fit about as well as the best.

    What tells is what one scan shows where the other shows nothing at all: a column, the wall
    where the other has a doorway; or walls that meet the others' badly, for none is quite square.
    """
    met = met_by(best, own, tree)
    rivals = []
    for other in rest:
        if (other.matched & own.upright).sum() < _RIVAL * (best.matched & own.upright).sum():
            continue
        if other.residual_m > _WORSE * best.residual_m:
            continue
        met_so = met_by(other, own, tree)
        here = float((met & ~met_so).sum()) * own.cube_m**2
        there = float((met_so & ~met).sum()) * own.cube_m**2
        # Shadows of the fixed scan count alike in both.
        if here - there >= _TELLS_M2 and here >= _TELLS * there:
            continue
        rivals.append(other)
    return rivals


def check_mirror(
    best: Adjusted,
    mirrored: Sequence[Adjusted],
    own: FixedParts,
    own_mirrored: FixedParts,
    fixed: FixedParts,
    tree: cKDTree,
) -> bool:
    """Whether the scan would fit about as well if it were mirrored, refused where it fits better.

    Parameters
    ----------
    best : Adjusted
        The pose that brings most walls together.
    mirrored : sequence of Adjusted
        Poses of the scan's mirror image.
    own, own_mirrored : FixedParts
        The scan and its image, cube by cube.
    fixed : FixedParts
        The other scan.
    tree : cKDTree
        Of it.

    Raises
    ------
    NoFloor
        If the image shows more where the other scan shows something.
    """
    met = met_by(best, own, tree)
    alike = False
    for other in mirrored:
        if other.residual_m > _WORSE * best.residual_m:
            continue
        # Of two rooms neither fits.
        if overlap_of(other, own_mirrored, fixed, tree) < LEAST_OVERLAP:
            continue
        met_so = met_by(other, own_mirrored, tree)
        here = float((met & ~met_so).sum()) * own.cube_m**2
        there = float((met_so & ~met).sum()) * own.cube_m**2
        if there - here >= _TELLS_M2 and there >= _TELLS * here:
            raise NoFloor(
                f"AFTER fits BEFORE better in a mirror: {there:.1f} m² of its walls and columns lie"
                f" on BEFORE's only if left and right are exchanged, {here:.1f} m² only if not",
                where="AFTER",
                hint="one of the two files is left-handed: export it again with x, y and z"
                " right-handed, z up; if neither is, what stood in the room was moved meanwhile:"
                f" {MARKS}",
                id="mirrored",
            )
        alike |= here - there < _TELLS_M2 or here < _TELLS * there
    return alike


def _ask(best: Adjusted, rivals: Sequence[Adjusted]) -> None:
    turns = turns_in_words([best, *rivals])
    if len(turns) == 1:
        apart = float(np.linalg.norm(best.own_middle_m - rivals[0].own_middle_m))
        raise JobError(
            f"the room looks the same in two places {apart:.1f} m apart: AFTER may lie at either",
            where="AFTER", hint=MARKS, id="two-ways",
        )  # fmt: skip
    raise JobError(
        f"the room looks the same in {'two' if len(turns) == 2 else len(turns)} ways: AFTER lies"
        f" in BEFORE once it is turned anticlockwise, seen from above, by {' or by '.join(turns)}"
        " degrees",
        where="AFTER",
        hint=f"say which: {' or '.join(f'--turn {turn}' for turn in turns)} (turn_deg under"
        f" [registration] in the job); or {MARKS}",
        id="two-ways",
    )


def turns_in_words(poses: Sequence[Adjusted]) -> list[str]:
    """Turns of poses, anticlockwise from above, in whole degrees, each once."""
    turns: list[float] = []
    for one in poses:
        turn = turn_of(one)
        if all(abs(math.remainder(turn - known, math.tau)) >= _SAME_RAD for known in turns):
            turns.append(turn)
    return [f"{round(math.degrees(turn)) % 360}" for turn in turns]


def met_by(one: Adjusted, own: FixedParts, tree: cKDTree) -> Mask:
    """Cubes of the moving scan near which the fixed one shows anything (n,)."""
    reach_m = _MEETS * own.cube_m
    away, _ = tree.query(one.place_m(own.place_m), distance_upper_bound=reach_m)
    out: Mask = np.isfinite(away)
    return out


def turn_of(one: Adjusted) -> float:
    """Turn about the vertical, anticlockwise [rad]."""
    return math.atan2(float(one.rotation[1, 0]), float(one.rotation[0, 0]))
