"""Rooms whose floor is hard to find, built of plane faces, with closed-form truth.

``hard_scene(seed)`` draws a room with any mix of what ``PARTS`` names and casts rays
at it from where a surveyor would stand. Every face is a flat polygon, so that areas
and levels are sums of rectangles; nothing here comes from the package.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

Array = NDArray[np.float64]

PARTS = (
    "ceiling", "table", "pallet", "polished", "landing", "dock", "storeys", "ramp", "falls",
    "ghosts", "door", "pit", "columns", "unseen", "open-side", "sparse", "hand-held", "rough",
)  # fmt: skip


@dataclass
class Face:
    """A level or sloping face over a plan polygon: z = z0 + ax x + ay y."""

    where: shapely.Polygon
    z0: float
    ax: float = 0.0
    ay: float = 0.0
    mirrors: bool = False


@dataclass
class Wall:
    """An upright face from p to q between two heights, with holes (along, along, low, high)."""

    p: tuple[float, float]
    q: tuple[float, float]
    low: float
    high: float
    holes: list[tuple[float, float, float, float]] = field(default_factory=list)


@dataclass
class HardScene:
    """Points [m] of a room and what is true of it.

    ``floor`` is the area to pour, columns and openings cut out, that under loose things
    included; ``height`` its level at places; ``others`` the other walkable levels as
    (plan polygon, level at its middle).
    """

    seed: int
    parts: tuple[str, ...]
    points: Array
    floor: shapely.Polygon
    height: Callable[[Array, Array], Array]
    others: list[tuple[shapely.Polygon, float]]
    columns: list[shapely.Polygon]
    openings: list[shapely.Polygon]
    beyond: list[shapely.Polygon]
    noise_m: float
    doubled_m: float


def box_walls(shape: shapely.Polygon, low: float, high: float) -> list[Wall]:
    """Upright faces around a polygon."""
    ring = np.asarray(shape.exterior.coords)
    return [Wall(tuple(a), tuple(b), low, high) for a, b in pairwise(ring)]


def cast(
    faces: list[Face], walls: list[Wall], origin: Array, ray: Array
) -> tuple[Array, NDArray[np.int64]]:
    """Distance to the first face that each ray meets, and its number; infinite for none."""
    best = np.full(len(ray), np.inf)
    which = np.full(len(ray), -1)
    for k, face in enumerate(faces):
        down = ray[:, 2] - face.ax * ray[:, 0] - face.ay * ray[:, 1]
        above = origin[:, 2] - face.z0 - face.ax * origin[:, 0] - face.ay * origin[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -above / down
        ok = np.flatnonzero((t > 1e-6) & (t < best))
        xy = origin[ok, :2] + t[ok, None] * ray[ok, :2]
        x0, y0, x1, y1 = face.where.bounds
        near = (xy[:, 0] >= x0) & (xy[:, 0] <= x1) & (xy[:, 1] >= y0) & (xy[:, 1] <= y1)
        ok, xy = ok[near], xy[near]
        ok = ok[shapely.contains_xy(face.where, xy[:, 0], xy[:, 1])]
        best[ok], which[ok] = t[ok], k
    for k, wall in enumerate(walls):
        p, q = np.asarray(wall.p), np.asarray(wall.q)
        along = q - p
        length = float(np.hypot(*along))
        normal = np.array([-along[1], along[0]]) / length
        with np.errstate(divide="ignore", invalid="ignore"):
            t = ((p - origin[:, :2]) @ normal) / (ray[:, :2] @ normal)
        ok = np.flatnonzero((t > 1e-6) & (t < best))
        place = origin[ok] + t[ok, None] * ray[ok]
        s = (place[:, :2] - p) @ along / length
        z = place[:, 2]
        hit = (s >= 0) & (s <= length) & (z >= wall.low) & (z <= wall.high)
        for s0, s1, z0, z1 in wall.holes:
            hit &= ~((s > s0) & (s < s1) & (z > z0) & (z < z1))
        best[ok[hit]], which[ok[hit]] = t[ok[hit]], len(faces) + k
    return best, which


def _sphere(n: int, rng: np.random.Generator, lowest: float) -> Array:
    up = rng.uniform(np.sin(lowest), 1.0, n)
    turn = rng.uniform(0.0, 2 * np.pi, n)
    flat = np.sqrt(1 - up**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), up])


def scan(
    faces: list[Face],
    walls: list[Wall],
    stands: Array,
    rays: int,
    rng: np.random.Generator,
    *,
    tripod: bool,
    noise_m: float,
    doubled_m: float,
    warp_m: float,
    mirror: float,
) -> Array:
    """Points (n, 3) seen from the stands, with the sensor's errors."""
    stand = rng.integers(0, len(stands), rays)
    origin = stands[stand]
    ray = _sphere(rays, rng, np.radians(-62.0 if tripod else -85.0))
    t, which = cast(faces, walls, origin, ray)
    met = np.isfinite(t) & (t < 40.0)
    origin, ray, t, which, stand = (a[met] for a in (origin, ray, t, which, stand))
    if mirror > 0:
        glossy = np.array([face.mirrors for face in faces] + [False] * len(walls))[which]
        pick = np.flatnonzero(glossy & (rng.random(t.size) < mirror))
        place = origin[pick] + t[pick, None] * ray[pick]
        back = ray[pick] * np.array([1.0, 1.0, -1.0])
        more, _ = cast(faces, walls, place, back)
        seen = np.isfinite(more) & (more < 20.0)
        # The instrument takes the way over the mirror for a straight one.
        t[pick[seen]] += more[seen]
    points = origin + t[:, None] * ray
    points += noise_m * rng.standard_normal(points.shape)
    if doubled_m > 0:
        second = stand >= len(stands) // 2
        points[second] += [0.4 * doubled_m, -0.3 * doubled_m, doubled_m]
    if warp_m > 0:
        phase = rng.uniform(0, 2 * np.pi, 2)
        points[:, 2] += (
            warp_m * np.sin(0.7 * points[:, 0] + phase[0]) * np.cos(0.5 * points[:, 1] + phase[1])
        )
    return points


