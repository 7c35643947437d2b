"""Heights are those of the floor, at walls and beside crates too, and err by what they state."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from numpy.testing import assert_array_equal

from made_scan import NOISE_M, carpet, faces, flat, floor_of, made_scan, surface_of, walled
from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.floor import find_floor
from pourdatum.simulate import Relief, Wave
from pourdatum.surface import Surface, make_surface
from pourdatum.uncertainty import SENSORS

ROOM = shapely.box(0.0, 0.0, 3.0, 2.4)
WAVY = Relief(slope_x=0.002, waves=(Wave(0.002, 3.0, 0.6, 0.4), Wave(0.001, 2.0, 2.1, 1.0)))
CRATE = shapely.box(1.2, 0.9, 1.8, 1.5)


def wavy_room(seed: int, per_m2: float = 3000.0, **how: object) -> np.ndarray:
    """A walled room with a wavy floor and a crate amid it."""
    rng = np.random.default_rng(seed)
    return walled(
        ROOM,
        rng,
        per_m2=per_m2,
        height=WAVY.height,
        things=((CRATE, 0.5),),
        wall_per_m2=2000,
        **how,
    )


def errors(surface: Surface) -> np.ndarray:
    """Height less true height at every node [m]."""
    return surface.height_m - WAVY.height(*surface.grid.mesh())


def within(surface: Surface, area: shapely.Polygon) -> np.ndarray:
    """Nodes within an area."""
    return shapely.contains_xy(area, *surface.grid.mesh())


# --- heights -------------------------------------------------------------------------------------


def test_walls_and_crates_do_not_pull_the_floor_beside_them() -> None:
    """Along walls and around a crate heights are on average those of the floor, to 0.1 mm.

    Three scans of 10 000 floor points per m², and three times as many on the lowest 0.1 m of the
    walls, which would lift a cell's mean by millimetres. A strip of 0.1 m along 10.8 m of wall
    holds 10 800 points, which place its mean to 0.015 mm; carrying a quadratic to an edge
    doubles or trebles that.
    """
    at_wall, at_crate, amid = [], [], []
    for seed in range(3):
        foot = faces(ROOM, 0.0, 0.1, 30_000, np.random.default_rng(seed))
        foot[:, 2] += WAVY.height(foot[:, 0], foot[:, 1])
        surface = surface_of(np.concatenate([wavy_room(seed, per_m2=10_000.0), foot]))
        error = errors(surface)
        edge = within(surface, ROOM - ROOM.buffer(-0.1))
        crate = within(surface, CRATE.buffer(0.1) - CRATE)
        at_wall.append(error[surface.measured & edge].mean())
        at_crate.append(error[surface.measured & crate].mean())
        amid.append(error[surface.measured & ~edge & ~crate].mean())
        # No cell is off by more than six of its own errors, or by half a millimetre.
        off = np.abs(error[surface.measured])
        assert np.all(off < np.maximum(6.0 * surface.standard_error_m[surface.measured], 0.0005))
    for name, means in (("wall", at_wall), ("crate", at_crate), ("amid", amid)):
        assert np.max(np.abs(means)) < 0.0001, name


@pytest.mark.parametrize("per_m2", [2500.0, 8000.0])
def test_measured_heights_err_by_what_they_state(per_m2) -> None:
    """Errors over stated errors have a root mean square of 0.8 to 1.25, over all that was seen.

    Four rooms of 7 m² are some 100 independent heights: 7 % on the root mean square.
    """
    scores = []
    for seed in range(10, 14):
        surface = surface_of(wavy_room(seed, per_m2))
        seen = surface.measured
        scores.append((errors(surface) / surface.standard_error_m)[seen])
    assert 0.8 < np.sqrt(np.mean(np.concatenate(scores) ** 2)) < 1.25


def test_inferred_heights_are_covered_by_their_errors() -> None:
    """Under a crate of a metre, errors are no larger than stated, and no larger than they must be.

    Sixteen rooms, each with the crate elsewhere on the waves. Each is about one independent
    height; of 16 normal quantities the mean square exceeds 2.0 once in a hundred times. A floor
    of curvature k carried straight on over a width w is off by k w²/8: here at most
    0.002 (2 pi / 3)² + 0.001 (2 pi / 2)² = 0.019 per metre, 2.3 mm, or 1.2 mm in the mean
    square over hole and waves. Quadratics know the curvature: a third of that is allowed.
    """
    squares, found = [], []
    for seed in range(20, 36):
        rng = np.random.default_rng(seed)
        x, y = rng.uniform(0.35, 1.65), rng.uniform(0.35, 1.05)
        crate = shapely.box(x, y, x + 1.0, y + 1.0)
        surface = surface_of(
            walled(ROOM, rng, per_m2=2000, height=WAVY.height, things=((crate, 0.5),))
        )
        hidden = surface.inferred & within(surface, crate)
        assert hidden.sum() > 0.8 / surface.grid.cell_m**2
        error = errors(surface)[hidden]
        squares.append(np.mean((error / surface.standard_error_m[hidden]) ** 2))
        found.append(np.mean(error**2))
    assert np.mean(squares) < 2.0
    assert np.sqrt(np.mean(found)) < 0.0012 / 3


def test_inferred_heights_err_more_than_measured_ones() -> None:
    """What nobody saw is stated to be less certain than what was seen, in the middle of it most."""
    surface = surface_of(wavy_room(3))
    hidden = surface.inferred & within(surface, CRATE.buffer(-0.1))
    seen = np.median(surface.standard_error_m[surface.measured])
    assert np.all(surface.standard_error_m[hidden] > seen)
    row, col = surface.grid.cell_of(np.array([1.5, 1.23]), np.array([1.2, 1.2]))
    middle, rim = surface.standard_error_m[row, col]
    assert middle > rim


@pytest.mark.parametrize("by_m", [0.05, -0.5, 0.00337])
def test_raising_all_points_raises_every_height(by_m) -> None:
    """Raised by h, every height is h higher and nothing else changes.

    By whole layers of 50 mm the sums are the same: to 1e-9 m. By other steps points near the
    rim of a voxel go to the next one, which may change whether one at the gate counts: two in
    reach of a fit are allowed for, and each moves it by the gate over its number of points.
    """
    points = wavy_room(4)
    here = surface_of(points)
    there = surface_of(points + np.array([0.0, 0.0, by_m]))
    assert there.grid == here.grid
    inside = within(here, here.floor.outline)
    off = np.abs(there.height_m - here.height_m - by_m)[inside]
    if by_m == pytest.approx(0.05 * round(by_m / 0.05)):
        assert np.all(off < 1e-9)
    share = (here.standard_error_m / here.noise_m)[inside] ** 2
    assert np.all(off < 2.0 * here.floor.bare.gate_m * share)
    assert_array_equal(there.measured, here.measured)
    # Points at the foot of walls are told by height: the outline may move by what is simplified.
    assert there.measured_m2 == pytest.approx(here.measured_m2, abs=0.0005 * ROOM.length)


def test_a_dense_floor_of_waves_converges() -> None:
    """Without noise, errors are those of the smoothing alone, under 0.01 mm in the middle.

    The waves' bi-Laplacian is at most 0.002 (2 pi / 3)⁴ + 0.001 (2 pi / 2)⁴ = 0.14 per m³; times
    bandwidth⁴/8 with 0.16 m that is 0.011 mm, and points of equal weight leave a little.
    """
    surface = surface_of(wavy_room(5, per_m2=8000.0, noise_m=0.0))
    error = errors(surface)[
        surface.measured & within(surface, ROOM.buffer(-0.5) - CRATE.buffer(0.5))
    ]
    assert np.abs(error).max() < 0.000_02


# --- what was seen -------------------------------------------------------------------------------


def test_measured_and_inferred_add_up_to_the_outline() -> None:
    """Inside the outline a cell is either measured or inferred; their areas add up to its area.

    What is inferred is the crate's footprint, a cell more all round at the most.
    """
    surface = surface_of(wavy_room(6))
    inside = within(surface, surface.floor.outline)
    assert_array_equal(surface.measured ^ surface.inferred, inside)
    assert not (surface.measured & surface.inferred).any()
    assert surface.measured_m2 + surface.inferred_m2 == pytest.approx(surface.floor.area_m2)
    grown = CRATE.buffer(surface.grid.cell_m)
    assert 0.9 * CRATE.area < surface.inferred_m2 < grown.area
    assert np.all(np.isfinite(surface.height_m[inside]))
    assert np.all(surface.standard_error_m[inside] > 0)


def test_a_room_without_things_is_measured_all_over() -> None:
    """Where all was seen nothing is inferred."""
    surface = surface_of(walled(ROOM, np.random.default_rng(7)))
    assert surface.inferred_m2 == pytest.approx(0.0, abs=1e-12)


def test_counts_are_those_of_the_floor() -> None:
    """Points counted in measured cells are nearly all points of the floor, and no more than those.

    Left out are those within 12 mm of a wall, 1 % of a room of 7 m² and 11 m of wall, and in
    cells that the crate's faces run through.
    """
    rng = np.random.default_rng(8)
    floor = carpet(ROOM, 3000, rng)
    surface = surface_of(np.concatenate([floor, faces(ROOM, 0.0, 1.2, 1200, rng)]))
    assert 0.97 * len(floor) < surface.count.sum() <= len(floor)


# --- a later scan --------------------------------------------------------------------------------


def test_a_later_scan_is_laid_on_the_same_grid() -> None:
    """A second scan of the room 5 mm higher comes out 5 mm higher, cell by cell on one grid.

    The two scans' noises differ: 0.1 mm in a cell each, of which the mean over the floor keeps
    a tenth.
    """
    before = made_scan(wavy_room(9))
    floor = find_floor(before)
    first = make_surface(before, floor)
    after = made_scan(wavy_room(10) + np.array([0.0, 0.0, 0.005]))
    second = make_surface(after, floor)
    assert second.grid == first.grid
    amid = first.measured & within(first, ROOM.buffer(-0.1) - CRATE.buffer(0.1))
    rise = (second.height_m - first.height_m)[amid]
    stated = np.hypot(first.standard_error_m, second.standard_error_m)[amid]
    assert abs(rise.mean() - 0.005) < 0.00005
    assert np.sqrt(np.mean(((rise - 0.005) / stated) ** 2)) < 1.3


# --- what all cells share ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("noise_m", "kind"), [(0.0015, "tripod"), (0.0045, "mobile"), (0.009, "phone")]
)
def test_shared_errors_go_with_the_sensor(noise_m, kind) -> None:
    """Tilt and warp are those of the sensor that the noise speaks for, or of the one named."""
    points = walled(ROOM, np.random.default_rng(11), noise_m=noise_m)
    floor = floor_of(points)
    assert make_surface(floor.scan, floor).shared is SENSORS[kind]
    assert make_surface(floor.scan, floor, sensor="phone").shared is SENSORS["phone"]


def test_the_origin_is_the_scans() -> None:
    """Heights are local; the scan's origin goes along, to be added where they are shown."""
    origin = (431_000.0, 5_400_000.0, 212.0)
    points = wavy_room(12)
    scan = made_scan(points + np.array(origin), origin_m=origin)
    surface = make_surface(scan, find_floor(scan))
    assert surface.origin_m == origin
    assert np.abs(surface.height_m[surface.measured]).max() < 0.02


