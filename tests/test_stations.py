"""Steps between set-ups and bowls around them: found with the size they were made with, else none.

Sums over blocks are made here from a closed form (offset, cone, noise); nothing of the estimate
takes part in that. Whole scans follow below, with steps drawn by the simulator.
"""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from finished import make_survey
from pourdatum.capability import capabilities
from pourdatum.floor import find_floor
from pourdatum.grid import Grid
from pourdatum.job import Job
from pourdatum.pipeline import plan_pour, survey_floor, survey_scan
from pourdatum.read import read_scan
from pourdatum.report.setups import draw_set_ups
from pourdatum.scan import LATTICE_M
from pourdatum.shareddraws import shared_draws
from pourdatum.simulate import Scene, Shot, scene_truth
from pourdatum.slopeerror import slope_error_95, stations_lean
from pourdatum.stations import AGREE, Stations, station_steps
from pourdatum.stationsums import StationSums
from pourdatum.surface import make_surface
from pourdatum.uncertainty import COVER_95, SharedError
from pourdatum.write.scan_files import write_scan
from scenes import cluttered_room, flat_room, shot_of
from test_spread import MIDDLE, flat_surface

BLOCK_M = 0.5
SIZE = (16, 24)
BLOCKS = Grid(-6.0 + BLOCK_M / 2, 3.0 + BLOCK_M / 2, BLOCK_M, *SIZE)
NOISE_M = 0.0015
SETUPS = ((-4.0, 5.0, 1.6), (-0.5, 9.5, 1.6), (4.0, 4.5, 1.6), (5.0, 9.0, 1.6))


def sums(
    rng: np.random.Generator,
    step_m: np.ndarray,
    *,
    cone: float = 0.0,
    reach_m: float = 7.0,
    warp_m: float = 0.0,
    places: bool = True,
    setups: tuple[tuple[float, float, float], ...] = SETUPS,
) -> StationSums:
    """Sums of points that fall off with the square of the distance, as a tripod's do."""
    x, y = BLOCKS.mesh()
    count = np.zeros((len(setups), *SIZE), np.int64)
    total, squares = np.zeros_like(count), np.zeros_like(count)
    for k, (x0, y0, high) in enumerate(setups):
        away = np.hypot(x - x0, y - y0)
        own = np.where(away < reach_m, 6000 * high**3 / (away**2 + high**2) ** 1.5, 0.0)
        count[k] = rng.poisson(own)
        bend = warp_m * math.sqrt(2) * np.sin(2 * math.pi * x / 7.0 + rng.uniform(0, math.tau))
        mean = step_m[k] + cone * away + bend
        noise = NOISE_M / np.sqrt(np.maximum(count[k], 1)) * rng.standard_normal(SIZE)
        total[k] = np.rint(count[k] * (mean + noise) / LATTICE_M).astype(np.int64)
        spread = count[k] * (NOISE_M**2 + mean**2) / LATTICE_M**2
        squares[k] = np.where(count[k] > 0, np.rint(spread), 0).astype(np.int64)
    names = tuple(f"set-up {k + 1}" for k in range(len(setups)))
    return StationSums(BLOCKS, names, setups if places else (None,) * len(setups), count, total,
                       squares)  # fmt: skip


def centred(step_m: np.ndarray) -> np.ndarray:
    """Steps from their mean: the level of all together is the scan's own."""
    return np.asarray(step_m - step_m.mean())


def found(held: StationSums) -> Stations:
    """What the sums say of their set-ups."""
    return station_steps(held)


def test_steps_come_back(seed: int) -> None:
    """Steps of 1 mm, fresh each time, come back to within what is stated: 95 of 100 at 95 %.

    Of 160 normal errors 95 % lie within 1.96 of their own sizes; fewer than 88 % do in one run of
    ten thousand.
    """
    rng = np.random.default_rng(seed)
    off = []
    for _ in range(40):
        step = 0.001 * rng.standard_normal(4)
        own = found(sums(rng, step, warp_m=0.0003))
        off.append((own.step_m - centred(step)) / own.step_error_m)
    assert np.mean(np.abs(off) < 1.96) > 0.88
    assert np.sqrt(np.mean(np.square(off))) > 0.3, "stated errors are far too wide"


def test_none_are_found_where_there_are_none(seed: int) -> None:
    """Set-ups that differ by their noise alone: nothing is added to any interval."""
    rng = np.random.default_rng(seed)
    told = [found(sums(rng, np.zeros(4))) for _ in range(60)]
    # Steps are found wrongly in 1 % of draws, and so are bowls; seven of 60 in one of thousands.
    assert sum(own.error_m > 0.0 or own.bowl != 0.0 for own in told) <= 6


