"""Simulated sensors err as stated: mirrors, specks, edges, tilt, warp, drift and steps."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

import scenes
from pourdatum.simulate import (
    Crate,
    Hit,
    Sensor,
    Wave,
    scan_scene,
    sensor,
    walk_path,
)
from pourdatum.simulate.scanning import tilt_matrix

NOISE_M = 0.0015
CENTRE = ((2.5, 2.0, 1.5),)


def quiet(stations: tuple[tuple[float, float, float], ...], **changes: float) -> Sensor:
    """A tripod without specks, mirrors and mixed points."""
    calm = {"speck_share": 0.0, "mirror_share": 0.0, "mixed_share": 0.0}
    return sensor("tripod", stations, **(calm | changes))


def local(shot, scene):
    """Points of a shot in the scene's local frame."""
    return shot.points_m - np.asarray(scene.site_m)


# --- sensors err ---------------------------------------------------------------------------


def test_mirrored_points_lie_below_a_polished_slab_as_its_mirror_image() -> None:
    """Turned up again about the floor plane, mirrored points lie on walls, ceiling or crate."""
    crate = Crate(4.0, 3.2, 0.6, 0.6, 0.9)
    scene = scenes.flat_room(polished=True, ceiling_m=2.6, crates=(crate,))
    instrument = sensor("tripod", CENTRE, noise_m=0.0, speck_share=0.0, mirror_share=0.05)
    shot = scan_scene(scene, instrument, 1, points=80_000)
    x, y, z = shot.points_m[shot.what == Hit.MIRRORED].T
    assert len(x) > 300
    assert z.max() < 0.0
    spots = shapely.points(x, y)
    on_wall = shapely.distance(scene.room.exterior, spots) < 1e-6
    on_ceiling = np.abs(-z - 2.6) < 1e-6
    on_crate = (shapely.distance(crate.outline, spots) < 1e-6) & (-z <= 0.9 + 1e-6)
    assert np.all(on_wall | on_ceiling | on_crate)
    assert on_wall.any()
    assert on_ceiling.any()
    assert on_crate.any()


def test_a_rough_slab_mirrors_nothing() -> None:
    """Without polish no point is mirrored, and none lies below the floor by six sigma."""
    shot = scenes.shot_of(scenes.flat_room(ceiling_m=2.6))
    assert not np.any(shot.what == Hit.MIRRORED)
    assert shot.points_m[:, 2].min() > -6 * NOISE_M


def test_specks_hang_in_the_air_in_the_share_stated() -> None:
    """Specks are the stated share of returns, within five standard errors."""
    scene = scenes.flat_room()
    shot = scan_scene(scene, sensor("tripod", CENTRE, speck_share=0.01, noise_m=0.0), 4,
                      points=50_000)  # fmt: skip
    n = len(shot.points_m)
    found = np.count_nonzero(shot.what == Hit.SPECK)
    assert abs(found - 0.01 * n) < 5 * math.sqrt(0.01 * n)
    x, y, _ = shot.points_m[shot.what == Hit.SPECK].T
    assert shapely.contains_xy(scene.room.buffer(1e-6), x, y).all()


def test_mixed_points_lie_behind_the_edge_of_a_crate() -> None:
    """Where a beam lies half on an edge, points hang in the air behind it, over the floor, and
    no deeper within the crate's faces than the beam is wide: 0.01 rad at up to 3.5 m.
    """
    crate = Crate(3.5, 2.0, 0.6, 0.6, 0.8)
    scene = scenes.flat_room(crates=(crate,))
    shot = scan_scene(scene, sensor("tripod", ((0.8, 2.0, 1.5),), noise_m=0.0, speck_share=0.0,
                                    beam_rad=0.01), 1, points=200_000)  # fmt: skip
    x, y, z = shot.points_m[shot.what == Hit.MIXED].T
    assert len(x) > 20
    assert np.all(z > 0.0)
    assert np.all(shapely.contains_xy(scene.room, x, y))
    deep = crate.outline.buffer(-0.035)
    assert not np.any(shapely.contains_xy(deep, x, y) & (z < 0.8 - 0.035))
    assert np.any(~shapely.contains_xy(crate.outline, x, y))


