"""Levels that were shot singly: from a table to levels, a fill and what lies between."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from pourdatum import spots as spots_module
from pourdatum.advice import more_levels
from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.errors import JobError, NoFloor, PourdatumError
from pourdatum.floor import find_floor
from pourdatum.job import Job
from pourdatum.pipeline import survey_floor
from pourdatum.read import read_scan
from pourdatum.read.spot_look import looks_like_spots
from pourdatum.report.blocks import cannot_say, measure_again
from pourdatum.report.picture import MOST_NAMES, levels_view
from pourdatum.scan import Frame, InputFile, Scan, SpotLevels
from pourdatum.shotfield import Roughness, draw_floors, expected_levels, spacing_m
from pourdatum.spread import fill_interval
from pourdatum.surface import Surface, make_surface
from pourdatum.volume import fill_volume

Array = NDArray[np.float64]

TWELVE = np.array([(x, y) for y in (0.0, 2.0, 4.0) for x in (0.0, 2.0, 4.0, 6.0)])


def _scan(points_m: Array, error_m: float) -> Scan:
    names = tuple(f"P{k}" for k in range(1, len(points_m) + 1))
    low, high = points_m.min(axis=0), points_m.max(axis=0)
    return Scan(
        (InputFile("levels.csv", "0" * 64, len(points_m), "table of levels", "m", "z"),),
        (),
        Frame(),
        (float(low[0]), float(low[1]), float(low[2])),
        (float(high[0]), float(high[1]), float(high[2])),
        spots=SpotLevels(names, points_m, np.full(len(points_m), error_m)),
    )


def _surface(points_m: Array, error_m: float = 0.001, cell_m: float | None = None) -> Surface:
    scan = _scan(points_m, error_m)
    return make_surface(scan, find_floor(scan, cell_m=cell_m))


def _file(folder: Path, text: str, name: str = "levels.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def _rows(points_m: Array, head: str = "name,easting,northing,level") -> str:
    rows = [f"P{k},{x:.3f},{y:.3f},{z:.4f}" for k, (x, y, z) in enumerate(points_m, 1)]
    return "\n".join([head, *rows, ""])


def _gentle() -> Array:
    return np.column_stack([TWELVE, 12.3 + 0.003 * np.sin(TWELVE[:, 0]) * np.cos(TWELVE[:, 1])])


def test_a_plane_that_was_shot_is_known_exactly() -> None:
    """Levels of a plane are linear, and the fill to a level is its area times its mean depth."""
    z = 0.010 + 0.001 * TWELVE[:, 0] - 0.0005 * TWELVE[:, 1]
    surface = _surface(np.column_stack([TWELVE, z]), 1e-5)
    x, y = surface.grid.mesh()
    plane = 0.010 + 0.001 * x - 0.0005 * y
    assert np.abs(surface.height_m - plane)[surface.measured].max() < 1e-6
    assert surface.measured_m2 == pytest.approx(24.0, abs=1e-9)
    datum = choose_datum(surface, DatumRequest("level", z_m=0.030), 0.002)
    volume = fill_volume(
        surface.height_m, surface.grid, surface.floor.outline, datum.plane, least_m=0.002
    )
    assert volume.volume_m3 == pytest.approx(24.0 * (0.030 - 0.012), abs=1e-6)
    high = choose_datum(surface, DatumRequest("high-point"), 0.002)
    assert high.high_place_m == pytest.approx((6.0, 0.0), abs=1e-9)
    assert float(high.plane.at(0.0, 0.0)) == pytest.approx(0.016 + 0.002, abs=3e-5)


def test_the_surface_is_linear_on_a_triangle() -> None:
    """Hand barycentrics: the level at a place is that of the corners by opposite areas."""
    corner = np.array([[0.0, 0.0, 0.004], [3.0, 0.0, 0.001], [0.0, 2.0, 0.009]])
    surface = _surface(corner, cell_m=0.05)
    # At (0.9, 0.6): share of the second corner 0.9 / 3, of the third 0.6 / 2, the rest 0.4.
    at = surface.grid.at(surface.height_m, np.array([[0.9, 0.6]]))
    assert at[0] == pytest.approx(0.4 * 0.004 + 0.3 * 0.001 + 0.3 * 0.009, abs=1e-9)
    assert surface.floor.area_m2 == pytest.approx(3.0, abs=1e-9)


def test_without_an_outline_the_floor_is_what_the_shots_span() -> None:
    """Shots at the corners of a regular hexagon and inside: 3 sqrt(3) / 2 side**2."""
    turn = np.arange(6) * math.pi / 3
    ring = 4.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    place = np.vstack([ring, [[0.0, 0.0], [1.0, 1.0]]])
    surface = _surface(np.column_stack([place, 0.001 * place[:, 0]]))
    assert surface.floor.outline.area == pytest.approx(1.5 * math.sqrt(3.0) * 16.0, abs=1e-9)


def _dense(place: Array, level: Array, error: Array, at: Array, bend: float) -> tuple[Array, Array]:
    """Universal kriging written out: generalised covariance -h scaled to a bend of one."""
    step = spacing_m(place)

    def cov(a: Array, b: Array) -> Array:
        square = ((a[:, None] - b[None]) ** 2).sum(axis=2) + 0.05**2
        # The variance of z(-1)/2 - z(0) + z(1)/2 under -h is -h(2)/2 + 2 h(1) = 1.
        return -(bend**2) * np.sqrt(square) / step

    drift = np.column_stack([np.ones(len(place)), place])
    here = np.column_stack([np.ones(len(at)), at])
    noisy = cov(place, place) + np.diag(error**2)
    # Weights that reproduce planes and leave least variance, one place after the other.
    basis = np.linalg.svd(drift.T)[2][3:].T
    weights = []
    for k in range(len(at)):
        own = np.linalg.lstsq(drift.T, here[k], rcond=None)[0]
        right = basis.T @ (cov(at[k : k + 1], place)[0] - noisy @ own)
        weights.append(own + basis @ np.linalg.solve(basis.T @ noisy @ basis, right))
    w = np.array(weights)
    cross = w @ cov(place, at)
    spread = cov(at, at) - cross - cross.T + w @ noisy @ w.T
    return w @ level, spread


def test_floors_that_are_drawn_have_the_mean_and_spread_of_kriging() -> None:
    """A dense solve in contrasts gives the likeliest levels to 1e-9, and the draws' moments."""
    rng = np.random.default_rng(5)
    place = rng.uniform(0.0, 6.0, (14, 2))
    level, error = rng.normal(0.0, 0.003, 14), np.full(14, 0.001)
    at = rng.uniform(0.0, 6.0, (5, 2))
    model = (Roughness(1, 0.002, 1.0),)
    mean, spread = _dense(place, level, error, at, 0.002)
    assert expected_levels(place, level, error, model, at) == pytest.approx(mean, abs=1e-9)
    drawn = draw_floors(place, level, error, model, at, draws=20_000)
    sigma = np.sqrt(np.diag(spread))
    # Five standard errors of a mean and of a covariance of 20 000 draws.
    assert np.all(np.abs(drawn.mean(axis=0) - mean) < 5.0 * sigma / math.sqrt(20_000))
    off = np.cov(drawn.T) - spread
    assert np.all(np.abs(off) < 5.0 * np.outer(sigma, sigma) * math.sqrt(2.0 / 20_000))