def test_the_size_of_steps(seed: int) -> None:
    """The scatter of set-ups, from which fields are drawn, is that of the steps themselves."""
    rng = np.random.default_rng(seed)
    for _ in range(10):
        step = 0.002 * rng.standard_normal(4)
        own = found(sums(rng, step))
        assert own.error_m == pytest.approx(float(np.std(step, ddof=1)), rel=0.1, abs=5e-5)


def test_a_bowl_comes_back(seed: int) -> None:
    """A cone of 0.3 mm per m around each set-up, as an index error of the circle makes it."""
    rng = np.random.default_rng(seed)
    for cone in (3e-4, -2e-4):
        own = found(sums(rng, 0.0005 * rng.standard_normal(4), cone=cone))
        assert own.bowl == pytest.approx(cone, abs=4 * own.bowl_error)
        assert own.bowl_error < 3e-5


def test_a_bowl_needs_places(seed: int) -> None:
    """Where a file does not say where it stood, no bowl is told."""
    rng = np.random.default_rng(seed)
    own = found(sums(rng, np.zeros(4), cone=3e-4, places=False))
    assert own.bowl == 0.0


def test_set_ups_that_see_nothing_in_common(seed: int) -> None:
    """Two pairs, far apart: each is levelled by itself, and no step is told between them."""
    rng = np.random.default_rng(seed)
    pairs = ((-5.0, 4.0, 1.6), (-4.0, 5.0, 1.6), (4.5, 9.0, 1.6), (5.5, 10.0, 1.6))
    step = np.array([0.001, -0.001, 0.0105, 0.0095])
    own = found(sums(rng, step, reach_m=3.5, setups=pairs))
    assert own.step_m == pytest.approx([0.001, -0.001, 0.0005, -0.0005], abs=3e-4)
    assert own.groups == ((0, 1), (2, 3))


def test_set_ups_that_see_no_floor_in_common(seed: int) -> None:
    """No step is told, and it is not taken for agreement: there are no groups."""
    rng = np.random.default_rng(seed)
    apart = ((-5.0, 4.0, 1.6), (5.0, 10.0, 1.6))
    own = found(sums(rng, np.zeros(2), reach_m=3.0, setups=apart))
    assert own.groups == ()
    assert np.isnan(own.step_m).all()
    assert own.error_m == 0.0


def test_a_field_of_steps(seed: int) -> None:
    """Where one set-up sees alone, drawn fields are its own error; where all see, their mean.

    Weights are shares of points: a field at a place is the mean of the errors so weighted.
    """
    rng = np.random.default_rng(seed)
    held = sums(rng, np.array([0.003, -0.002, 0.001, -0.001]))
    own = found(held)
    draw = rng.standard_normal((2000, 4))
    row, col = 7, 5
    place = np.array([[BLOCKS.x_m[col], BLOCKS.y_m[row]]])
    share = held.count[:, row, col] / held.count[:, row, col].sum()
    fields = own.fields_m(draw, np.zeros(2000), place)[:, 0]
    assert fields == pytest.approx((draw * own.step_error_m) @ share, abs=1e-9)


def test_a_bowl_is_the_same_whoever_asks(seed: int) -> None:
    """A field at one place does not hang on which other places are asked for with it."""
    rng = np.random.default_rng(seed)
    own = found(sums(rng, np.zeros(4), cone=5e-4))
    draw, bowl = np.zeros((50, 4)), rng.standard_normal(50)
    place = rng.uniform((-5, 4), (5, 10), (30, 2))
    together = own.fields_m(draw, bowl, place)
    assert own.fields_m(draw, bowl, place[:1])[:, 0] == pytest.approx(together[:, 0], abs=1e-12)
    assert together.std() > 1e-4


def test_the_level_of_their_mean() -> None:
    """Of k set-ups that scatter by s the mean is known to t s / sqrt(k), t of k - 1 (GUM, G.3)."""
    own = replace(AGREE, groups=((0, 1, 2, 3),), error_m=0.002)
    # t of 3 degrees of freedom at 97.5 %: 3.182 (JCGM 100:2008, table G.2).
    assert COVER_95 * own.level_m == pytest.approx(3.182 * 0.002 / 2.0, rel=1e-3)
    assert replace(own, groups=((0, 1),)).level_m * COVER_95 == pytest.approx(
        12.706 * 0.002 / math.sqrt(2), rel=1e-3
    )


