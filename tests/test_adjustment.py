"""Faces of two scans adjusted: recovers what was done, and says how sure it is.

Scenes are grids of cubes on the faces of a box, so that the truth of a turn, a shift and a scale
is what was put in.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from pourdatum.adjustment import HELD, Freedom, adjust
from pourdatum.fixedparts import FixedParts
from pourdatum.geometry import Plane

CUBE_M = 0.05
FREE = Freedom(1e-3, 1e-4)


def a_box(rng: np.random.Generator, noise_m: float, *, ceiling: bool = True) -> FixedParts:
    """Cubes on four walls of 6 by 4 m, 2.5 m high, and on the ceiling."""
    x, y = np.arange(0.0, 6.0, CUBE_M), np.arange(0.0, 4.0, CUBE_M)
    z = np.arange(0.3, 2.5, CUBE_M)
    parts, normals = [], []
    for axis, at, u, v in ((1, 0.0, x, z), (1, 4.0, x, z), (0, 0.0, y, z), (0, 6.0, y, z)):
        a, b = (one.ravel() for one in np.meshgrid(u, v))
        place = np.empty((a.size, 3))
        place[:, axis], place[:, 1 - axis], place[:, 2] = at, a, b
        parts.append(place)
        normals.append(np.tile(np.eye(3)[axis], (a.size, 1)))
    if ceiling:
        a, b = (one.ravel() for one in np.meshgrid(x, y))
        parts.append(np.column_stack([a, b, np.full(a.size, 2.5)]))
        normals.append(np.tile([0.0, 0.0, 1.0], (a.size, 1)))
    place, normal = np.concatenate(parts), np.concatenate(normals)
    place = place + noise_m * rng.standard_normal((len(place), 1)) * normal
    return FixedParts(place, normal, CUBE_M, Plane(0.0), (3.0, 2.0, 0.0))


def moved(parts: FixedParts, turn: np.ndarray, shift: np.ndarray, scale: float) -> FixedParts:
    """The same as another scan has it: q with p = turn q scale + shift."""
    place = (parts.place_m - shift) @ turn / scale
    return FixedParts(place, parts.normal @ turn, CUBE_M, Plane(0.0), (0.0, 0.0, 0.0))


def test_recovers_turn_shift_and_scale(seed: int) -> None:
    """Noise of 1 mm on each cube: the floor's middle comes out to hundredths of a millimetre.

    Lengths longer by 80 millionths lift the ceiling by 0.2 mm; the height of the floor does not
    follow it, for the walls show the scale.
    """
    rng = np.random.default_rng(seed)
    fixed = a_box(rng, 0.001)
    turn = Rotation.from_rotvec([2e-4, -3e-4, rng.uniform(-3.0, 3.0)]).as_matrix()
    shift = np.array([5.0, -2.0, 1.3])
    other = moved(a_box(rng, 0.001), turn, shift, 1.00008)
    # From a start that is 20 mm and 0.3 degrees away.
    start = (
        Rotation.from_rotvec([0, 0, 0.005]).as_matrix() @ turn,
        shift + np.array([0.02, -0.01, 0.015]),
    )
    found = adjust(other, fixed, cKDTree(fixed.place_m), start, FREE)
    middle = np.array(fixed.middle_m)
    own = (middle - shift) @ turn / 1.00008
    off = found.place_m(own[None])[0] - middle
    assert np.abs(off).max() < 2e-4, (seed, off)
    assert abs(off[2]) < 4.0 * found.height_error_m + 5e-5, seed
    assert found.height_error_m < 1e-4
    about = Rotation.from_matrix(found.rotation @ turn.T).magnitude()
    assert about < 1e-4, seed
    assert min(found.held) >= HELD
    assert found.turn_held_m2 > HELD
    assert found.scale == pytest.approx(1.00008, abs=5e-5), seed
    assert found.matched.mean() > 0.95


def test_heights_err_as_told(seed: int) -> None:
    """Of 40 pairs, patches of 1 m out by 1 mm each: heights off by what is told, root mean square.

    What is told is the largest of three sizes of patch, so it may be too large, hardly too small.
    """
    rng = np.random.default_rng(seed)
    off, told = [], []
    for _ in range(40):
        fixed, other = a_box(rng, 0.0005), a_box(rng, 0.0005)
        # Borders off the faces, or noise would sort cubes of one face into two patches.
        cell = np.floor(other.place_m - 0.02).astype(int)
        _, patch = np.unique(
            np.column_stack([cell, np.argmax(np.abs(other.normal), axis=1)]), axis=0,
            return_inverse=True,
        )  # fmt: skip
        lift = 0.001 * rng.standard_normal(patch.max() + 1)[patch.ravel()]
        bent = FixedParts(
            other.place_m + lift[:, None] * other.normal, other.normal, CUBE_M, Plane(0.0),
            other.middle_m,
        )  # fmt: skip
        found = adjust(bent, fixed, cKDTree(fixed.place_m), (np.eye(3), np.zeros(3)), FREE)
        off.append(found.place_m(np.array([fixed.middle_m]))[0, 2])
        told.append(found.height_error_m)
    ratio = float(np.sqrt(np.mean(np.square(off)) / np.mean(np.square(told))))
    assert 0.4 < ratio < 1.3, (seed, ratio)


def test_walls_alone_hold_no_height() -> None:
    """Without a ceiling nothing looks up or down; places in plan are held all the same."""
    rng = np.random.default_rng(3)
    fixed, other = (a_box(rng, 0.001, ceiling=False) for _ in range(2))
    found = adjust(other, fixed, cKDTree(fixed.place_m), (np.eye(3), np.zeros(3)), FREE)
    assert found.held[1] < HELD <= found.held[0]
    assert np.abs(found.place_m(np.array([fixed.middle_m]))[0, :2] - [3.0, 2.0]).max() < 2e-4


@pytest.mark.parametrize("yaw", [0.0, 1.0, 2.5])
def test_verticals_agree_as_far_as_was_said(yaw: float) -> None:
    """Where faces leave the tilt open, two verticals are as far apart as such scanners are.

    One short stub of wall in each direction says little of the tilt; the start leans by 5 mm per m
    and the freedom is 0.1: it is brought upright, whatever the turn about the vertical.
    """
    rng = np.random.default_rng(8)
    fixed = a_box(rng, 0.0002, ceiling=False)
    low = fixed.place_m[:, 2] < 0.4
    stub = FixedParts(fixed.place_m[low], fixed.normal[low], CUBE_M, Plane(0.0), fixed.middle_m)
    turn = Rotation.from_rotvec([0, 0, yaw]).as_matrix()
    other = moved(stub, turn, np.zeros(3), 1.0)
    lean = Rotation.from_rotvec([0.005, 0.0, 0.0]).as_matrix()
    found = adjust(
        other, stub, cKDTree(stub.place_m), (lean @ turn, np.zeros(3)), Freedom(1e-4, 1e-4)
    )
    up = found.rotation @ np.array([0.0, 0.0, 1.0])
    assert np.hypot(up[0], up[1]) < 1e-3