def test_a_slip_of_the_pen_is_refused_by_name(tmp_path: Path) -> None:
    """1.23 among levels about 12.3 is no floor: the shot is named."""
    points = _gentle()
    points[5, 2] = 1.23
    with pytest.raises(JobError, match=r"P6.* mm below all") as fault:
        read_scan(_file(tmp_path, _rows(points)))
    assert fault.value.id == "shot-beyond-belief"


def test_shots_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    """Two levels 20 mm apart at one place cannot both be right."""
    points = np.vstack([_gentle(), _gentle()[2] + np.array([0.0, 0.0, 0.020])])
    with pytest.raises(JobError, match=r"P3.*P13.*one place.*20\.0 mm"):
        read_scan(_file(tmp_path, _rows(points)))


def test_shots_that_repeat_are_averaged(tmp_path: Path) -> None:
    """Two levels 2 mm apart at one place are one, half-way, with the error of a mean of two."""
    points = np.vstack([_gentle(), _gentle()[2] + np.array([0.0, 0.0, 0.002])])
    scan = read_scan(_file(tmp_path, _rows(points)))
    assert scan.spots is not None
    assert len(scan.spots.names) == 12
    level = scan.spots.points_m[2, 2] + scan.origin_m[2]
    assert level == pytest.approx(_gentle()[2, 2] + 0.001, abs=1e-4)
    assert scan.spots.error_m[2] == pytest.approx(scan.spots.error_m[0] / math.sqrt(2.0))
    assert any(code == "repeated-shots" for code, _ in scan.warnings)