def test_noise_without_the_steps(seed: int) -> None:
    """The scatter within set-ups is that of a point, whatever lies between them."""
    rng = np.random.default_rng(seed)
    own = found(sums(rng, np.array([0.004, -0.004, 0.003, -0.003])))
    assert own.noise_m == pytest.approx(NOISE_M, rel=0.02)


def a_room() -> Scene:
    """An L with a hump, walls, a crate and a ceiling."""
    return cluttered_room(holes=(), polished=False, site_m=(120.0, 80.0, 4.0))


def one_file_each(shot: Shot, folder: Path) -> list[Path]:
    """The points of each set-up in a file of its own."""
    return [
        write_scan(folder / f"set-up-{k + 1}.las", shot.points_m[shot.station == k])
        for k in range(len(shot.stations_m))
    ]


@pytest.mark.parametrize("step_m", [0.0015, 0.006])
def test_steps_of_a_scan(tmp_path: Path, step_m: float, seed: int) -> None:
    """Three set-ups of a simulated tripod, off by a known amount: found and taken out.

    The floor is then as noisy as one point is, and as high as the mean of the set-ups.
    """
    shot = shot_of(a_room(), seed=seed, setups=3, points=400_000, station_step_m=step_m)
    floor = find_floor(read_scan(*one_file_each(shot, tmp_path), units="m"))
    own, true = floor.stations, np.array(shot.record["station_steps_mm"]) / 1000
    assert own.step_m == pytest.approx(centred(true), abs=5e-5), seed
    assert own.names == ("set-up-1", "set-up-2", "set-up-3")
    assert floor.noise_m == pytest.approx(0.0015, rel=0.1), seed
    assert own.error_m == pytest.approx(float(np.std(true, ddof=1)), rel=0.02, abs=5e-5), seed


@pytest.mark.parametrize("gross_m", [0.012, 0.03, 0.07])
def test_a_set_up_centimetres_off(tmp_path: Path, gross_m: float, seed: int) -> None:
    """One of three lies far off: the fill is that of the room, where it was four times as much."""
    room = a_room()
    shot = shot_of(room, seed=seed, setups=3, points=400_000)
    shot.points_m[shot.station == 1] += (0.0, 0.0, gross_m)
    scan = read_scan(*one_file_each(shot, tmp_path), units="m")
    surface = make_surface(scan, find_floor(scan))
    steps = surface.floor.stations.step_m
    assert steps == pytest.approx(gross_m * (np.array([0, 1, 0]) - 1 / 3), abs=2e-4), seed
    plan = plan_pour(surface, Job.model_validate({"scan": {"sensor": "tripod"}}))
    assert plan.floor.area_m2 == pytest.approx(room.floor.area, rel=0.01), seed
    low_m3, high_m3 = plan.volume_interval_m3
    high_z_m = scene_truth(room, least_m=0.002).high_turned_z_m
    level = scene_truth(room, [high_z_m + 0.002], least_m=0.002).levels[0]
    assert low_m3 * 1000 <= level.volume_l <= high_m3 * 1000, seed
    assert high_m3 < 1.3 * low_m3
    assert "set-ups-differ" in [one.code for one in plan.warnings]


def test_a_step_makes_no_hump(tmp_path: Path, seed: int) -> None:
    """A level floor under two set-ups 3 mm apart has no hump and no nib at their blind circles."""
    shot = shot_of(flat_room(), seed=seed, setups=2, points=300_000, noise_m=0.0005)
    shot.points_m[shot.station == 1] += (0.0, 0.0, 0.003)
    scan = read_scan(*one_file_each(shot, tmp_path), units="m")
    surface = make_surface(scan, find_floor(scan))
    assert plan_pour(surface).humps == (), seed
    assert surface.nibs == (), seed


def test_bends_of_set_ups_are_in_the_intervals(tmp_path: Path, seed: int) -> None:
    """Set-ups that bend by themselves by 1.5 mm: told, and the depth is no longer known to 1 mm."""
    rng = np.random.default_rng(seed)
    seed = int(rng.integers(2**31))
    shot = shot_of(a_room(), seed=seed, setups=3, points=300_000)
    for k in range(3):
        own = shot.station == k
        x, y = shot.points_m[own, :2].T
        way = rng.uniform(0, math.tau)
        bend = np.sin((x * math.cos(way) + y * math.sin(way)) * 1.2 + way)
        shot.points_m[own, 2] += 0.0015 * math.sqrt(2) * bend
    scan = read_scan(*one_file_each(shot, tmp_path), units="m")
    surface = make_surface(scan, find_floor(scan))
    told = {one.question: one for one in capabilities(surface)}
    assert not told["depth-1mm"].enough, seed
    survey = survey_floor(surface)
    assert "set-ups-bend" in [one.code for one in survey.warnings], seed


