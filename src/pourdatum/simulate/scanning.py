"""Scans a scene: rays out, ranges back, with the errors of the sensor in them.

The same scene, sensor, seed and number of points give the same bits on one machine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.simulate.rays import Hit, Met, cast
from pourdatum.simulate.relief import Wave
from pourdatum.simulate.scene import Scene
from pourdatum.simulate.sensor import Rays, Sensor, rays_of, solid_angle
from pourdatum.units import MM

_LEAST_COSINE: Final = 0.03
_PILOT_RAYS: Final = 40_000
_MOST_RAYS: Final = 15_000_000
_SEAM_M: Final = 0.03

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Shot:
    """A simulated scan.

    Attributes
    ----------
    points_m : (n, 3) float64
        Points in site coordinates, as the sensor recorded them [m].
    station : (n,) int64
        Number of the set-up that saw each point; 0 for a walked path.
    what : (n,) uint8
        ``Hit``: what each point truly is. No file carries it; tests use it.
    stations_m : (k, 3) float64
        Where the instrument stood, site coordinates [m].
    record : dict
        How it was scanned, for the truth file.
    """

    points_m: Floats
    station: NDArray[np.int64]
    what: NDArray[np.uint8]
    stations_m: Floats
    record: dict[str, Any]

    @property
    def floor_points(self) -> int:
        """Number of points that truly lie on the floor."""
        return int(np.count_nonzero(self.what == Hit.FLOOR))


def scan_scene(
    scene: Scene,
    instrument: Sensor,
    seed: int,
    *,
    points: int | None = None,
    floor_points: int | None = None,
) -> Shot:
    """Scan a scene.

    Parameters
    ----------
    scene : Scene
    instrument : Sensor
    seed : int
        0 or more; another seed gives other points.
    points, floor_points : int, optional
        About how many points in all, or on the floor, to return (within a few percent:
        a pilot cast finds the share of rays that return). With neither, the sensor's
        angular step decides.

    Returns
    -------
    Shot

    Raises
    ------
    JobError
        If the seed is negative, both numbers are given, one is not positive, too many
        rays would be needed, or a station stands where it cannot.
    """
    if seed < 0:
        raise JobError(f"seed is {seed}", where=scene.name, hint="give 0 or more", id="seed")
    count = _ray_count(scene, instrument, seed, points, floor_points)
    rays = rays_of(instrument, scene, count, _stream(seed, 0))
    met = cast(scene, rays.origin_m, rays.way)
    if scene.polished:
        met = _mirrored(scene, instrument, rays, met, _stream(seed, 1))
    met = _mixed(scene, instrument, rays, met, _stream(seed, 2))
    met = _with_specks(instrument, met, _stream(seed, 3))
    seen = np.isfinite(met.range_m) & (met.range_m <= instrument.max_range_m)
    seen &= met.cosine >= _LEAST_COSINE
    noisy = _noisy(instrument, met, _stream(seed, 4))
    places = rays.origin_m[seen] + noisy[seen, None] * rays.way[seen]
    drifted, errors = _drifted(
        scene, instrument, places, rays.station[seen], rays.time[seen], _stream(seed, 5)
    )
    setups = np.asarray(instrument.stations, np.float64)
    setups[:, 2] += scene.relief.height(setups[:, 0], setups[:, 1])
    what = met.what[seen]
    site = np.asarray(scene.site_m)
    record = {
        "sensor": instrument.kind,
        "seed": seed,
        "points": len(drifted),
        "floor_points": int(np.count_nonzero(what == Hit.FLOOR)),
        "noise_mm": instrument.noise_m * MM,
        "stations": (setups + site).tolist(),
        **errors,
    }
    return Shot(drifted + site, rays.station[seen], what, setups + site, record)


def _stream(seed: int, number: int) -> np.random.Generator:
    """A stream of its own for each kind of error, so that one does not shift the others."""
    return np.random.default_rng([seed, number])


def _ray_count(
    scene: Scene,
    instrument: Sensor,
    seed: int,
    points: int | None,
    floor_points: int | None,
) -> int:
    if points is not None and floor_points is not None:
        raise JobError(
            "points and floor_points were both given", where=scene.name, hint="give one of them"
        )
    wanted = points if points is not None else floor_points
    if wanted is None:
        setups = len(instrument.stations) if instrument.kind == "tripod" else 1
        count = math.ceil(setups * solid_angle(instrument, scene) / instrument.step_rad**2)
    elif wanted < 1:
        raise JobError(
            f"{wanted} points were asked for", where=scene.name, hint="ask for 1 or more"
        )
    else:
        pilot = rays_of(instrument, scene, _PILOT_RAYS, _stream(seed, 0))
        met = cast(scene, pilot.origin_m, pilot.way)
        good = (met.range_m <= instrument.max_range_m) & (met.cosine >= _LEAST_COSINE)
        if floor_points is not None:
            good &= met.what == Hit.FLOOR
        share = np.count_nonzero(good) / _PILOT_RAYS
        count = math.ceil(wanted / max(share, 1.0 / _PILOT_RAYS))
    if count > _MOST_RAYS:
        raise JobError(
            f"{count} rays would be needed",
            where=scene.name,
            hint=f"ask for fewer points: at most {_MOST_RAYS} rays are cast",
        )
    return count


def _mirrored(
    scene: Scene, instrument: Sensor, rays: Rays, met: Met, rng: np.random.Generator
) -> Met:
    """A share of the floor rays goes on by reflection, and is recorded as if straight."""
    # Reflectance grows towards grazing incidence (Schlick 1994), here up to five times.
    chance = instrument.mirror_share * (1.0 + 4.0 * (1.0 - met.cosine) ** 3)
    turned = np.flatnonzero((met.what == Hit.FLOOR) & (rng.random(len(met.what)) < chance))
    way = rays.way[turned].copy()
    start = rays.origin_m[turned] + met.range_m[turned, None] * way
    way[:, 2] *= -1.0
    beyond = cast(scene, start, way)
    lost = (beyond.what == Hit.FLOOR) | (beyond.what == Hit.OPENING)
    range_m, what, cosine = met.range_m.copy(), met.what.copy(), met.cosine.copy()
    range_m[turned] += np.where(lost, np.inf, beyond.range_m)
    what[turned] = Hit.MIRRORED
    cosine[turned] = beyond.cosine
    return Met(range_m, what, cosine)


def _mixed(scene: Scene, instrument: Sensor, rays: Rays, met: Met, rng: np.random.Generator) -> Met:
    """Where a beam lies half on an edge, the range is something between the two."""
    edge = np.isin(met.what, (Hit.LOOSE, Hit.COLUMN)) & (
        rng.random(len(met.what)) < instrument.mixed_share
    )
    on = np.flatnonzero(edge)
    aside = rng.standard_normal((on.size, 3))
    # Evenly in a ball as wide as the beam: nothing is felt beyond its edge.
    aside *= (np.cbrt(rng.random(on.size)) / np.linalg.norm(aside, axis=1))[:, None]
    way = rays.way[on] + instrument.beam_rad * aside
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    beside = cast(scene, rays.origin_m[on], way)
    share = rng.random(on.size)
    # Farther on the same face is no edge: a grazing beam sees that everywhere.
    behind = np.isfinite(beside.range_m) & (beside.what != met.what[on])
    behind &= beside.range_m > met.range_m[on] + _SEAM_M
    between = met.range_m[on] + share * (np.where(behind, beside.range_m, 0.0) - met.range_m[on])
    x, y, z = (rays.origin_m[on] + between[:, None] * rays.way[on]).T
    # At the foot of a crate the beam's middle would otherwise pass through the floor.
    behind &= z > scene.relief.height(x, y)
    on, between = on[behind], between[behind]
    range_m, what, cosine = met.range_m.copy(), met.what.copy(), met.cosine.copy()
    range_m[on] = between
    what[on] = Hit.MIXED
    cosine[on] = 1.0
    return Met(range_m, what, cosine)


def _with_specks(instrument: Sensor, met: Met, rng: np.random.Generator) -> Met:
    """Dust in the air sends a few rays back early."""
    caught = np.isfinite(met.range_m) & (rng.random(len(met.what)) < instrument.speck_share)
    early = rng.random(len(met.what))
    range_m = np.where(caught, 0.3 + early * np.maximum(met.range_m - 0.3, 0.0), met.range_m)
    what = np.where(caught, np.uint8(Hit.SPECK), met.what)
    return Met(range_m, what, np.where(caught, 1.0, met.cosine))


def _noisy(instrument: Sensor, met: Met, rng: np.random.Generator) -> Floats:
    cosine = np.maximum(met.cosine, _LEAST_COSINE)
    tangent2 = 1.0 / (cosine * cosine) - 1.0
    sigma = instrument.noise_m * np.sqrt(1.0 + instrument.grazing**2 * tangent2)
    return np.asarray(met.range_m + sigma * rng.standard_normal(len(sigma)), np.float64)


def _drifted(
    scene: Scene,
    instrument: Sensor,
    places: Floats,
    station: NDArray[np.int64],
    time: Floats,
    rng: np.random.Generator,
) -> tuple[Floats, dict[str, Any]]:
    """Bend, step and tilt the points; with a record of what was done to them."""
    out = places.copy()
    first = rng.random() * 2.0 * math.pi
    bends = tuple(
        Wave(0.5 * instrument.warp_m, instrument.warp_length_m * longer, first + aside, phase)
        for longer, aside, phase in zip(
            (1.0, 1.37), (0.0, 1.9), rng.random(2) * 2.0 * math.pi, strict=True
        )
    )
    if instrument.warp_m:
        for bend in bends:
            out[:, 2] += bend.height(places[:, 0], places[:, 1])
    if instrument.closure_m:
        out[:, 2] += instrument.closure_m * time
    steps = instrument.station_step_m * rng.standard_normal(len(instrument.stations))
    if instrument.station_step_m:
        out[:, 2] += steps[station]
    if instrument.own_tilt_rad or instrument.own_warp_m:
        out[:, 2] += _own_errors_m(instrument, places, station, rng)
    pivot = _pivot(scene)
    if instrument.tilt_rad:
        turn = tilt_matrix(instrument.tilt_rad, instrument.tilt_bearing_rad)
        out = (out - pivot) @ turn.T + pivot
    site = np.asarray(scene.site_m)
    return out, {
        "tilt_mm_per_m": math.tan(instrument.tilt_rad) * MM,
        "tilt_bearing_deg": math.degrees(instrument.tilt_bearing_rad) % 360.0,
        "tilt_about": (pivot + site).tolist(),
        "warp": [
            {
                "amplitude_mm": bend.amplitude_m * MM,
                "length_m": bend.length_m,
                "toward_rad": bend.toward_rad,
                "phase_rad": bend.phase_rad,
            }
            for bend in bends
            if instrument.warp_m
        ],
        "closure_mm": instrument.closure_m * MM,
        "station_steps_mm": (steps * MM).tolist() if instrument.station_step_m else [],
    }


def _own_errors_m(
    instrument: Sensor, places: Floats, station: NDArray[np.int64], rng: np.random.Generator
) -> Floats:
    """What each set-up's own tilt and bend lift its points by (n,) [m]."""
    out = np.zeros(len(places))
    for number, (x, y, _) in enumerate(instrument.stations):
        own = station == number
        off = places[own, :2] - np.array([x, y])
        rise = off @ rng.normal(0.0, instrument.own_tilt_rad, 2)
        # Two waves of one amplitude: the mean square of both together is its square.
        high_m = abs(float(rng.normal(0.0, instrument.own_warp_m)))
        toward = rng.uniform(0.0, 2.0 * math.pi)
        for longer, aside in ((1.0, 0.0), (1.37, 1.9)):
            length_m, phase = instrument.warp_length_m * longer, rng.uniform(0.0, 2.0 * math.pi)
            rise += Wave(high_m, length_m, toward + aside, phase).height(*places[own, :2].T)
        out[own] = rise
    return out


def _pivot(scene: Scene) -> Floats:
    x, y = scene.room.centroid.coords[0]
    return np.array([x, y, float(scene.relief.height(x, y))])


def tilt_matrix(tilt_rad: float, bearing_rad: float) -> Floats:
    """Rotation (3, 3) that lifts what lies towards a bearing (from +y, clockwise).

    Rodrigues' formula about the level axis a right angle clockwise of the bearing.

    Examples
    --------
    >>> lifted = tilt_matrix(0.001, 0.0) @ np.array([0.0, 1.0, 0.0])
    >>> round(float(lifted[2]), 6)
    0.001
    """
    axis = np.array([math.cos(bearing_rad), -math.sin(bearing_rad), 0.0])
    cross = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    turned: Floats = (
        np.eye(3) + math.sin(tilt_rad) * cross + (1.0 - math.cos(tilt_rad)) * cross @ cross
    )
    return turned