def test_levels_written_to_the_centimetre_are_known_no_better(tmp_path: Path) -> None:
    """A step of 10 mm errs by 10 / sqrt(12) mm beside the shot's own 1 mm; 0.1 m is no level."""
    rows = [(x, y, 12.3 + 0.01 * (x > 1)) for x in range(4) for y in range(3)]
    path = tmp_path / "levels.csv"
    path.write_text("name,x,y,level\n" + "".join(f"P,{x},{y},{z:.2f}\n" for x, y, z in rows))
    scan = read_scan(path)
    assert scan.spots is not None
    assert scan.spots.error_m == pytest.approx(math.hypot(0.001, 0.01 / math.sqrt(12)))
    assert ("coarse-steps", f"{path}: levels are written in steps of 10 mm") in scan.warnings
    path.write_text("name,x,y,level [mm]\n" + "".join(f"P,{x},{y},{x}\n" for x, y, _ in rows))
    assert not read_scan(path).warnings
    path.write_text("name,x,y,level\n" + "".join(f"P,{x},{y},12.{x % 2}\n" for x, y, _ in rows))
    with pytest.raises(NoFloor, match="written in steps of 100 mm"):
        read_scan(path)


def test_five_columns_without_names_are_a_question(tmp_path: Path) -> None:
    """Point, north, east or point, east, north: only the user knows, exit status 2."""
    path = tmp_path / "levels.csv"
    path.write_text("".join(f"{k},{k % 4},{k // 4},0.30{k % 3},slab\n" for k in range(12)))
    with pytest.raises(JobError, match="5 columns and no line that names them") as refused:
        read_scan(path)
    assert refused.value.exit_status == 2


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (_gentle()[:2], "levels at 2 places"),
        (np.column_stack([np.arange(8.0), np.zeros(8), np.full(8, 3.0)]), "in one line"),
    ],
)
def test_too_few_shots_are_no_floor(tmp_path: Path, points: Array, said: str) -> None:
    """Two places, or places in one line, span no area: exit status 4."""
    with pytest.raises(NoFloor, match=said) as fault:
        read_scan(_file(tmp_path, _rows(points)))
    assert fault.value.exit_status == 4


@pytest.mark.parametrize("count", [3, 4, 5, 6, 7])
def test_few_levels_are_said(tmp_path: Path, count: int) -> None:
    """A quadratic surface has six unknowns: fewer levels, or two rows of them, hide a dome."""
    points = np.array([(0, 0, 1.0), (4, 0, 1.001), (0, 4, 1.0), (4, 4, 1.002), (2, 0, 1.0),
                       (2, 4, 1.001), (2, 2, 1.0)])[:count]  # fmt: skip
    codes = [code for code, _ in read_scan(_file(tmp_path, _rows(points))).warnings]
    assert ("few-levels" in codes) == (count < 7)


def test_decimal_commas_and_columns_by_their_names(tmp_path: Path) -> None:
    """The same floor, northing first, semicolons and decimal commas: the same points."""
    points = _gentle()
    plain = read_scan(_file(tmp_path, _rows(points)))
    rows = [f"P{k};{y:.3f};{x:.3f};{z:.4f}" for k, (x, y, z) in enumerate(points, 1)]
    text = "\n".join(["Point;N;E;Level", *(row.replace(".", ",") for row in rows), ""])
    other = read_scan(_file(tmp_path, text, "other.csv"))
    assert plain.spots is not None
    assert other.spots is not None
    assert np.array_equal(plain.spots.points_m, other.spots.points_m)
    assert plain.origin_m == other.origin_m


def test_staff_readings_are_reduced_to_the_benchmark(tmp_path: Path) -> None:
    """Line of sight = benchmark + its reading; a level is that less its own reading."""
    rows = [f"P{k},{x},{y},{1.400 + 0.001 * k:.3f}," for k, (x, y) in enumerate(TWELVE, 1)]
    text = "\n".join(["name,easting,northing,staff,level", "BM,-3,-3,1.250,50.000", *rows, ""])
    scan = read_scan(_file(tmp_path, text))
    assert scan.spots is not None
    assert scan.spots.names == tuple(f"P{k}" for k in range(1, 13))
    level = scan.spots.points_m[:, 2] + scan.origin_m[2]
    assert level == pytest.approx(51.250 - 1.400 - 0.001 * np.arange(1, 13), abs=1e-9)


