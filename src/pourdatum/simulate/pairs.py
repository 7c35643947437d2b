"""Scans of one room before and after a pour, in different frames, with what is true of them.

The room is drawn: walls, ceiling, a doorway, columns; the floor after the pour is a formula as
well, so what was placed is an integral and no sum over points.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.move import about_z
from pourdatum.simulate.patch import highest_patch
from pourdatum.simulate.placing import place_stations
from pourdatum.simulate.quadrature import integrate
from pourdatum.simulate.relief import Hump, Relief, Wave
from pourdatum.simulate.rooms import random_room
from pourdatum.simulate.scanning import Shot, scan_scene
from pourdatum.simulate.scene import Door, Round, Scene, Square
from pourdatum.simulate.sensor import sensor
from pourdatum.uncertainty import SENSORS

Floats = NDArray[np.float64]

_ABOVE_M: Final = 0.008
"""Height of the slab above its mean: a pour of 10 mm covers it [m]."""


@dataclass(frozen=True, eq=False)
class Pair:
    """Two scans, and what is true of them.

    Attributes
    ----------
    before, after : Shot
        Each in the frame of its room; ``after_m`` is what was recorded.
    after_m : (n, 3) array
        Points of the scan after the pour in a frame of its own [m].
    room, poured : Scene
    turn_rad : float
    shift_m : (3,) array
        A place of AFTER's frame is turned about z, anticlockwise, then shifted, to be BEFORE's.
    placed_m3, area_m2 : float
    """

    before: Shot
    after: Shot
    after_m: Floats
    room: Scene
    poured: Scene
    turn_rad: float
    shift_m: Floats
    placed_m3: float
    area_m2: float


def pair_room(number: int, area_m2: tuple[float, float] = (45.0, 75.0)) -> Scene:
    """A drawn room with a ceiling, on a slab that a pour of 10 mm covers."""
    rng = np.random.default_rng([number, 5])
    room = random_room(number, area_m2=area_m2)
    above_m = highest_patch(room.room, room.relief.height).height_m - mean_of(room)
    share = min(1.0, _ABOVE_M / above_m)
    own = room.relief
    calm = replace(
        own,
        slope_x=share * own.slope_x,
        slope_y=share * own.slope_y,
        humps=tuple(replace(one, height_m=share * one.height_m) for one in own.humps),
        waves=tuple(replace(one, amplitude_m=share * one.amplitude_m) for one in own.waves),
    )
    room = replace(room, relief=replace(calm, level_m=share * own.level_m))
    return replace(
        room, ceiling_m=float(rng.uniform(2.4, 3.2)), polished=False,
        site_m=(
            float(rng.uniform(0.0, 400.0)),
            float(rng.uniform(0.0, 400.0)),
            float(rng.uniform(0.0, 40.0)),
        ),
    )  # fmt: skip


def over_floor(room: Scene, height: Callable[[Floats, Floats], Floats]) -> tuple[float, float]:
    """Integral of a height over the floor [m³], and the floor's area [m²]."""
    corners = [cut.outline for cut in room.cuts if isinstance(cut, Square)]
    rounds = [(cut.x_m, cut.y_m, cut.radius_m) for cut in room.cuts if isinstance(cut, Round)]
    total = integrate(
        room.room.difference(shapely.union_all(corners)),
        rounds,
        lambda x, y: np.stack([height(x, y), np.ones_like(x)]),
    )
    return float(total[0]), float(total[1])


def mean_of(room: Scene) -> float:
    """Mean level of a floor [m], local."""
    total_m3, area_m2 = over_floor(room, room.relief.height)
    return total_m3 / area_m2


