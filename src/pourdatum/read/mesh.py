"""A mesh from a file, held in memory: what of it is sound, and how much area it has.

The formats hand over vertices and triangles whose indices and sizes they have checked
against the file. Here corners without numbers, triangles without area and triangles that
lie on others are left out and counted, so that a two-sided sheet counts once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import FAR, SAMPLE_POINTS, check_voids, measured
from pourdatum.read.polygons import cut_polygons
from pourdatum.read.source import Source

Points = NDArray[np.float64]
Triangles = NDArray[np.int32]
Step = tuple[float, float, float]

_BLOCK: Final = 1 << 18
_DIGIT_SAMPLE: Final = 2000
_TELLING: Final = 1000
_DISTINCT: Final = 20
_WHOLE: Final = 12
"""Digits beyond which numbers were not rounded."""
_USUAL: Final = 6
MOST_VERTICES: Final = 2**31 - 1


def no_points() -> Points:
    """Points (0, 3)."""
    return np.empty((0, 3))


def no_triangles() -> Triangles:
    """Triangles (0, 3)."""
    return np.empty((0, 3), np.int32)


@dataclass(frozen=True, eq=False)
class Mesh:
    """What a file holds, in its own unit and axes.

    Attributes
    ----------
    vertices : (n, 3) float64 array
        May hold NaN.
    triangles : (m, 3) int32 array
        Indices of vertices, all within them.
    points : (k, 3) float64 array
        Points that are no corners of triangles; may hold NaN.
    step : tuple of 3 floats
        Step in which each coordinate is stored; 0 where not known.
    beside : tuple of Source
        Other files from which it was read.
    notes, warnings : tuples
    """

    vertices: Points
    triangles: Triangles
    points: Points = field(default_factory=no_points)
    step: Step = (0.0, 0.0, 0.0)
    beside: tuple[Source, ...] = ()
    notes: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, eq=False)
class SoundMesh:
    """A mesh of which every triangle counts.

    Attributes
    ----------
    vertices, triangles, points
        As in ``Mesh``; every corner and point is a measurement.
    area_upto : (m,) float64 array
        Area of the triangles up to and with each [file unit squared], increasing.
    """

    vertices: Points
    triangles: Triangles
    points: Points
    area_upto: Points
    step: Step
    beside: tuple[Source, ...]
    notes: tuple[str, ...]
    warnings: tuple[tuple[str, str], ...]

    @property
    def area(self) -> float:
        """Area of all triangles [file unit squared]."""
        return float(self.area_upto[-1]) if len(self.area_upto) else 0.0


def made_sound(mesh: Mesh, source: Source) -> SoundMesh:
    """Leave out what is no surface; where nothing is, the vertices are points.

    Raises
    ------
    ScanError
        If more than a hundredth of the corners, or of the points, are no numbers, or an
        index lies beyond the vertices.
    """
    notes, warnings = list(mesh.notes), list(mesh.warnings)
    _check_corners(mesh, source)
    triangles = _with_numbers(mesh, source, warnings)
    twins, triangles = _without_twins(mesh.vertices, triangles)
    areas = _areas(mesh.vertices, triangles)
    flat = int(np.count_nonzero(areas <= 0.0))
    if flat:
        triangles, areas = triangles[areas > 0.0], areas[areas > 0.0]
    points = mesh.points
    if len(triangles) == 0:
        if flat:
            notes.append(
                f"none of the {flat} triangles has an area: the vertices are read as points"
            )
        points = np.concatenate([points, mesh.vertices])
    else:
        _say_left_out(mesh, triangles, twins, flat, notes)
    kept = measured(points)
    void = len(points) - len(kept)
    warnings.extend(check_voids(void, len(points), source))
    return SoundMesh(
        vertices=mesh.vertices,
        triangles=triangles,
        points=kept,
        area_upto=np.cumsum(areas),
        step=mesh.step,
        beside=mesh.beside,
        notes=tuple(notes),
        warnings=tuple(warnings),
    )


def steps_of(vertices: Points, float32: bool) -> Step:
    """Step in which each axis of some vertices is stored [file unit]; 0 where not known.

    Vertices of a mesh may lie on a grid, which is no rounding, so that ``look.stored_step``
    would mislead. In float32 the step is that of the type. In text it is told by the digits:
    the same decimals on all axes, or six digits in all, which is what many writers print
    unless told otherwise. A few vertices, or a flat sheet, tell nothing.

    Examples
    --------
    >>> grid = np.stack(np.meshgrid(np.arange(40.0), np.arange(40.0)), -1).reshape(-1, 2)
    >>> level = np.sin(grid[:, :1] + grid[:, 1:])
    >>> steps_of(np.hstack([grid, level]), float32=False)
    (0.0, 0.0, 0.0)
    >>> steps_of(np.hstack([grid, level.round(3)]), float32=False)
    (0.001, 0.001, 0.001)
    """
    every = max(1, -(-len(vertices) // (SAMPLE_POINTS if float32 else _DIGIT_SAMPLE)))
    sample = measured(vertices[::every])
    if len(sample) == 0:
        return 0.0, 0.0, 0.0
    if float32:
        x, y, z = np.spacing(np.quantile(np.abs(sample), 0.99, axis=0).astype(np.float32))
        return float(x), float(y), float(z)
    varied = all(len(np.unique(sample[:, axis])) >= _DISTINCT for axis in range(3))
    if len(sample) < _TELLING or not varied:
        return 0.0, 0.0, 0.0
    digits, decimals = np.array([_digits(sample[:, axis]) for axis in range(3)]).T
    if digits.max() > _WHOLE:
        return 0.0, 0.0, 0.0
    alone = (digits == _USUAL) & (digits.max() == _USUAL)
    x, y, z = (10.0 ** -float(d) for d in np.where(alone, decimals, decimals.max()))
    return x, y, z


def _digits(values: Points) -> tuple[int, int]:
    """Most digits in all, and most decimals, of values as they are written."""
    parts = [Decimal(repr(v)).normalize().as_tuple() for v in values.tolist()]
    exponents = [int(part.exponent) for part in parts]
    return max(len(part.digits) for part in parts), max(-e for e in exponents)


def cut_faces(
    groups: list[tuple[NDArray[np.int64], NDArray[np.int64]]], vertices: Points, source: Source
) -> Triangles:
    """Triangles of polygons; see ``polygons.cut_polygons``.

    Raises
    ------
    ScanError
        If they cannot be cut in decent time.
    """
    try:
        return cut_polygons(groups, vertices)
    except ValueError as reason:
        raise bad_mesh(str(reason), source, "export the mesh as triangles") from None


def cut_short(what: str, source: Source) -> ScanError:
    """The error of a file that holds less than it says."""
    return ScanError(what, where=source.shown, hint="copy or export it again", id="cut-short")


def bad_mesh(what: str, source: Source, hint: str = "export the mesh again") -> ScanError:
    """The error of a mesh that cannot be as it says."""
    return ScanError(what, where=source.shown, hint=hint, id="mesh")


def _check_corners(mesh: Mesh, source: Source) -> None:
    if len(mesh.triangles) == 0:
        return
    low, high = int(mesh.triangles.min()), int(mesh.triangles.max())
    if low < 0 or high >= len(mesh.vertices):
        wrong = low if low < 0 else high
        raise bad_mesh(f"a face names vertex {wrong}, there are {len(mesh.vertices)}", source)


def _with_numbers(mesh: Mesh, source: Source, warnings: list[tuple[str, str]]) -> NDArray[np.int32]:
    """The triangles of which all corners are measurements."""
    triangles = mesh.triangles
    good: NDArray[np.bool_] = np.all(np.abs(mesh.vertices) < FAR, axis=1)  # NaN compares false
    if good.all():
        return triangles
    used = np.zeros(len(mesh.vertices), bool)
    used[triangles] = True
    void = int(np.count_nonzero(used & ~good))
    check_voids(void, int(np.count_nonzero(used)), source)
    whole = good[triangles].all(axis=1)
    if void:
        lost = len(triangles) - int(np.count_nonzero(whole))
        text = f"{void} corners without numbers and the {lost} triangles at them left out"
        warnings.append(("void-points", f"{source.shown}: {text}"))
    return triangles[whole]


def _without_twins(vertices: Points, triangles: Triangles) -> tuple[int, Triangles]:
    """How many triangles lie on another, and the triangles without them, first ones kept.

    Triangles are the same where their corners are at the same places, in any order. Each is
    told by 64 bits made of its places; that two different ones of ten million share them has
    a chance of 3 in a million, and would lose one triangle.
    """
    if len(triangles) < 2:
        return 0, triangles
    keys = np.empty(len(triangles), np.uint64)
    for at in range(0, len(triangles), _BLOCK):
        keys[at : at + _BLOCK] = _keys(vertices, triangles[at : at + _BLOCK])
    first = np.unique(keys, return_index=True)[1]
    twins = len(triangles) - len(first)
    return twins, triangles[np.sort(first)] if twins else triangles


def _keys(vertices: Points, triangles: Triangles) -> NDArray[np.uint64]:
    """64 bits of each triangle (m,) that do not depend on the order of its corners."""
    bits = (vertices[triangles] + 0.0).view(np.uint64)  # + 0.0: -0.0 is 0.0
    corner = _mixed(bits[:, :, 0] + np.uint64(0x9E3779B97F4A7C15))
    corner = _mixed(corner ^ bits[:, :, 1])
    corner = _mixed(corner ^ bits[:, :, 2])
    together = corner.sum(axis=1, dtype=np.uint64)
    return _mixed(together ^ _mixed(corner[:, 0] ^ corner[:, 1] ^ corner[:, 2]))


def _mixed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Every bit spread over all 64 (the finaliser of SplitMix64, S. Vigna; from memory)."""
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(bits ^ (bits >> np.uint64(31)))


def _areas(vertices: Points, triangles: Triangles) -> Points:
    """Area of each triangle (m,) [file unit squared]."""
    areas = np.empty(len(triangles))
    for at in range(0, len(triangles), _BLOCK):
        a, b, c = (vertices[triangles[at : at + _BLOCK, i]] for i in range(3))
        across = np.cross(b - a, c - a)
        areas[at : at + _BLOCK] = 0.5 * np.sqrt(np.einsum("ij,ij->i", across, across))
    return areas


def _say_left_out(
    mesh: Mesh, triangles: Triangles, twins: int, flat: int, notes: list[str]
) -> None:
    words = [
        f"{count} {what}"
        for count, what in ((flat, "without area"), (twins, "that lie on others"))
        if count
    ]
    if words:
        notes.append(f"triangles left out: {' and '.join(words)}")
    used = np.zeros(len(mesh.vertices), bool)
    used[mesh.triangles] = True
    if spare := len(used) - int(np.count_nonzero(used)):
        notes.append(f"{spare} vertices that belong to no triangle are left out")
