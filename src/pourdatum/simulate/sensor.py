"""Instruments that see in angles and err as real ones do.

A tripod scanner stands at set-ups and sends one ray into every equal piece of the
sphere around it, save a cone below itself. A hand-held one is walked along a path;
its points scatter more, its trajectory bends slowly, and its vertical is off.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.simulate.scene import Scene

SensorKind = Literal["tripod", "mobile", "phone"]
Setup = tuple[float, float, float]

_GOLDEN_RAD: Final = math.pi * (3.0 - math.sqrt(5.0))
_POSE_M: Final = 0.05
_PHONE_CONE_RAD: Final = math.radians(34.0)


@dataclass(frozen=True)
class Sensor:
    """An instrument, where it stood or went, and how it errs.

    Attributes
    ----------
    kind : "tripod", "mobile" or "phone"
        How it looks around: a sphere from set-ups; a band from a walked path; a
        cone swept about a walked path.
    stations : tuple of (x, y, height)
        Set-ups of a tripod; else corners of the path, walked once around. Local plan
        and height over the floor [m].
    noise_m : float
        Scatter of one range at square incidence, 1 sigma [m].
    grazing : float
        Growth of that scatter: sigma = noise * sqrt(1 + (grazing * tan i)²) at
        incidence i. With 1 a floor point scatters by ``noise_m`` in height at every
        incidence, and the more along the floor.
    step_rad : float
        One ray per step² of solid angle, where no number of points is asked for.
    blind_rad : float
        Half-angle of the cone below that is not seen.
    top_rad : float
        Highest elevation looked at.
    max_range_m : float
        Farthest return [m].
    speck_share, mirror_share, mixed_share : float
        Share of rays caught by specks in the air; of floor rays that a polished slab
        mirrors, at square incidence (up to five times that when grazing); of rays
        across a crate's edge that return something between crate and background.
    beam_rad : float
        Half-width of the beam, for mixed points.
    tilt_rad, tilt_bearing_rad : float
        The scan's heights grow wrongly by tan(tilt) per metre towards the bearing
        (from +y, clockwise).
    warp_m, warp_length_m : float
        Amplitude and wave length of a slow smooth bend of the heights [m].
    closure_m : float
        Height gained from start to end of the path, evenly [m]: doubles the floor
        where the path comes back.
    station_step_m : float
        Scatter of whole set-ups in height, 1 sigma [m].
    own_tilt_rad, own_warp_m : float
        Tilt of each set-up about each axis, and its own slow bend (root mean square, of
        ``warp_length_m``), 1 sigma: drawn for each set-up by itself.
    """

    kind: SensorKind = "tripod"
    stations: tuple[Setup, ...] = ()
    noise_m: float = 0.0015
    grazing: float = 1.0
    step_rad: float = 0.004
    blind_rad: float = math.radians(25.0)
    top_rad: float = math.pi / 2
    max_range_m: float = 60.0
    speck_share: float = 0.0005
    mirror_share: float = 0.01
    mixed_share: float = 1.0
    beam_rad: float = 0.001
    tilt_rad: float = 0.0
    tilt_bearing_rad: float = 0.0
    warp_m: float = 0.0
    warp_length_m: float = 12.0
    closure_m: float = 0.0
    station_step_m: float = 0.0
    own_tilt_rad: float = 0.0
    own_warp_m: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in ("tripod", "mobile", "phone"):
            raise JobError(
                f"sensor '{self.kind}' is not known",
                where="Sensor",
                hint="use tripod, mobile or phone",
            )
        if not self.step_rad > 0.0 or not self.warp_length_m > 0.0 or self.noise_m < 0.0:
            raise JobError(
                f"step {self.step_rad} rad, warp length {self.warp_length_m} m or noise"
                f" {self.noise_m} m is out of range",
                where="Sensor",
                hint="step and length are more than 0, noise is 0 or more",
            )


_HABITS: Final[dict[SensorKind, dict[str, float]]] = {
    "tripod": {},
    "mobile": {
        "noise_m": 0.005, "step_rad": 0.02, "blind_rad": math.radians(15.0), "max_range_m": 25.0,
        "speck_share": 0.001, "beam_rad": 0.002, "tilt_rad": math.radians(0.1),
        "warp_m": 0.003,
    },
    "phone": {
        "noise_m": 0.008, "step_rad": 0.02, "blind_rad": 0.0, "max_range_m": 5.0,
        "speck_share": 0.001, "beam_rad": 0.006, "tilt_rad": math.radians(0.2),
        "warp_m": 0.006,
    },
}  # fmt: skip


def sensor(kind: SensorKind, stations: Iterable[Setup], **changes: Any) -> Sensor:
    """A sensor with the habits of its kind, at set-ups or along a path.

    Parameters
    ----------
    kind : str
        "tripod", "mobile" or "phone".
    stations : iterable of (x, y, height)
    **changes
        Fields of ``Sensor`` that differ.

    Raises
    ------
    JobError
        If the kind is not known.
    """
    habits: dict[str, Any] = dict(_HABITS.get(kind, {}))
    return Sensor(kind=kind, stations=tuple(stations), **(habits | changes))


@dataclass(frozen=True, eq=False)
class Rays:
    """Rays as they leave: origins, unit ways, set-up numbers, and time from 0 to 1."""

    origin_m: NDArray[np.float64]
    way: NDArray[np.float64]
    station: NDArray[np.int64]
    time: NDArray[np.float64]


def solid_angle(instrument: Sensor, scene: Scene) -> float:
    """Solid angle that one set-up, or a whole walk, sends rays into [sr]."""
    low, high = _band(instrument, scene)
    if instrument.kind == "phone":
        # A phone sweeps its cone over all bearings while it walks.
        return 4.0 * math.pi
    return 2.0 * math.pi * (high - low)


def rays_of(instrument: Sensor, scene: Scene, count: int, rng: np.random.Generator) -> Rays:
    """Send out rays.

    Parameters
    ----------
    instrument : Sensor
    scene : Scene
        Gives the height of the floor below a set-up.
    count : int
        Rays of all set-ups together.
    rng : numpy Generator

    Raises
    ------
    JobError
        If a set-up, or the path between two, lies outside the room or inside a thing.
    """
    _check_setups(instrument, scene)
    setups = np.asarray(instrument.stations, np.float64)
    if instrument.kind == "tripod":
        setups[:, 2] += scene.relief.height(setups[:, 0], setups[:, 1])
        return _around(instrument, scene, setups, count, rng)
    poses, turn = _walk(setups)
    poses[:, 2] += scene.relief.height(poses[:, 0], poses[:, 1])
    time = np.arange(count) / max(count, 1)
    pose = np.minimum((time * len(poses)).astype(np.int64), len(poses) - 1)
    if instrument.kind == "mobile":
        low, high = _band(instrument, scene)
        way = _sphere(low + (high - low) * rng.random(count), rng.random(count) * 2 * math.pi)
    else:
        way = _cone(time, turn[pose], rng)
    return Rays(poses[pose], way, np.zeros(count, np.int64), time)


def _band(instrument: Sensor, scene: Scene) -> tuple[float, float]:
    """Sine of the lowest and highest elevation looked at."""
    # Under an open sky nothing comes back from far above the walls.
    top = math.sin(instrument.top_rad)
    return -math.cos(instrument.blind_rad), top if scene.ceiling_m is not None else min(top, 0.6)


def _around(
    instrument: Sensor,
    scene: Scene,
    setups: NDArray[np.float64],
    count: int,
    rng: np.random.Generator,
) -> Rays:
    low, high = _band(instrument, scene)
    number = np.arange(count) * len(setups) // max(count, 1)
    first = np.searchsorted(number, np.arange(len(setups)))
    each = np.bincount(number, minlength=len(setups))
    # Equal steps of height on the sphere, a golden angle apart: equal pieces of it (after
    # Swinbank and Purser 2006), started at a random bearing for each set-up.
    step = np.arange(count) - first[number]
    sine = low + (high - low) * (step + 0.5) / each[number]
    bearing = step * _GOLDEN_RAD + rng.random(len(setups))[number] * 2 * math.pi
    return Rays(setups[number], _sphere(sine, bearing), number, (step + 0.5) / each[number])


def _sphere(sine: NDArray[np.float64], bearing: NDArray[np.float64]) -> NDArray[np.float64]:
    flat = np.sqrt(np.maximum(1.0 - sine * sine, 0.0))
    return np.stack([flat * np.cos(bearing), flat * np.sin(bearing), sine], axis=1)


def _walk(corners: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Poses every 50 mm once around the closed path, bobbing a little, and their headings."""
    ends = np.concatenate([corners, corners[:1]])
    leg = np.linalg.norm(np.diff(ends[:, :2], axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(leg)])
    along = np.linspace(0.0, at[-1], max(2, math.ceil(at[-1] / _POSE_M)))
    poses = np.stack([np.interp(along, at, ends[:, axis]) for axis in range(3)], axis=1)
    poses[:, 2] += 0.03 * np.sin(2 * math.pi * along / 0.7)
    number = np.minimum(np.searchsorted(at, along, side="right") - 1, len(leg) - 1)
    way = np.diff(ends[:, :2], axis=0)[number]
    return poses, np.arctan2(way[:, 1], way[:, 0])