# --- nibs ----------------------------------------------------------------------------------------


def dropping(
    x: float, y: float, width_m: float, height_m: float, per_m2: float, rng: np.random.Generator
) -> np.ndarray:
    """Points on a mortar dropping: half an ellipsoid on a level floor."""
    n = round(per_m2 * width_m**2)
    r, turn = 0.5 * width_m * np.sqrt(rng.random(n)), rng.uniform(0.0, 2 * np.pi, n)
    z = height_m * np.sqrt(1.0 - (2.0 * r / width_m) ** 2) + NOISE_M * rng.standard_normal(n)
    return np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn), z])


PLACES = {"amid": (1.31, 1.12), "near": (1.31, 0.12), "wall": (1.31, 0.05), "corner": (0.06, 0.06)}


@pytest.mark.parametrize("name", PLACES)
def test_a_nib_is_listed_and_sets_no_datum(name) -> None:
    """A dropping 80 mm wide and 15 mm high is listed to be chipped off and is not the high point.

    It is no part of the floor: the datum is that of the level floor, with the 0.2 mm that the
    luck of the highest of 700 patches may leave (one of them alone errs by 0.05 mm).
    """
    x, y = PLACES[name]
    rng = np.random.default_rng(1)
    points = walled(ROOM, rng, per_m2=10_000.0)
    below = (np.hypot(points[:, 0] - x, points[:, 1] - y) < 0.04) & (points[:, 2] < 0.03)
    nib = dropping(x, y, 0.08, 0.015, 10_000.0, rng)
    surface = surface_of(np.concatenate([points[~below], nib]))
    datum = choose_datum(surface, DatumRequest("high-point"), 0.002)
    assert abs(datum.plane.z0_m - 0.002) < 0.0002
    assert len(surface.nibs) == 1
    found = surface.nibs[0]
    assert np.hypot(found.place_m[0] - x, found.place_m[1] - y) < surface.grid.cell_m
    assert found.height_m == pytest.approx(0.015, abs=2 * NOISE_M)
    assert found.width_m == pytest.approx(0.08, abs=1.5 * surface.grid.cell_m)