def test_levels_and_a_cloud_are_no_campaign(tmp_path: Path) -> None:
    """A table of levels beside a cloud is pointed to --control."""
    rng = np.random.default_rng(2)
    cloud = tmp_path / "cloud.xyz"
    np.savetxt(cloud, rng.uniform(0.0, 5.0, (5000, 3)), fmt="%.4f")
    with pytest.raises(PourdatumError, match="--control"):
        read_scan(_file(tmp_path, _rows(_gentle())), cloud)


def test_numbered_points_of_a_cloud_are_no_spots() -> None:
    """200 000 rows with a running number are a cloud, with a header and without."""
    rng = np.random.default_rng(3)
    points = rng.uniform(0.0, 9.0, (3000, 3))
    body = "".join(f"{k},{x:.4f},{y:.4f},{z:.4f}\n" for k, (x, y, z) in enumerate(points, 1))
    size = len(body) * 200_000 // 3000
    head = body.encode()
    assert not looks_like_spots(head, size)
    assert not looks_like_spots(b"name,x,y,z\n" + head, size)


def test_a_mesh_in_text_is_no_spots() -> None:
    """Rows of an OBJ begin with v and hold three numbers, and are no names."""
    rows = "".join(f"v {x} {y} 0.01\n" for x, y in TWELVE) + "f 1 2 3\nf 2 3 4\n"
    from pourdatum.read.content import has_own_format

    head = rows.encode()
    assert has_own_format(head) or not looks_like_spots(head, len(head))


def _humps(rng: np.random.Generator, x: Array, y: Array) -> Array:
    z = np.zeros(np.shape(x))
    for _ in range(4):
        u, v = rng.uniform(0.0, 8.0), rng.uniform(0.0, 6.0)
        high, wide = rng.uniform(-0.006, 0.006), rng.uniform(0.6, 1.6)
        z = z + high * np.exp(-((x - u) ** 2 + (y - v) ** 2) / wide**2)
    return z


def _waves(rng: np.random.Generator, x: Array, y: Array) -> Array:
    z = np.zeros(np.shape(x))
    for _ in range(8):
        k, turn, phase = rng.uniform(0.3, 2.5), rng.uniform(0, math.pi), rng.uniform(0, 6.28)
        along = x * math.cos(turn) + y * math.sin(turn)
        z = z + rng.uniform(0.0005, 0.002) * np.sin(k * along + phase)
    return z


