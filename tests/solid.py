"""A closed solid of a pour, built without the code under test.

Every line that matters (edges of the surface's triangles, the line where it meets the
datum, the outline) is noded into one plane graph; its faces are triangulated; each
triangle becomes a lid on the datum and a bed on the surface, and the free edges become
walls. Its volume is the mesh library's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from pourdatum.grid import Grid

Place = tuple[float, float]


def pour_solid(
    height_m: NDArray[np.float64],
    grid: Grid,
    outline: shapely.Geometry,
    datum_at: Callable[[float, float], float],
) -> trimesh.Trimesh:
    """What fills the outline from the surface up to the datum; diagonals rise to the right."""
    depth = _depth(height_m, grid, datum_at)
    faces = [
        face
        for face in shapely.polygonize([_line_work(height_m, grid, outline, datum_at)]).geoms
        if outline.contains(face.representative_point())
        and depth(*face.representative_point().coords[0]) > 0.0
    ]
    places: dict[Place, int] = {}
    lid: list[tuple[int, int, int]] = []
    for face in faces:
        for triangle in shapely.constrained_delaunay_triangles(face).geoms:
            corners = shapely.orient_polygons(triangle).exterior.coords[:3]
            a, b, c = (places.setdefault(corner, len(places)) for corner in corners)
            lid.append((a, b, c))
    n = len(places)
    top = [(x, y, datum_at(x, y)) for x, y in places]
    bottom = [(x, y, datum_at(x, y) - depth(x, y)) for x, y in places]
    bed = [(n + c, n + b, n + a) for a, b, c in lid]
    used = Counter(pair for a, b, c in lid for pair in ((a, b), (b, c), (c, a)))
    free = [(a, b) for a, b in used if (b, a) not in used]
    walls = [face for a, b in free for face in ((b, a, n + a), (b, n + a, n + b))]
    return trimesh.Trimesh(top + bottom, lid + bed + walls, process=False)


def _depth(
    height_m: NDArray[np.float64], grid: Grid, datum_at: Callable[[float, float], float]
) -> Callable[[float, float], float]:
    def depth(x: float, y: float) -> float:
        u, v = (x - grid.x0_m) / grid.cell_m, (y - grid.y0_m) / grid.cell_m
        col, row = min(int(u), grid.nx - 2), min(int(v), grid.ny - 2)
        u, v = u - col, v - row
        southwest, northeast = height_m[row, col], height_m[row + 1, col + 1]
        beside = height_m[row, col + 1] if u >= v else height_m[row + 1, col]
        long, short = max(u, v), min(u, v)
        floor = southwest + long * (beside - southwest) + short * (northeast - beside)
        return float(datum_at(x, y) - floor)

    return depth


def _line_work(
    height_m: NDArray[np.float64],
    grid: Grid,
    outline: shapely.Geometry,
    datum_at: Callable[[float, float], float],
) -> shapely.Geometry:
    def node(row: int, col: int) -> tuple[float, float, float]:
        x, y = float(grid.x_m[col]), float(grid.y_m[row])
        return x, y, float(datum_at(x, y) - height_m[row, col])

    met: dict[frozenset[Place], Place] = {}
    lines: list[list[Place]] = []
    done: set[frozenset[Place]] = set()
    for row in range(grid.ny - 1):
        for col in range(grid.nx - 1):
            for third in ((row, col + 1), (row + 1, col)):
                corners = [node(row, col), node(*third), node(row + 1, col + 1)]
                waterline: list[Place] = []
                for one, two in ((0, 1), (1, 2), (2, 0)):
                    a, b = sorted((corners[one], corners[two]))
                    key = frozenset((a[:2], b[:2]))
                    if a[2] * b[2] < 0.0:
                        share = a[2] / (a[2] - b[2])
                        met[key] = (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
                        waterline.append(met[key])
                    if key not in done:
                        done.add(key)
                        path = [a[:2], *([met[key]] if key in met else []), b[:2]]
                        lines.extend([p, q] for p, q in pairwise(path))
                if len(waterline) == 2:
                    lines.append(waterline)
    return shapely.unary_union([shapely.multilinestrings(lines), outline.boundary])