def test_files_that_do_not_overlap_are_told(tmp_path: Path, seed: int) -> None:
    """Two halves of a floor, a file each: that nothing ties their heights is said."""
    shot = shot_of(flat_room(), seed=seed, setups=2, points=200_000)
    left = shot.points_m[:, 0] < 2.5
    files = [
        write_scan(tmp_path / f"{name}.las", shot.points_m[half])
        for name, half in (("left", left), ("right", ~left))
    ]
    survey = survey_scan(files, Job.model_validate({"scan": {"units": "m"}}))
    assert any("joined at one height" in text for text in survey.assumptions)


def test_set_ups_that_agree(tmp_path: Path, seed: int) -> None:
    """The same without steps: stated to agree within a tenth of a millimetre, and one file says
    nothing of set-ups.
    """
    shot = shot_of(a_room(), seed=seed, setups=3, points=300_000)
    files = one_file_each(shot, tmp_path)
    own = find_floor(read_scan(*files, units="m")).stations
    assert np.abs(own.step_m).max() < 1e-4, seed
    whole = write_scan(tmp_path / "all.las", shot.points_m)
    assert find_floor(read_scan(whole, units="m")).stations is AGREE


def test_control_takes_out_what_it_saw(seed: int) -> None:
    """Of errors of set-ups over a floor shots leave what is no plane."""
    rng = np.random.default_rng(seed)
    own = replace(found(sums(rng, np.zeros(4))), step_error_m=np.full(4, 0.002))
    shots = rng.uniform((-5, 4), (5, 10), (12, 2))
    shared = SharedError(0.0, 0.0, 0.0, "none")
    drawn = replace(shared_draws(shared, (0.0, 7.0)), stations=own)
    held = replace(drawn, levelled_m=tuple((x, y) for x, y in shots))
    plane = np.column_stack([np.ones(12), shots])
    left = held.at(shots)
    assert np.abs(left @ plane).max() < 1e-9
    assert left.std() < 0.6 * drawn.at(shots).std()


def halves(step_m: float) -> Stations:
    """Two set-ups of which each sees one half of a floor of 4 by 3 m, known to so much."""
    x, _ = (grid := Grid(0.0, 0.0, 0.05, 61, 81)).mesh()
    left = (x < MIDDLE[0]).astype(float)
    weight = np.stack([left, 1.0 - left])
    return replace(
        AGREE, names=("left", "right"), place_m=(None, None), grid=grid, weight=weight,
        step_m=np.zeros(2), step_error_m=np.full(2, step_m),
    )  # fmt: skip


def test_a_step_leans_the_floor() -> None:
    """A plane fitted to a step d in the middle of a length L leans by 3 d / (2 L), closed form.

    Two independent steps of s differ by sqrt(2) s; a thousand draws know a deviation to 2.2 %.
    """
    surface = flat_surface()
    surface.floor.stations = halves(0.001)  # type: ignore[misc]
    lean = stations_lean(surface)
    assert math.sqrt(lean[0, 0]) == pytest.approx(1.5 / 4.0 * math.sqrt(2) * 0.001, rel=0.1)
    assert lean[1, 1] < 1e-4 * lean[0, 0]
    # In one direction alone 95 % lie within 1.96 of it.
    assert slope_error_95(surface) == pytest.approx(1.96 * math.sqrt(lean[0, 0]), rel=0.01)


def test_a_step_is_what_the_depth_is_known_to() -> None:
    """Of pairs of places half lie in two halves, and differ by sqrt(2) s: s for all of them."""
    surface = flat_surface()
    surface.floor.stations = halves(0.002)  # type: ignore[misc]
    told = {one.question: one for one in capabilities(surface)}
    assert told["depth-1mm"].known_to == pytest.approx(1.96 * 0.002, rel=0.1)
    assert not told["depth-1mm"].enough
    assert "control" in told["depth-1mm"].remedy