def test_intervals_cover_the_fill_and_the_top(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded floors of two kinds, shot every 1.5 to 2 m: 85 to 100 % of fills are inside."""
    monkeypatch.setattr(spots_module, "_PLACES", (200, 200))
    fine = np.stack(np.meshgrid((np.arange(160) + 0.5) / 20, (np.arange(120) + 0.5) / 20))
    held, topped, wide = [], [], []
    for seed in range(40):
        kind = (_humps, _waves)[seed % 2]
        place = np.stack(np.meshgrid(np.linspace(0, 8, 6), np.linspace(0, 6, 4)), axis=-1)
        place = place.reshape(-1, 2)
        z = kind(np.random.default_rng(seed), place[:, 0], place[:, 1])
        z = z + np.random.default_rng(1000 + seed).normal(0.0, 0.001, len(z))
        truth = kind(np.random.default_rng(seed), fine[0], fine[1])
        surface = _surface(np.column_stack([place, z]), cell_m=0.1)
        datum = choose_datum(surface, DatumRequest("level", z_m=0.02), 0.002)
        volume = fill_volume(
            surface.height_m, surface.grid, surface.floor.outline, datum.plane, least_m=0.002
        )
        low, high = fill_interval(surface, datum, volume)
        held.append(low <= 48.0 * float((0.02 - truth).mean()) <= high)
        wide.append((high - low) / 2 / volume.volume_m3)
        low_m, high_m = choose_datum(surface, DatumRequest("high-point"), 0.002).interval_m
        topped.append(low_m <= float(truth.max()) + 0.002 <= high_m)
    assert np.mean(held) >= 0.85
    # An interval that holds all by being endless is none.
    assert np.median(wide) < 0.25
    assert np.mean(topped) > 0.75


def _flat(rng: np.random.Generator, x: Array, y: Array) -> Array:
    return rng.uniform(-0.001, 0.001) * x + rng.uniform(-0.001, 0.001) * y


def _domed(rng: np.random.Generator, x: Array, y: Array) -> Array:
    high, u, v = rng.uniform(0.004, 0.015), rng.uniform(3.0, 5.0), rng.uniform(2.0, 4.0)
    return -high * (((x - u) / 4) ** 2 + ((y - v) / 3) ** 2)


def _narrow(rng: np.random.Generator, x: Array, y: Array) -> Array:
    z = _flat(rng, x, y)
    for _ in range(int(rng.integers(2, 7))):
        u, v = rng.uniform(0.0, 8.0), rng.uniform(0.0, 6.0)
        high, wide = rng.uniform(0.001, 0.006), rng.uniform(0.2, 0.6)
        z = z + high * np.exp(-0.5 * ((x - u) ** 2 + (y - v) ** 2) / wide**2)
    return z


def test_the_fill_to_the_high_point_allows_for_humps_between(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Dead flat, domed, and humps narrower than the spacing: the true fill is inside in 93 of 100.

    The interval is no wider than 10 mm of depth.
    """
    monkeypatch.setattr(spots_module, "_PLACES", (200, 200))
    fine = np.stack(np.meshgrid((np.arange(160) + 0.5) / 20, (np.arange(120) + 0.5) / 20))
    held, wide = [], []
    for seed in range(45):
        kind = (_flat, _domed, _narrow)[seed % 3]
        place = np.stack(np.meshgrid(np.linspace(0, 8, 6), np.linspace(0, 6, 4)), axis=-1)
        place = place.reshape(-1, 2)
        z = kind(np.random.default_rng([3, seed]), place[:, 0], place[:, 1])
        z = z + np.random.default_rng([4, seed]).normal(0.0, 0.001, len(z))
        truth = kind(np.random.default_rng([3, seed]), fine[0], fine[1])
        surface = _surface(np.column_stack([place, z]), cell_m=0.1)
        datum = choose_datum(surface, DatumRequest("high-point"), 0.003)
        volume = fill_volume(
            surface.height_m, surface.grid, surface.floor.outline, datum.plane, least_m=0.003
        )
        low, high = fill_interval(surface, datum, volume)
        held.append(low <= 48.0 * float(truth.max() + 0.003 - truth.mean()) <= high)
        wide.append((high - low) / 48.0)
    assert np.mean(held) >= 0.93
    assert np.median(wide) < 0.010


def test_what_is_advised_and_said_is_of_shots_and_not_of_a_scan() -> None:
    """One wide gap: the first level asked for lies in it; words and signs are those of shots."""
    place = np.array([(x, y) for x in (0.0, 1.0, 2.0, 6.0, 7.0, 8.0) for y in (0.0, 1.0, 2.0, 3.0)])
    rng = np.random.default_rng(4)
    surface = _surface(np.column_stack([place, rng.normal(0.0, 0.002, len(place))]))
    first, *others = more_levels(surface)
    assert 2.5 < first.place_m[0] < 5.5
    assert (first.kind, first.reason) == ("control-shot", "few-points")
    at = np.array([first.place_m, *(one.place_m for one in others)])
    assert len(at) <= 6
    assert min(shapely.MultiPoint(at).geoms[0].distance(p) for p in shapely.points(at[1:])) >= 1.0
    survey = survey_floor(surface, Job())
    codes = {warned.code for warned in survey.warnings}
    assert {"edge-of-shots", "wide-gaps"} <= codes
    gap = next(one.text for one in survey.warnings if one.code == "wide-gaps")
    # The strip between x = 2 and x = 6 is 4 by 3 m, its triangles have sides over 3 m.
    assert gap.startswith("12.00 m²")
    said = f"{cannot_say(survey)}{measure_again(survey)}".lower()
    assert "shots" in said
    assert "scan again" not in said
    assert "point of the scan" not in said
    marks = [mark for mark in levels_view(survey).marks if mark.kind == "spot"]
    assert len(marks) == len(place)
    assert sum(bool(mark.text) for mark in marks) <= MOST_NAMES


def test_the_highest_reading_is_never_outside_the_interval_of_the_datum() -> None:
    """A lone hump of 7.5 mm, shot without error on a flat floor: its true top stays possible."""
    place = np.array([(x, y) for x in range(9) for y in range(7)], dtype=float)
    z = np.where((place == (4.0, 3.0)).all(axis=1), 0.0075, 0.0)
    surface = _surface(np.column_stack([place, z]))
    low, high = choose_datum(surface, DatumRequest("high-point"), 0.002).interval_m
    assert low <= 0.0075 + 0.002 <= high