def _cone(
    time: NDArray[np.float64], heading: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Rays in a cone that swings from side to side and from the feet up to the walls."""
    count = len(time)
    yaw = heading + 1.9 * np.sin(2 * math.pi * 23 * time)
    pitch = math.radians(-28.0) + math.radians(32.0) * np.sin(2 * math.pi * 61 * time)
    cosine = 1.0 - rng.random(count) * (1.0 - math.cos(_PHONE_CONE_RAD))
    sine = np.sqrt(1.0 - cosine * cosine)
    roll = rng.random(count) * 2 * math.pi
    side, up = sine * np.cos(roll), sine * np.sin(roll)
    ahead = cosine * np.cos(pitch) - up * np.sin(pitch)
    z = cosine * np.sin(pitch) + up * np.cos(pitch)
    x = ahead * np.cos(yaw) - side * np.sin(yaw)
    y = ahead * np.sin(yaw) + side * np.cos(yaw)
    return np.stack([x, y, z], axis=1)


def _check_setups(instrument: Sensor, scene: Scene) -> None:
    if not instrument.stations:
        raise JobError(
            "the sensor has no station",
            where=scene.name,
            hint="give at least one; place_stations finds some",
        )
    places = [(x, y) for x, y, _ in instrument.stations]
    walked = instrument.kind != "tripod"
    if walked and len(places) < 2:
        raise JobError(
            "a path needs two corners or more", where=scene.name, hint="give more stations"
        )
    legs = [shapely.LineString([*places, places[0]])] if walked else [
        shapely.Point(place) for place in places
    ]  # fmt: skip
    solid = [c.outline for c in (*scene.columns, *scene.crates)]
    for leg in legs:
        if not scene.room.contains(leg) or any(leg.intersects(outline) for outline in solid):
            x, y = leg.representative_point().coords[0]
            raise JobError(
                f"the station or path near ({x:.2f}, {y:.2f}) leaves the room or stands in a thing",
                where=scene.name,
                hint="move it",
            )