@pytest.mark.parametrize("bearing_deg", [0.0, 90.0, 215.0])
def test_a_tilted_vertical_lifts_the_floor_towards_its_bearing(bearing_deg: float) -> None:
    """A plane fitted to a level floor's points rises by tan(tilt) towards the bearing."""
    scene = scenes.flat_room()
    tilt = math.radians(0.2)
    shot = scan_scene(
        scene, quiet(CENTRE, tilt_rad=tilt, tilt_bearing_rad=math.radians(bearing_deg)), 1,
        points=30_000,
    )  # fmt: skip
    x, y, z = shot.points_m[shot.what == Hit.FLOOR].T
    rise_x, rise_y, _ = np.linalg.lstsq(np.stack([x, y, np.ones_like(x)], 1), z, rcond=None)[0]
    bearing = math.radians(bearing_deg)
    expected = math.tan(tilt) * np.array([math.sin(bearing), math.cos(bearing)])
    # 1.5 mm of noise over thousands of points on 5 m leaves a hundredth of a mm per m.
    assert_allclose([rise_x, rise_y], expected, atol=5e-5)
    assert shot.record["tilt_mm_per_m"] == pytest.approx(math.tan(tilt) * 1000)
    assert_allclose(tilt_matrix(tilt, bearing) @ tilt_matrix(tilt, bearing).T, np.eye(3),
                    atol=1e-15)  # fmt: skip


def test_the_recorded_warp_is_what_was_added() -> None:
    """Taking the recorded bends off a hand-held scan leaves the analytic floor."""
    scene = scenes.hump_room()
    path = walk_path(scene)
    shot = scan_scene(
        scene, sensor("mobile", path, warp_m=0.01, tilt_rad=0.0, noise_m=0.0), 2, points=30_000
    )
    x, y, z = shot.points_m[shot.what == Hit.FLOOR].T
    bent = z - scene.height_m(x, y)
    bends = [
        Wave(bend["amplitude_mm"] / 1000, bend["length_m"], bend["toward_rad"], bend["phase_rad"])
        for bend in shot.record["warp"]
    ]
    assert np.ptp(bent) > 0.003
    assert_allclose(bent, sum(bend.height(x, y) for bend in bends), atol=1e-6)


def test_drift_along_a_walked_path_doubles_the_floor() -> None:
    """With a closure of 20 mm, floor seen early and late lies at two heights."""
    scene = scenes.flat_room()
    shot = scan_scene(
        scene, sensor("mobile", walk_path(scene), warp_m=0.0, tilt_rad=0.0, noise_m=0.0,
                      closure_m=0.02), 2, points=30_000,
    )  # fmt: skip
    near = shot.points_m[(shot.what == Hit.FLOOR) & (shot.points_m[:, 0] < 1.2)]
    assert near[:, 2].min() < 0.003
    assert near[:, 2].max() > 0.017


def test_set_ups_step_as_recorded() -> None:
    """Each set-up's floor lies at its recorded step, to five standard errors."""
    scene = scenes.flat_room()
    shot = scenes.shot_of(scene, setups=3, station_step_m=0.001)
    steps = shot.record["station_steps_mm"]
    assert len(steps) == 3
    for number, step in enumerate(steps):
        z = shot.points_m[(shot.what == Hit.FLOOR) & (shot.station == number), 2]
        assert abs(z.mean() - step / 1000) < 5 * NOISE_M / math.sqrt(len(z))


@pytest.mark.parametrize(("kind", "noise_m"), [("mobile", 0.005), ("phone", 0.008)])
def test_hand_held_scans_cover_the_floor_with_their_noise(kind: str, noise_m: float) -> None:
    """Walked once around, nine tenths of the 0.25 m squares of floor hold points."""
    scene = scenes.flat_room(ceiling_m=2.5)
    shot = scenes.shot_of(scene, kind=kind, warp_m=0.0, tilt_rad=0.0)
    floor = shot.points_m[shot.what == Hit.FLOOR]
    cells = np.unique(np.floor(floor[:, :2] / 0.25), axis=0)
    assert len(cells) > 0.9 * 20 / 0.25**2
    assert abs(floor[:, 2].std() / noise_m - 1) < 5 / math.sqrt(2 * len(floor))
    assert shot.station.max() == 0