def test_nibs_are_listed_by_height() -> None:
    """Several droppings are all listed, the highest first."""
    rng = np.random.default_rng(2)
    points = walled(ROOM, rng, per_m2=10_000.0)
    nibs = ((0.7, 0.8, 0.010), (2.1, 1.7, 0.025), (1.4, 0.6, 0.016))
    for x, y, _ in nibs:
        below = (np.hypot(points[:, 0] - x, points[:, 1] - y) < 0.03) & (points[:, 2] < 0.03)
        points = points[~below]
    points = np.concatenate([points] + [dropping(x, y, 0.06, h, 1e4, rng) for x, y, h in nibs])
    heights = [nib.height_m for nib in surface_of(points).nibs]
    assert heights == sorted(heights, reverse=True)
    assert heights == pytest.approx([0.025, 0.016, 0.010], abs=2 * NOISE_M)


def test_the_edge_of_a_landing_is_no_nib() -> None:
    """A flat landing with a front of 0.2 m, scanned with scatter of 3 mm, has nothing to chip off.

    Points of the front lie in the cells of its edge and draw the fitted level down there.
    """
    rng = np.random.default_rng(12)
    room, landing = shapely.box(0.0, 0.0, 5.0, 4.0), shapely.box(0.0, 0.0, 1.3, 1.5)
    front = faces(landing, 0.0, 0.2, 12_000, rng, noise_m=0.003)
    front = front[(front[:, 0] > 0.1) & (front[:, 1] > 0.1)]
    floor = carpet(room.difference(landing), 4000, rng, noise_m=0.003)
    top = carpet(landing, 4000, rng, height=lambda x, y: flat(x, y) + 0.2, noise_m=0.003)
    wall = faces(room, 0.0, 2.4, 1500, rng)
    surface = surface_of(np.concatenate([floor, top, front, wall]), at_m=(0.6, 0.7))
    # Its free edge of 2.8 m is known to two cells of 30 mm.
    assert surface.floor.area_m2 == pytest.approx(landing.area, abs=2.8 * 0.06)
    assert surface.nibs == ()


