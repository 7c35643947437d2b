"""Scans of one room before and after a pour, in different frames, with what is true of them.

The room is drawn: walls, ceiling, a doorway, columns; the floor after the pour is a formula as
well, so what was placed is an integral and no sum over points.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from pourdatum.simulate.patch import highest_patch
from pourdatum.simulate.placing import place_stations
from pourdatum.simulate.quadrature import integrate
from pourdatum.simulate.relief import Hump, Relief, Wave
from pourdatum.simulate.rooms import random_room
from pourdatum.simulate.scanning import scan_scene, tilt_matrix
from pourdatum.simulate.scene import Round, Scene, Square
from pourdatum.simulate.sensor import sensor
from pourdatum.uncertainty import SENSORS
from pourdatum.write.scan_files import write_scan


@dataclass(frozen=True, eq=False)
class Pair:
    """Two scans as files, and what is true.

    ``turn_rad`` and ``shift_m`` bring a place of AFTER to BEFORE: turned about z, then shifted.
    """

    before: Path
    after: Path
    room: Scene
    poured: Scene
    turn_rad: float
    shift_m: np.ndarray
    placed_m3: float
    area_m2: float

    def back(self, points: np.ndarray) -> np.ndarray:
        """Points of AFTER in BEFORE's frame."""
        return points @ tilt_about_z(self.turn_rad).T + self.shift_m


def tilt_about_z(turn_rad: float) -> np.ndarray:
    """A turn about the vertical, anticlockwise."""
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


def a_room(number: int, area_m2: tuple[float, float] = (45.0, 75.0)) -> Scene:
    """A drawn room with a ceiling, near the origin."""
    rng = np.random.default_rng([number, 5])
    room = random_room(number, area_m2=area_m2)
    # A slab that a pour of 10 mm covers: nothing stands more than 8 mm above its mean.
    above_m = highest_patch(room.room, room.relief.height).height_m - mean_of(room)
    share = min(1.0, 0.008 / above_m)
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
        site_m=tuple(float(v) for v in rng.uniform((0, 0, 0), (400.0, 400.0, 40.0))),
    )  # fmt: skip


def over_floor(room: Scene, height: Callable[..., np.ndarray]) -> tuple[float, float]:
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
            Hump(*rng.uniform(-2, 2, 2), float(rng.uniform(0.0005, 0.0015)), 0.4),
            *(_dip(room, dip_m) if dip_m else ()),
        ),
        waves=(Wave(0.0004, float(rng.uniform(2, 4)), float(rng.uniform(0, 6)), 1.0),),
    )
    lift = mean_of(room) + mean_m - mean_of(replace(room, relief=flat))
    return replace(
        room, relief=replace(flat, level_m=lift), crates=(), blobs=(), name=f"{room.name}-poured"
    )


def _dip(room: Scene, deep_m: float) -> tuple[Hump, ...]:
    """A round dip in the middle of the room."""
    x, y = room.room.buffer(-1.0).representative_point().coords[0]
    return (Hump(float(x), float(y), -deep_m, 0.6),)


def a_pair(
    folder: Path,
    number: int,
    *,
    mean_m: float = 0.010,
    drifts: bool = True,
    points: int = 500_000,
    shift_m: float = 100.0,
    turn_rad: float | None = None,
    room: Scene | None = None,
    top_rad: float = math.pi / 2,
    kind: str = ".las",
    dip_m: float = 0.0,
) -> Pair:
    """Draw a room, pour it, scan it twice, and put AFTER in a frame of its own."""
    rng = np.random.default_rng([number, 77])
    room = a_room(number) if room is None else room
    after = poured(room, rng, mean_m, dip_m)
    clouds = []
    for scene in (room, after):
        budget = SENSORS["tripod"]
        tilt = rng.normal(0.0, budget.tilt_rad, 2) if drifts else np.zeros(2)
        instrument = sensor(
            "tripod",
            place_stations(scene, 3),
            noise_m=float(rng.uniform(0.0008, 0.002)),
            top_rad=top_rad,
            tilt_rad=float(np.hypot(*tilt)),
            tilt_bearing_rad=float(np.arctan2(tilt[0], tilt[1])),
            warp_m=2.0 * abs(float(rng.normal(0.0, budget.warp_m))) if drifts else 0.0,
            warp_length_m=float(rng.uniform(1.0, 2.0)) * math.sqrt(room.room.area),
        )
        clouds.append(scan_scene(scene, instrument, int(rng.integers(2**31)), points=points))
    turn = float(rng.uniform(-math.pi, math.pi)) if turn_rad is None else turn_rad
    shift = rng.uniform(-1.0, 1.0, 3) * (shift_m, shift_m, 0.02 * shift_m)
    # What AFTER's own frame calls a place p: p = turn q + shift for q in that frame.
    own = (clouds[1].points_m - shift) @ tilt_about_z(turn)
    placed_m3, area_m2 = over_floor(
        room, lambda x, y: after.relief.height(x, y) - room.relief.height(x, y)
    )
    return Pair(
        before=write_scan(folder / f"before-{number}{kind}", clouds[0].points_m, clouds[0].station),
        after=write_scan(folder / f"after-{number}{kind}", own, clouds[1].station),
        room=room,
        poured=after,
        turn_rad=turn,
        shift_m=shift,
        placed_m3=placed_m3,
        area_m2=area_m2,
    )


__all__ = ["Pair", "a_pair", "a_room", "poured", "tilt_about_z", "tilt_matrix"]