def ghost(where: shapely.Polygon, z: float, rng: np.random.Generator) -> Array:
    """A smear of points that someone left who walked through: 0 to 1.8 m high."""
    x0, y0, x1, y1 = where.bounds
    start, turn = rng.uniform([x0, y0], [x1, y1]), rng.uniform(0, 2 * np.pi)
    n = int(rng.integers(200, 1500))
    s = rng.uniform(0, rng.uniform(0.5, 2.5), n)
    xy = start + s[:, None] * [np.cos(turn), np.sin(turn)] + 0.15 * rng.standard_normal((n, 2))
    xy = xy[shapely.contains_xy(where, xy[:, 0], xy[:, 1])]
    return np.column_stack([xy, z + rng.uniform(0.0, 1.8, len(xy))])


def hard_scene(
    seed: int, parts: tuple[str, ...] | None = None, most_rays: int = 260_000
) -> HardScene:
    """A room drawn by its seed; ``parts`` names what it holds instead of chance."""
    rng = np.random.default_rng(seed)
    if parts is None:
        chance = {
            "ceiling": 0.6, "table": 0.25, "pallet": 0.12, "polished": 0.3, "landing": 0.3,
            "dock": 0.1, "storeys": 0.12, "ramp": 0.08, "falls": 0.1, "ghosts": 0.25,
            "door": 0.3, "pit": 0.2, "columns": 0.25, "unseen": 0.15, "open-side": 0.12,
            "sparse": 0.15, "hand-held": 0.35, "rough": 0.15,
        }  # fmt: skip
        parts = tuple(name for name in PARTS if rng.random() < chance[name])
    has = set(parts)
    if "dock" in has:
        has -= {"landing", "table", "pallet", "falls", "storeys", "unseen"}
    if "storeys" in has:
        has -= {"landing", "ramp", "falls", "pit", "unseen", "open-side", "polished"}
        has -= {"table", "pallet"}
        has |= {"ceiling"}
    if "ramp" in has:
        has -= {"falls", "landing", "polished", "dock"}
    if "landing" in has:
        has -= {"unseen"}
    if "table" in has:
        has -= {"pallet"}
    if has & {"table", "pallet"}:
        has -= {"pit", "columns", "unseen"}
    if "falls" in has:
        has -= {"pit", "table", "pallet"}
    return _Builder(seed, tuple(p for p in PARTS if p in has), rng, most_rays).build()