def test_noise_and_specks_are_no_nibs() -> None:
    """A noisy floor with dust just above it has no nib: three points at one spot make one."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        points = walled(ROOM, rng, per_m2=5000.0)
        n = len(points) // 2000
        dust = rng.uniform([0.1, 0.1, 0.008], [2.9, 2.3, 0.03], (n, 3))
        assert surface_of(np.concatenate([points, dust])).nibs == ()


def test_a_surface_does_not_change() -> None:
    """A surface is a finished result: its fields cannot be set anew."""
    surface = surface_of(wavy_room(13, per_m2=2000.0))
    with pytest.raises(dataclasses.FrozenInstanceError):
        surface.grid = surface.grid  # type: ignore[misc]


def test_a_surface_lets_go_of_single_voxels() -> None:
    """What a floor was found from is most of a large plan's memory; nobody asks for it again."""
    points = walled(shapely.box(0, 0, 3, 2), np.random.default_rng(4), wall_m=2.2)
    floor = floor_of(points)
    assert floor.bare is not None
    assert floor.bare.cells.band.count.size > 0
    kept = make_surface(floor.scan, floor).floor
    assert kept.bare is not None
    assert kept.bare.cells.band.count.size == kept.bare.cells.structure.count.size == 0
    assert len(kept.leans) == 4