def poured(
    room: Scene, rng: np.random.Generator, mean_m: float = 0.010, dip_m: float = 0.0
) -> Scene:
    """The same room once it is filled by a mean of so much: nearly level, crates gone."""
    flat = Relief(
        slope_x=float(rng.normal(0, 2e-4)),
        slope_y=float(rng.normal(0, 2e-4)),
        humps=(
            Hump(
                float(rng.uniform(-2, 2)),
                float(rng.uniform(-2, 2)),
                float(rng.uniform(0.0005, 0.0015)),
                0.4,
            ),
            *(_dip(room, dip_m) if dip_m else ()),
        ),
        waves=(Wave(0.0004, float(rng.uniform(2, 4)), float(rng.uniform(0, 6)), 1.0),),
    )
    lift = mean_of(room) + mean_m - mean_of(replace(room, relief=flat))
    flat = replace(flat, level_m=lift)
    return replace(
        room, relief=flat, crates=(), blobs=(), name=f"{room.name}-poured",
        doors=tuple(head_unmoved(room, door, flat) for door in room.doors),
    )  # fmt: skip


def head_unmoved(room: Scene, door: Door, relief: Relief) -> Door:
    """A door whose head stays where it is while the floor below it rises."""
    (ax, ay), (bx, by) = room.outline[door.wall], room.outline[(door.wall + 1) % len(room.outline)]
    share = 0.5 * (door.start_m + door.end_m) / math.hypot(bx - ax, by - ay)
    x, y = ax + share * (bx - ax), ay + share * (by - ay)
    rise_m = float(relief.height(x, y)) - float(room.relief.height(x, y))
    return replace(door, head_m=door.head_m - rise_m)


def _dip(room: Scene, deep_m: float) -> tuple[Hump, ...]:
    """A round dip in the middle of the room."""
    x, y = room.room.buffer(-1.0).representative_point().coords[0]
    return (Hump(float(x), float(y), -deep_m, 0.6),)


def draw_pair(
    number: int,
    *,
    mean_m: float = 0.010,
    dip_m: float = 0.0,
    drifts: bool = True,
    points: int = 500_000,
    apart_m: float = 100.0,
    room: Scene | None = None,
) -> Pair:
    """Draw a room, pour it, scan it twice from other set-ups, and put AFTER in a frame of its own.

    Parameters
    ----------
    number : int
        0 or more; the same number draws the same pair.
    mean_m : float
        Mean thickness of the pour [m].
    dip_m : float
        Depth of a round dip that the pour has in the middle [m].
    drifts : bool
        Whether the scans lean and bend as the budget of a tripod says.
    points : int
        Of each scan, about.
    apart_m : float
        How far the second frame may lie from the first [m]; in height a fiftieth of it.
    room : Scene, optional
        A room that is not drawn.
    """
    rng = np.random.default_rng([number, 77])
    scene = pair_room(number) if room is None else room
    after = poured(scene, rng, mean_m, dip_m)
    first, second = (_scan(one, rng, points, drifts=drifts) for one in (scene, after))
    turn = float(rng.uniform(-math.pi, math.pi))
    shift = rng.uniform(-1.0, 1.0, 3) * (apart_m, apart_m, 0.02 * apart_m)
    placed_m3, area_m2 = over_floor(
        scene, lambda x, y: after.relief.height(x, y) - scene.relief.height(x, y)
    )
    return Pair(
        before=first,
        after=second,
        # A place p of the room is q there: p = turn q + shift.
        after_m=(second.points_m - shift) @ about_z(turn),
        room=scene,
        poured=after,
        turn_rad=turn,
        shift_m=shift,
        placed_m3=placed_m3,
        area_m2=area_m2,
    )


def _scan(scene: Scene, rng: np.random.Generator, points: int, *, drifts: bool) -> Shot:
    budget = SENSORS["tripod"]
    tilt = rng.normal(0.0, budget.tilt_rad, 2) if drifts else np.zeros(2)
    instrument = sensor(
        "tripod",
        place_stations(scene, 3),
        noise_m=float(rng.uniform(0.0008, 0.002)),
        tilt_rad=float(np.hypot(*tilt)),
        tilt_bearing_rad=float(np.arctan2(tilt[0], tilt[1])),
        warp_m=2.0 * abs(float(rng.normal(0.0, budget.warp_m))) if drifts else 0.0,
        warp_length_m=float(rng.uniform(1.0, 2.0)) * math.sqrt(scene.room.area),
    )
    return scan_scene(scene, instrument, int(rng.integers(2**31)), points=points)