class _Builder:
    """Puts a scene together, part by part."""

    def __init__(
        self, seed: int, parts: tuple[str, ...], rng: np.random.Generator, most_rays: int
    ) -> None:
        self.seed, self.parts, self.rng, self.most_rays = seed, parts, rng, most_rays
        self.faces: list[Face] = []
        self.walls: list[Wall] = []
        self.others: list[tuple[shapely.Polygon, float]] = []
        self.columns: list[shapely.Polygon] = []
        self.openings: list[shapely.Polygon] = []
        self.beyond: list[shapely.Polygon] = []
        self.ax = self.ay = 0.0
        self.length = float(rng.uniform(4.5, 13.0))
        self.width = float(rng.uniform(4.0, 9.0))
        self.room = shapely.box(0, 0, self.length, self.width)
        self.high = float(rng.uniform(2.5, 4.5))
        self.busy: list[shapely.Polygon] = []

    def build(self) -> HardScene:
        rng, has = self.rng, set(self.parts)
        if "ramp" in has:
            self.ax = float(rng.uniform(0.03, 0.10))
        elif "falls" not in has:
            self.ax, self.ay = (float(v) for v in rng.uniform(-0.002, 0.002, 2))
        floor = self.room
        main_z = 0.0
        if "dock" in has:
            floor, main_z = self._dock()
        elif "landing" in has:
            floor = self._landing()
        storey = "storeys" in has
        if "columns" in has:
            self._columns(floor)
        if "pit" in has:
            self._pit(floor, main_z)
        if has & {"table", "pallet"}:
            self._table(floor, main_z, "table" in has)
        cut = shapely.union_all(self.columns + self.openings)
        pieces = [(floor.difference(cut), main_z)]
        if "falls" in has:
            pieces = []
            drop = 0.02 * 0.5 * min(self.length, self.width)
            self._falls(floor.difference(cut), drop)
        for piece, z in pieces:
            self.faces.append(Face(piece, z, self.ax, self.ay, "polished" in has))
        self._outer_walls(main_z)
        for column in self.columns:
            self.walls += box_walls(column, main_z - 0.3, main_z + self.high)
        if "ceiling" in has and not storey:
            self.faces.append(Face(self.room, self.high + self.ax * self.length))
        truth = floor.difference(cut)
        stands_on = [(truth, main_z)]
        if storey:
            truth, main_z, stands_on = self._storeys(truth)
        height = self._height(main_z)
        points = self._seen(truth, stands_on, height)
        return self._placed(points, truth, height)

    def _height(self, z: float) -> Callable[[Array, Array], Array]:
        if "falls" in self.parts:
            faces = list(self.falls)

            def fallen(x: Array, y: Array) -> Array:
                return np.max([f.z0 + f.ax * x + f.ay * y for f in faces], axis=0)

            return fallen
        ax, ay = self.ax, self.ay
        return lambda x, y: z + ax * x + ay * y

    def _falls(self, floor: shapely.Polygon, drop: float) -> None:
        """Four planes from level edges down to a drain, without their own holes."""
        self.drain = np.array([self.length, self.width]) * self.rng.uniform(0.42, 0.58, 2)
        hole = shapely.box(*(self.drain - 0.08), *(self.drain + 0.08))
        self.openings.append(hole)
        self.falls = []
        ring = np.asarray(self.room.exterior.coords)
        for a, b in pairwise(ring):
            part = shapely.Polygon([a, b, self.drain]).intersection(floor).difference(hole)
            along = (b - a) / np.hypot(*(b - a))
            inward = np.array([-along[1], along[0]])
            if inward @ (self.drain - a) < 0:
                inward = -inward
            slope = -drop / (inward @ (self.drain - a))
            face = Face(
                part, -slope * float(inward @ a), *(slope * inward), "polished" in self.parts
            )
            self.faces.append(face)
            self.falls.append(face)
        self.walls += box_walls(hole, -drop - 0.15, -drop + 0.01)
        self.faces.append(Face(hole, -drop - 0.15))

    def _dock(self) -> tuple[shapely.Polygon, float]:
        """A raised part over the larger share of the room: the dock is the floor."""
        share, rise = self.rng.uniform(0.62, 0.75), float(self.rng.uniform(0.5, 1.2))
        self.length = max(self.length, 6.5)
        self.high = max(self.high, rise + 2.4)
        self.room = shapely.box(0, 0, self.length, self.width)
        edge = share * self.length
        low = shapely.box(edge, 0, self.length, self.width)
        self.faces.append(Face(low, 0.0))
        self.others.append((low, 0.0))
        self.walls.append(Wall((edge, 0), (edge, self.width), 0.0, rise + self.ax * edge))
        return shapely.box(0, 0, edge, self.width), rise

    def _landing(self) -> shapely.Polygon:
        """A platform at one end or in a corner, with steps down to the floor."""
        rng = self.rng
        rise = float(rng.uniform(0.15, 1.2))
        self.high = max(self.high, rise + 2.0)  # one stands upright on it
        deep = float(rng.uniform(1.2, min(2.5, 0.35 * self.length)))
        across = self.width if rng.random() < 0.5 else float(rng.uniform(1.2, 0.7 * self.width))
        top = shapely.box(0, 0, deep, across)
        z = rise + self.ax * deep / 2
        self.faces.append(Face(top, z))
        self.others.append((top, z))
        self.walls.append(Wall((deep, 0), (deep, across), -0.1, z))
        if across < self.width:
            self.walls.append(Wall((0, across), (deep, across), -0.1, z))
        taken = top
        steps = int(np.ceil(rise / 0.19)) - 1
        y0 = float(rng.uniform(0, across - 1.0))
        for k in range(steps):
            tread = shapely.box(deep + 0.28 * k, y0, deep + 0.28 * (k + 1), y0 + 1.0)
            tz = rise * (steps - k) / (steps + 1)
            self.faces.append(Face(tread, tz))
            self.walls += box_walls(tread, -0.1, tz)
            taken = taken.union(tread)
        self.busy.append(taken.buffer(0.3))
        return self.room.difference(taken)

    def _free(
        self, where: shapely.Polygon, dx: float, dy: float, gap: float
    ) -> shapely.Polygon | None:
        """A place for a rectangle well inside the floor and off what is there."""
        x0, y0, x1, y1 = where.bounds
        inner = where.buffer(-gap).difference(shapely.union_all(self.busy).buffer(gap))
        for _ in range(40):
            x, y = self.rng.uniform(x0, x1), self.rng.uniform(y0, y1)
            shape = shapely.box(x, y, x + dx, y + dy)
            if inner.contains(shape):
                return shape
        return None

    def _columns(self, floor: shapely.Polygon) -> None:
        for _ in range(int(self.rng.integers(1, 4))):
            side = float(self.rng.uniform(0.3, 0.5))
            shape = self._free(floor, side, side, 0.7)
            if shape is not None:
                self.columns.append(shape)
                self.busy.append(shape)

    def _pit(self, floor: shapely.Polygon, z: float) -> None:
        dx, dy = (float(v) for v in self.rng.uniform(0.8, 2.4, 2))
        deep = float(self.rng.uniform(0.5, 3.0))
        shape = self._free(floor, dx, dy, 0.5)
        if shape is None or shape.area > 0.25 * floor.area:
            return
        self.openings.append(shape)
        self.busy.append(shape)
        self.walls += [
            Wall(w.p, w.q, z - deep, z + self.ax * w.p[0] + self.ay * w.p[1])
            for w in box_walls(shape, 0, 1)
        ]
        self.faces.append(Face(shape, z - deep))

    def _table(self, floor: shapely.Polygon, z: float, legs: bool) -> None:
        """A top larger than the floor that is seen around it."""
        x0, y0, x1, y1 = floor.bounds
        gap = self.rng.uniform(0.6, 0.9, 4)
        shape = shapely.box(x0 + gap[0], y0 + gap[1], x1 - gap[2], y1 - gap[3])
        taken = shapely.union_all(self.busy)
        shape = shape.difference(taken.buffer(0.4))
        if shape.geom_type != "Polygon":
            shape = max(shape.geoms, key=lambda part: part.area)
        middle = shape.centroid
        level = z + self.ax * middle.x + self.ay * middle.y
        if self.ax > 0.02:
            return
        rise = float(self.rng.uniform(0.7, 1.0) if legs else self.rng.uniform(0.12, 0.2))
        self.faces.append(Face(shape, level + rise))
        if legs:
            self.walls += box_walls(shape, level + rise - 0.05, level + rise)
            self.faces.append(Face(shape, level + rise - 0.05))
            for x, y in np.asarray(shape.exterior.coords)[:-1]:
                leg = shapely.Point(x, y).buffer(0.04).envelope.intersection(shape)
                self.walls += box_walls(leg.envelope, level, level + rise - 0.05)
        else:
            self.walls += box_walls(shape, level - 0.05, level + rise)
        self.busy.append(shape)

    def _outer_walls(self, main_z: float) -> None:
        rng, has = self.rng, set(self.parts)
        top = self.high + self.ax * self.length + max(main_z, 0)
        walls = box_walls(self.room, -0.4, top)
        if "open-side" in has:
            del walls[int(rng.integers(0, len(walls)))]
        self.walls += walls
        if "door" not in has:
            return
        # The wall x = 0 may be gone or hold the landing: the doorway is in another.
        for wall in walls:
            length = float(np.hypot(wall.q[0] - wall.p[0], wall.q[1] - wall.p[1]))
            if wall.p[1] == wall.q[1] == self.width and length > 3.5:
                at = float(rng.uniform(0.45 * length, 0.55 * length - 0.4))
                z = main_z
                x = wall.p[0] + np.sign(wall.q[0] - wall.p[0]) * (at + 0.45)
                if "dock" in has and x > 0.6 * self.length:
                    return
                wall.holes.append((at, at + 0.9, -0.4, z + self.ax * x + 2.05))
                other = shapely.box(x - 1.6, self.width + 0.1, x + 1.8, self.width + 3.2)
                way = shapely.box(x - 0.45, self.width, x + 0.45, self.width + 0.1)
                self.faces.append(Face(other, z, self.ax, self.ay, "polished" in has))
                sill = float(rng.choice([0.0, 0.015]))
                self.faces.append(Face(way, z + sill, self.ax, self.ay))
                far = box_walls(other, -0.4, top)
                for piece in far:
                    if piece.p[1] == piece.q[1] == self.width + 0.1:
                        s = abs(x - piece.p[0])
                        piece.holes.append((s - 0.45, s + 0.45, -0.4, z + self.ax * x + 2.05))
                self.walls += far
                self.walls += [
                    Wall((x + side, self.width), (x + side, self.width + 0.1), -0.4, z + 2.05)
                    for side in (-0.45, 0.45)
                ]
                self.beyond.append(other)
                return

    def _storeys(
        self, lower: shapely.Polygon
    ) -> tuple[shapely.Polygon, float, list[tuple[shapely.Polygon, float]]]:
        """A second storey over a stair well; the larger of the two floors is the floor."""
        rng = self.rng
        thick = float(rng.uniform(0.2, 0.35))
        well = shapely.box(0.0, 0.0, 1.1, 3.0)
        wider = bool(rng.random() < 0.5)
        if wider:
            upper = shapely.box(0, 0, 1.45 * self.length, self.width)
            over = self.room
        else:
            upper = over = shapely.box(0, 0, 0.7 * self.length, self.width)
        slab = over.difference(well)
        z = self.high + thick
        top = z + float(rng.uniform(2.5, 3.2))
        self.faces.append(Face(slab, self.high))
        above = upper.difference(well)
        self.faces.append(Face(above, z))
        self.walls += box_walls(well, self.high, z)
        if wider:
            # The underside of what reaches over the lower room is not seen from inside.
            self.walls += box_walls(upper, z, top)
            self.faces.append(Face(upper, top))
        else:
            self.faces.append(Face(self.room, top))
            self.walls += box_walls(self.room, self.high, top)
            rail = float(0.7 * self.length)
            self.walls.append(Wall((rail, 0), (rail, self.width), self.high, z))
        steps = 15
        for k in range(steps):
            tread = shapely.box(0.0, 3.0 - 0.19 * (k + 1), 1.0, 3.0 - 0.19 * k)
            tz = z * (k + 1) / (steps + 1)
            self.faces.append(Face(tread, tz))
            self.walls += box_walls(tread, tz - z / (steps + 1), tz)
        high = above
        low_area = lower
        if wider:
            self.others.append((low_area, 0.0))
            for cut in self.columns:
                low_area = low_area.difference(cut)
            self.columns, self.openings = [], [well]
            self.beyond = []
            self.ax = self.ay = 0.0
            return high, z, [(lower, 0.0), (high, z)]
        self.others.append((high, z))
        lower = lower.difference(shapely.box(0.0, 3.0 - 0.19 * steps, 1.0, 3.0))
        return lower, 0.0, [(lower, 0.0), (high, z)]

    def _seen(
        self,
        truth: shapely.Polygon,
        stands_on: list[tuple[shapely.Polygon, float]],
        height: Callable[[Array, Array], Array],
    ) -> Array:
        rng, has = self.rng, set(self.parts)
        hand = bool(has & {"hand-held", "rough"})
        self.noise_m = 0.010 if "rough" in has else 0.004 if hand else 0.0015
        self.doubled_m = 0.008 if "rough" in has else 0.0
        walk = 40 if hand else 3
        stands = []
        every = [*stands_on, *self.others] if "storeys" not in has else stands_on
        for where, z in every:
            clear = where.buffer(-0.45).difference(shapely.union_all(self.busy).buffer(0.15))
            if clear.is_empty:
                clear = where.buffer(-0.3)
            count = walk if "storeys" in has or where is truth else max(walk // 2, 1)
            x0, y0, x1, y1 = clear.bounds
            for _ in range(4000):
                if count == 0:
                    break
                x, y = rng.uniform(x0, x1), rng.uniform(y0, y1)
                if shapely.contains_xy(clear, x, y):
                    base = z + self.ax * x + self.ay * y
                    stands.append([x, y, base + rng.uniform(1.3, 1.7)])
                    count -= 1
        stands = np.array(stands)
        rng.shuffle(stands)
        density = 220.0 if "sparse" in has else float(rng.uniform(1000, 2500))
        area = sum(where.area for where, _ in stands_on)
        rays = int(np.clip(3.2 * density * area, 8_000, self.most_rays))
        points = scan(
            self.faces, self.walls, stands, rays, rng,
            tripod=not hand, noise_m=self.noise_m, doubled_m=self.doubled_m,
            warp_m=0.003 if "rough" in has else 0.0015 if hand else 0.0,
            mirror=float(rng.uniform(0.03, 0.2)) if "polished" in has else 0.0,
        )  # fmt: skip
        if "ghosts" in has:
            z = float(height(np.array(0.5 * self.length), np.array(0.5 * self.width)))
            count = int(rng.integers(2, 6))
            points = np.concatenate([points, *(ghost(truth, z, rng) for _ in range(count))])
        if "unseen" in has:
            points = points[points[:, 0] < 0.55 * self.length]
        return points

    def _placed(
        self, points: Array, truth: shapely.Polygon, height: Callable[[Array, Array], Array]
    ) -> HardScene:
        """The scene turned and moved to where its frame happens to lie."""
        rng = self.rng
        turn = float(rng.uniform(0, 360)) if rng.random() < 0.8 else 0.0
        east, north, up = (float(v) for v in rng.uniform(-5, 5, 3))
        cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        matrix = np.array([[cos, -sin], [sin, cos]])

        def there(shape: shapely.Polygon) -> shapely.Polygon:
            return affinity.translate(affinity.rotate(shape, turn, origin=(0, 0)), east, north)

        def level(x: Array, y: Array) -> Array:
            xy = np.stack([np.asarray(x) - east, np.asarray(y) - north], axis=-1) @ matrix
            return up + height(xy[..., 0], xy[..., 1])

        moved = points.copy()
        moved[:, :2] = points[:, :2] @ matrix.T + [east, north]
        moved[:, 2] += up
        return HardScene(
            self.seed, self.parts, moved, there(truth), level,
            [(there(shape), z + up) for shape, z in self.others],
            [there(shape) for shape in self.columns],
            [there(shape) for shape in self.openings],
            [there(shape) for shape in self.beyond],
            self.noise_m, self.doubled_m,
        )  # fmt: skip
