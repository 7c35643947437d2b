"""Fresh rooms by the number: no two alike, and each with its truth.

For tables of accuracy on scenes that nothing was tuned on. High points lie on a
hump, at a wall and in a corner, turn by turn.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, Literal

import numpy as np
import shapely
from shapely import affinity

from pourdatum.errors import JobError
from pourdatum.simulate.patch import Patch, highest_patch
from pourdatum.simulate.relief import Hump, HumpShape, Relief, Wave
from pourdatum.simulate.scene import Blob, Crate, Door, Hole, Place, Round, Scene, Square

HighKind = Literal["hump", "wall", "corner"]
HIGH_KINDS: Final[tuple[HighKind, ...]] = ("hump", "wall", "corner")

_SHAPES: Final[tuple[HumpShape, ...]] = ("gaussian", "cosine", "cap")
_TRIES: Final = 400


def random_room(
    seed: int, *, high: HighKind | None = None, area_m2: tuple[float, float] = (40.0, 60.0)
) -> Scene:
    """Draw a room.

    A rectangle, L, T or skewed quadrilateral, turned by any angle, on any site; fall of
    0 to 5 mm/m, one or two undulations, 2 to 6 humps of 3 to 12 mm; 1 to 4 crates (some
    against walls, some tables), 0 to 2 columns, 0 to 2 drains or pits from 100 mm across,
    0 to 2 nibs, often a door; polished or not, with a ceiling or without. No crate
    stands on a hump's top, on the high point or on an opening: what is hidden from every
    set-up no scan can find.

    Parameters
    ----------
    seed : int
        0 or more; the same seed draws the same room.
    high : "hump", "wall" or "corner", optional
        Where the high point lies; default by turns with the seed.
    area_m2 : (low, high)
        Bounds of the room's area [m²].

    Raises
    ------
    JobError
        If the seed is negative, or no room of that kind is found.

    Examples
    --------
    >>> random_room(7) == random_room(7)
    True
    """
    if seed < 0:
        raise JobError(f"seed is {seed}", where="random_room", hint="give 0 or more", id="seed")
    kind = high or HIGH_KINDS[seed % 3]
    rng = np.random.default_rng([seed, 4711])
    for _ in range(_TRIES):
        outline = _outline(rng, area_m2)
        room = shapely.Polygon(outline)
        relief = _relief(rng, outline, kind)
        top = highest_patch(room, relief.height)
        if _where_is(top, outline, relief) == kind:
            break
    else:
        raise JobError(f"no room with its high point at a {kind} was found", where="random_room")
    scene = Scene(
        name=f"room-{seed}",
        outline=outline,
        relief=relief,
        ceiling_m=float(rng.uniform(2.4, 3.4)) if rng.random() < 0.5 else None,
        polished=bool(rng.random() < 0.5),
        site_m=_site(rng),
        description=f"drawn room {seed}, high point: {kind}",
    )
    return _furnished(rng, scene, top)


def _outline(rng: np.random.Generator, area_m2: tuple[float, float]) -> tuple[Place, ...]:
    long = rng.uniform(1.0, 1.7)
    a, b = rng.uniform(0.4, 0.62, 2)
    c = rng.uniform(0.15, 0.3)
    plans: list[list[Place]] = [
        [(0, 0), (long, 0), (long, 1), (0, 1)],
        [(0, 0), (long, 0), (long, b), (a * long, b), (a * long, 1), (0, 1)],
        [(0, 0), (long, 0), (long, b), ((1 - c) * long, b), ((1 - c) * long, 1), (c * long, 1),
         (c * long, b), (0, b)],
        [(float(x * long + dx), float(y + dy)) for (x, y), (dx, dy) in
         zip(((0, 0), (1, 0), (1, 1), (0, 1)), rng.uniform(-0.08, 0.08, (4, 2)), strict=True)],
    ]  # fmt: skip
    polygon = shapely.Polygon(plans[int(rng.integers(4))])
    size = math.sqrt(rng.uniform(*area_m2) / polygon.area)
    polygon = affinity.scale(polygon, size, size, origin=(0, 0))
    polygon = affinity.rotate(polygon, rng.uniform(0, 360), origin=(0, 0))
    cx, cy = polygon.centroid.coords[0]
    corners = list(polygon.exterior.coords)[:-1]
    return tuple((float(x - cx), float(y - cy)) for x, y in corners)


def _site(rng: np.random.Generator) -> tuple[float, float, float]:
    # A local frame, a building's frame, or a map's: the last costs a careless tool its heights.
    span = ((0.0, 0.0, 0.0), (500.0, 500.0, 30.0), (700_000.0, 6_000_000.0, 800.0))
    x, y, z = span[int(rng.integers(3))]
    return (float(rng.uniform(0.4, 1.0) * x), float(rng.uniform(0.4, 1.0) * y),
            float(rng.uniform(-0.1, 1.0) * z))  # fmt: skip


def _relief(rng: np.random.Generator, outline: tuple[Place, ...], kind: HighKind) -> Relief:
    room = shapely.Polygon(outline)
    fall = rng.uniform(0.0, 0.0015 if kind == "hump" else 0.005)
    toward = rng.uniform(0.0, 2 * math.pi)
    at_edge: list[Hump] = []
    if kind == "corner":
        x, y = outline[int(rng.integers(len(outline)))]
        toward = math.atan2(y, x) + rng.uniform(-0.3, 0.3)
        if rng.random() < 0.5:
            at_edge.append(Hump(x, y, float(rng.uniform(0.004, 0.01)), float(rng.uniform(0.6, 1.4)),
                                "gaussian"))  # fmt: skip
    if kind == "wall":
        ring = room.exterior
        spot = ring.interpolate(rng.uniform(0.0, ring.length))
        toward = math.atan2(spot.y, spot.x) + rng.uniform(-0.3, 0.3)
        if rng.random() < 0.7:
            at_edge.append(Hump(spot.x, spot.y, float(rng.uniform(0.005, 0.012)),
                                float(rng.uniform(0.4, 0.9)), "cosine"))  # fmt: skip
    waves = tuple(
        Wave(float(rng.uniform(0.0004, 0.0015)), float(rng.uniform(4.0, 9.0)),
             float(rng.uniform(0, math.pi)), float(rng.uniform(0, 2 * math.pi)))
        for _ in range(int(rng.integers(1, 3)))
    )  # fmt: skip
    slope = fall + sum(wave.steepest for wave in waves)
    humps = _humps(rng, room, slope, at_edge, int(rng.integers(2, 7)))
    return Relief(0.0, fall * math.cos(toward), fall * math.sin(toward), tuple(humps), waves)


def _humps(
    rng: np.random.Generator, room: shapely.Polygon, slope: float, first: list[Hump], count: int
) -> list[Hump]:
    humps = list(first)
    inner = room.buffer(-0.25)
    for _ in range(_TRIES):
        if len(humps) >= count:
            break
        height = float(rng.uniform(0.003, 0.012))
        # A hump whose flanks are no steeper than the floor has no top to be found.
        widest = min(0.9, height * math.pi / 2 / (3.0 * slope + 1e-9))
        radius = float(rng.uniform(0.3, max(0.35, widest)))
        x, y = (float(v) for v in rng.uniform(inner.bounds[:2], inner.bounds[2:]))
        apart = all(math.hypot(x - h.x_m, y - h.y_m) > 0.8 * (radius + h.radius_m) for h in humps)
        if apart and inner.contains(shapely.Point(x, y)):
            humps.append(Hump(x, y, height, radius, _SHAPES[int(rng.integers(3))]))
    return humps


def _where_is(top: Patch, outline: tuple[Place, ...], relief: Relief) -> HighKind | None:
    """On a hump away from walls, at a wall, in a corner, or none of these clearly."""
    to_wall = shapely.Polygon(outline).exterior.distance(shapely.Point(top.x_m, top.y_m))
    to_corner = min(math.hypot(top.x_m - x, top.y_m - y) for x, y in outline)
    if to_corner < 0.25:
        return "corner"
    if to_wall < 0.12 and to_corner > 0.5:
        return "wall"
    on_hump = any(math.hypot(top.x_m - h.x_m, top.y_m - h.y_m) < 0.1 for h in relief.humps)
    return "hump" if to_wall > 0.3 and on_hump else None


def _furnished(rng: np.random.Generator, scene: Scene, top: Patch) -> Scene:
    """Put columns, openings, crates, nibs and a door into a bare room, clear of one another."""
    high = shapely.Point(top.x_m, top.y_m)
    turn = math.atan2(
        scene.outline[1][1] - scene.outline[0][1], scene.outline[1][0] - scene.outline[0][0]
    )
    kept = [high.buffer(0.35)]
    kept.extend(
        shapely.Point(hump.x_m, hump.y_m).buffer(0.15 + 0.4 * hump.radius_m)
        for hump in scene.relief.humps
    )
    columns: list[Round | Square] = []
    for _ in range(int(rng.integers(0, 3))):
        column: Round | Square = Round(0, 0, float(rng.uniform(0.12, 0.25)))
        if rng.random() < 0.5:
            a, b = (float(v) for v in rng.uniform(0.25, 0.5, 2))
            column = Square(0, 0, a, b, turn)
        spot = _spot(rng, scene.room.buffer(-0.9), column.outline, kept, 0.5)
        if spot is not None:
            columns.append(replace(column, x_m=spot[0], y_m=spot[1]))
            kept.append(columns[-1].outline.buffer(0.3))
    holes: list[Hole] = []
    for _ in range(int(rng.integers(0, 3))):
        drain: Round | Square = Round(0, 0, float(rng.uniform(0.05, 0.15)))
        if rng.random() < 0.4:
            a, b = (float(v) for v in rng.uniform(0.12, 0.4, 2))
            drain = Square(0, 0, a, b, turn)
        spot = _spot(rng, scene.room.buffer(-0.5), drain.outline, kept, 0.3)
        if spot is not None:
            holes.append(Hole(replace(drain, x_m=spot[0], y_m=spot[1]),
                              float(rng.uniform(0.08, 0.5))))  # fmt: skip
            kept.append(holes[-1].shape.outline.buffer(0.5))
    scene = replace(scene, columns=tuple(columns), holes=tuple(holes))
    doors = _door(rng, scene) if rng.random() < 0.6 else ()
    kept.extend(_before_door(scene, door) for door in doors)
    crates = _crates(rng, scene, kept, int(rng.integers(1, 5)))
    blobs = []
    for _ in range(int(rng.integers(0, 3))):
        width = float(rng.uniform(0.02, 0.06))
        spot = _spot(rng, scene.room.buffer(-0.05), shapely.Point(0, 0).buffer(width),
                     [*kept, *(c.outline for c in crates)], 0.1)  # fmt: skip
        if spot is not None:
            blobs.append(Blob(*spot, width, width * float(rng.uniform(0.2, 0.5))))
    return replace(scene, doors=doors, crates=crates, blobs=tuple(blobs))


def _spot(
    rng: np.random.Generator,
    within: shapely.Geometry,
    shape: shapely.Polygon,
    kept: list[shapely.Polygon],
    clearance_m: float,
) -> Place | None:
    """Somewhere a shape about (0, 0) fits inside an area and clear of what is kept free."""
    if within.is_empty:
        return None
    for _ in range(_TRIES):
        x, y = (float(v) for v in rng.uniform(within.bounds[:2], within.bounds[2:]))
        moved = affinity.translate(shape, x, y)
        if within.contains(moved) and all(moved.distance(k) > clearance_m for k in kept):
            return x, y
    return None


def _crates(
    rng: np.random.Generator, scene: Scene, kept: list[shapely.Polygon], count: int
) -> tuple[Crate, ...]:
    crates: list[Crate] = []
    for number in range(count):
        length, width = (float(v) for v in rng.uniform(0.4, 1.2, 2))
        table = bool(rng.random() < 0.2)
        height = 0.74 if table else float(rng.uniform(0.25, 1.5))
        for _ in range(_TRIES):
            # Every other one stands against a wall, as things do.
            x, y, turn = (
                _by_wall(rng, scene, length, width) if number % 2 == 0 else _anywhere(rng, scene)
            )
            crate = Crate(x, y, length, width, height, turn, legs=table)
            outline = crate.outline
            if scene.room.contains(outline) and all(outline.distance(k) > 0.02 for k in kept):
                crates.append(crate)
                kept = [*kept, outline.buffer(0.15)]
                break
    return tuple(crates)


def _by_wall(
    rng: np.random.Generator, scene: Scene, length: float, width: float
) -> tuple[float, float, float]:
    wall = int(rng.integers(len(scene.outline)))
    ax, ay = scene.outline[wall]
    bx, by = scene.outline[(wall + 1) % len(scene.outline)]
    long = math.hypot(bx - ax, by - ay)
    ux, uy = (bx - ax) / long, (by - ay) / long
    along = rng.uniform(0.0, long)
    off = width / 2 + rng.uniform(0.002, 0.03)
    return (float(ax + ux * along - uy * off), float(ay + uy * along + ux * off),
            math.atan2(uy, ux))  # fmt: skip


def _anywhere(rng: np.random.Generator, scene: Scene) -> tuple[float, float, float]:
    x, y = rng.uniform(scene.room.bounds[:2], scene.room.bounds[2:])
    return float(x), float(y), float(rng.uniform(0.0, math.pi))


def _door(rng: np.random.Generator, scene: Scene) -> tuple[Door, ...]:
    wall = int(rng.integers(len(scene.outline)))
    (ax, ay), (bx, by) = scene.outline[wall], scene.outline[(wall + 1) % len(scene.outline)]
    long = math.hypot(bx - ax, by - ay)
    if long < 1.6:
        return ()
    start = float(rng.uniform(0.3, long - 1.2))
    return (Door(wall, start, start + 0.9),)


def _before_door(scene: Scene, door: Door) -> shapely.Polygon:
    (ax, ay) = scene.outline[door.wall]
    (bx, by) = scene.outline[(door.wall + 1) % len(scene.outline)]
    wall = shapely.LineString([(ax, ay), (bx, by)])
    gap = shapely.LineString([wall.interpolate(door.start_m), wall.interpolate(door.end_m)])
    return gap.buffer(0.6)