def test_the_maps_show_what_differs() -> None:
    """A set-up 3 mm too high and one as much too low colour their halves, one warm, one cold."""
    survey = make_survey()
    own = replace(halves(0.0001), groups=((0, 1),), error_m=0.004, step_m=np.array([0.003, -0.003]))
    grid = Grid(0.0, 0.0, 0.1, 61, 81)
    off = np.stack([np.full(grid.shape, 0.003), np.full(grid.shape, -0.003)])
    survey.floor.stations = replace(
        own, grid=grid, off_m=off, weight=np.full((2, *grid.shape), 0.5)
    )
    picture = np.asarray(Image.open(io.BytesIO(draw_set_ups(survey))).convert("RGB"), np.int64)
    red, _, blue = np.moveaxis(picture[: picture.shape[0] * 3 // 4], -1, 0)
    assert ((red - blue) > 60).mean() > 0.1
    assert ((blue - red) > 30).mean() > 0.1


# --- bends of set-ups in place of the sensor's budget --------------------------------------------

BUDGET_M = 0.0002


def merged_m(held: StationSums) -> np.ndarray:
    """What all set-ups together say of a level floor, block by block, from its mean [m]."""
    points = held.count.sum(axis=0)
    level = held.total.sum(axis=0)[points > 0] / points[points > 0] * LATTICE_M
    return np.asarray(level - level.mean())


@pytest.mark.parametrize("warp_m", [0.0, BUDGET_M, 2.0 * BUDGET_M])
def test_bends_that_overlaps_show_stand_for_the_budget(warp_m: float, seed: int) -> None:
    """Of places on 60 floors scanned by four set-ups that each bend by itself, 95 % lie within.

    Bends as the budget, none, or twice as large: what is stated of the merged floor holds. Places
    of one floor are alike, so that 60 floors know a share of 95 % to 3 %: bound 88 %.
    """
    rng = np.random.default_rng(seed)
    inside, stated = [], []
    for _ in range(60):
        held = sums(rng, np.zeros(4), warp_m=warp_m, reach_m=12.0)
        stated.append(found(held).warp_m(BUDGET_M))
        noise_m = NOISE_M / math.sqrt(float(np.median(held.count.sum(axis=0))))
        bound_m = 1.96 * math.hypot(stated[-1], noise_m)
        inside.append(np.mean(np.abs(merged_m(held)) < bound_m))
    assert np.mean(inside) > 0.88
    if warp_m == 0.0:
        assert np.median(stated) < 0.75 * BUDGET_M


def test_a_budget_is_pooled_with_what_is_seen_by_degrees_of_freedom() -> None:
    """Two degrees of a budget b and f of bends s: t(2 + f) sqrt((2 b² + f s²) / (2 + f)) / sqrt(k).

    JCGM 100:2008, G.4.2 and table G.2 (t at 95.45 % aside): t(10) at 95 % is 2.228.
    """
    weight = np.full((4, 3, 3), 0.25)
    own = replace(
        AGREE, names=tuple("abcd"), weight=weight, left_m=0.0001, freedom=8.0, step_m=np.zeros(4),
        step_error_m=np.zeros(4),
    )  # fmt: skip
    wanted = 2.228 / 1.96 * math.sqrt((2 * 0.0002**2 + 8 * 0.0001**2) / 10) / 2
    assert own.warp_m(0.0002) == pytest.approx(wanted, rel=1e-3)
    many = replace(own, freedom=1e6)
    assert many.warp_m(0.0002) == pytest.approx(0.0001 / 2, rel=1e-3)


def test_without_overlap_the_budget_stands() -> None:
    """One set-up, or none told apart, says nothing of its own bends; nor is a budget ever raised
    beyond what it and the bends seen are together.
    """
    assert AGREE.warp_m(BUDGET_M) == BUDGET_M
    lone = found(sums(np.random.default_rng(3), np.zeros(1), setups=SETUPS[:1]))
    assert lone.warp_m(BUDGET_M) == BUDGET_M
    nowhere = found(sums(np.random.default_rng(4), np.zeros(4), reach_m=12.0, places=False))
    assert nowhere.warp_m(BUDGET_M) == math.hypot(BUDGET_M, nowhere.bend_m)


def test_set_ups_that_stand_close_by_do_not_check_each_other() -> None:
    """What goes with the distance from the instrument is the same for both: the budget stands."""
    close = ((0.0, 7.0, 1.6), (0.3, 7.0, 1.6))
    apart = ((-4.0, 5.0, 1.6), (4.0, 9.0, 1.6))
    freedom = [
        found(sums(np.random.default_rng(6), np.zeros(2), setups=own, reach_m=12.0)).freedom
        for own in (close, apart)
    ]
    assert freedom[0] < 0.05 * freedom[1]
