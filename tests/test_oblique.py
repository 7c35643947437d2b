"""Scans in a tilted frame of their sensor: area and shape are had, levels are not."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

from pourdatum.errors import JobError
from pourdatum.job import read_job
from pourdatum.pipeline import plan_pour, result_data, survey_floor, survey_scan, write_results
from pourdatum.pipeline.upright import check_level
from pourdatum.read import read_scan
from pourdatum.read.planes import oblique_turn
from pourdatum.scan import LATTICE_M, Frame
from pourdatum.simulate import place_stations, random_room, scan_scene, sensor
from read_bytes import columns_of, las_bytes, ply_bytes, points_of, read_bytes, written


def turn_about(axis: tuple[float, float, float], degrees: float) -> np.ndarray:
    """The rotation about an axis (formula of Rodrigues), (3, 3)."""
    a = np.array(axis) / np.linalg.norm(axis)
    cross = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    angle = math.radians(degrees)
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross)


ODD = turn_about((1.0, 2.0, 0.5), 30.0)


@pytest.fixture(scope="module")
def room() -> np.ndarray:
    """A simulated tripod scan of a furnished room, about its middle [m]."""
    scene = random_room(3)
    shot = scan_scene(scene, sensor("tripod", place_stations(scene, 2)), seed=3, points=400_000)
    return np.asarray(shot.points_m - np.floor(shot.points_m.mean(axis=0)))


# --- the turn -----------------------------------------------------------------------


@pytest.mark.parametrize(("axis", "degrees"), [
    ((1, 2, 0.5), 30), ((1, 0, 0), 30), ((0, 1, 0), 40), ((1, 1, 1), 50), ((3, 1, 0), 10),
    ((1, -1, 0.3), 20),
])  # fmt: skip
@pytest.mark.parametrize("laid_down", [False, True])
def test_the_floor_is_laid_flat(
    axis: tuple[float, float, float], degrees: float, laid_down: bool, room: np.ndarray
) -> None:
    """Turned by any rotation R, the upright found is R z to half a degree; the turn is proper."""
    turn = turn_about(axis, degrees)
    found = oblique_turn(room @ turn.T, "z" if laid_down else None, laid_down)
    assert found is not None
    rows = np.array(found.rotation)
    assert rows @ rows.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(rows) == pytest.approx(1.0)
    assert math.degrees(math.acos(min(1.0, float(rows[2] @ turn[:, 2])))) < 0.5
    # x runs along the file's own x as far as that is level: nothing of y' is in it.
    assert rows[1][0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("turn", [
    np.eye(3), turn_about((0, 0, 1), 33.0), turn_about((1, 0, 0), 2.0), turn_about((1, 1, 0), 3.5),
    turn_about((1, 0, 0), 90.0), turn_about((1, 0, 0), -90.0), turn_about((0, 1, 0), 91.0),
])  # fmt: skip
def test_a_scan_along_an_axis_is_not_turned(turn: np.ndarray, room: np.ndarray) -> None:
    """Turned in plan, by a few degrees, or on its side: one of the file's axes is the vertical."""
    assert oblique_turn(room @ turn.T, None, False) is None


def test_a_ramp_and_a_roof_do_not_turn_the_scan() -> None:
    """A ramp of 10 % between plumb walls, and an attic: walls and floor speak for z."""
    rng = np.random.default_rng(2)

    def sheet(u: list[float], v: list[float], at: list[float], count: int = 8000) -> np.ndarray:
        return np.asarray(
            rng.uniform(0, 1, (count, 1)) * u + rng.uniform(0, 1, (count, 1)) * v + np.array(at)
        )

    ramp = np.concatenate([
        sheet([20, 0, 2.0], [0, 5, 0], [0, 0, 0]),
        sheet([20, 0, 2.0], [0, 0, 2.5], [0, 0, 0]), sheet([20, 0, 2.0], [0, 0, 2.5], [0, 5, 0]),
        sheet([0, 5, 0], [0, 0, 2.5], [0, 0, 0]), sheet([0, 5, 0], [0, 0, 2.5], [20, 0, 2]),
    ])  # fmt: skip
    attic = np.concatenate([
        sheet([10, 0, 0], [0, 6, 0], [0, 0, 0], 2000),
        sheet([10, 0, 0], [0, 3, 2.5], [0, 0, 0.5]), sheet([10, 0, 0], [0, -3, 2.5], [0, 6, 0.5]),
        sheet([0, 6, 0], [0, 0, 0.5], [0, 0, 0]), sheet([0, 6, 0], [0, 0, 0.5], [10, 0, 0]),
    ])  # fmt: skip
    for scene in (ramp, attic):
        noisy = scene + rng.normal(0, 0.002, scene.shape)
        assert oblique_turn(noisy, None, False) is None
        assert oblique_turn(noisy, "z", True) is None


def test_a_turned_frame_is_the_rotation() -> None:
    """Raw coordinates become rows times them, in metres, from the origin."""
    rows = tuple(tuple(float(v) for v in row) for row in ODD.T)
    raw = np.random.default_rng(1).normal(0, 4000, (50, 3))
    frame = Frame(unit_m=0.001, rotation=rows, origin_m=(1.0, 2.0, 3.0))  # type: ignore[arg-type]
    assert frame.to_metres(raw) == pytest.approx(raw * 0.001 @ ODD, abs=1e-9)
    assert frame.to_lattice(raw)[:, 2] == pytest.approx(
        ((raw * 0.001 @ ODD)[:, 2] - 3.0) / 1e-5, abs=0.51
    )


# --- survey and plan ----------------------------------------------------------------


@pytest.fixture(scope="module")
def files(room: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The room upright, turned, turned in millimetres, and turned in a LAS file."""
    folder = tmp_path_factory.mktemp("rooms")
    turned = room @ ODD.T
    return {
        "upright": written(folder, "upright.ply", ply_bytes(columns_of(room))),
        "turned": written(folder, "turned.ply", ply_bytes(columns_of(turned))),
        "mm": written(folder, "mm.ply", ply_bytes(columns_of(turned * 1000.0))),
        "las": written(folder, "turned.las", las_bytes(np.rint(turned * 1e4).astype(int))),
    }


def test_area_and_shape_survive_the_turn(files: dict[str, Path]) -> None:
    """The same room upright and turned: area to 0.2 %, shape about its plane to a millimetre."""
    upright, turned = (survey_scan([files[name]]) for name in ("upright", "turned"))
    assert turned.figures.area_m2 == pytest.approx(upright.figures.area_m2, rel=0.002)
    spreads = [
        float(np.ptp(np.quantile(s.surface.above_plane_m()[s.surface.measured], (0.01, 0.99))))
        for s in (upright, turned)
    ]
    assert spreads[1] == pytest.approx(spreads[0], abs=0.001)
    assert not turned.scan.level_known
    assert any("oblique to all axes" in text for text in turned.assumptions)
    assert "level-unknown" in [item.code for item in turned.warnings]
    assert "level-unknown" not in [item.code for item in upright.warnings]


@pytest.mark.parametrize("name", ["mm", "las"])
def test_unit_and_turn_are_found_together(name: str, files: dict[str, Path]) -> None:
    """Oblique and in millimetres, untold; oblique against a convention: both are stated."""
    scan = read_scan(files[name])
    assert scan.inputs[0].up == "oblique"
    assert scan.inputs[0].units == ("mm" if name == "mm" else "m")
    assert not scan.level_known
    points = points_of(scan) * LATTICE_M
    assert (points >= np.array(scan.low_m) - 1e-4).all()
    assert (points <= np.array(scan.high_m) + 1e-4).all()


def test_levels_are_null_and_printed_as_not_known(files: dict[str, Path], tmp_path: Path) -> None:
    """A number that could not be had is null, a warning says why, the page says not known."""
    survey = survey_scan([files["turned"]])
    floor = json.loads(json.dumps(result_data(survey)))["floor"]
    nulls = ("high_z_m", "low_z_m", "mean_z_m", "range_mm", "slope_mm_per_m",
             "slope_bearing_deg", "level_uncertainty_mm_per_m")  # fmt: skip
    assert [floor[key] for key in nulls] == [None] * 7
    assert floor["area_m2"] > 30
    folder = write_results(survey, tmp_path / "out", files="report")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "not known" in page
    said = re.sub(r"<script.*?</script>|data:image[^\"]*", "", page, flags=re.S)
    assert "nan" not in said.lower().replace("manan", "")


@pytest.mark.parametrize("kind", ["high-point", "level"])
def test_a_datum_that_needs_a_vertical_is_refused(
    kind: str, files: dict[str, Path], tmp_path: Path
) -> None:
    """plan with a level datum is exit 2 with the ways out; parallel is flat, and planned."""
    surface = survey_scan([files["turned"]]).surface
    job = tmp_path / "job.toml"
    job.write_text(f'[datum]\nkind = "{kind}"\n' + ("z = 0.1\n" if kind == "level" else ""))
    ways = r"no vertical of its own.*control shots.*--up.*parallel"
    with pytest.raises(JobError, match=ways) as refused:
        plan_pour(surface, read_job(job))
    assert refused.value.exit_status == 2
    with pytest.raises(JobError, match=ways):
        check_level(surface, "fall")


def test_a_parallel_datum_is_planned_without_a_vertical(
    files: dict[str, Path], tmp_path: Path
) -> None:
    """Flat, not level: the volume is that over the upright room, the slope is null."""
    job = tmp_path / "job.toml"
    job.write_text('[datum]\nkind = "parallel"\n')
    plans = [
        plan_pour(survey_scan([files[name]]).surface, read_job(job))
        for name in ("upright", "turned")
    ]
    volumes = [plan.volume.volume_m3 for plan in plans]
    assert volumes[1] == pytest.approx(volumes[0], rel=0.03)
    data = result_data(plans[1])
    assert data["datum"]["slope_mm_per_m"] is None
    folder = write_results(plans[1], tmp_path / "out", files="report,pictures")
    assert "level and fall of this plane are not known" in (folder / "report.html").read_text(
        encoding="utf-8"
    )


def test_the_user_may_say_that_an_axis_is_up(files: dict[str, Path]) -> None:
    """--up is the user's word: the scan is not turned, and its vertical is known."""
    scan = read_scan(files["turned"], up="z")
    assert scan.frame.rotation is None
    assert scan.level_known


def test_a_vertical_is_never_taken_from_the_floor(room: np.ndarray, tmp_path: Path) -> None:
    """Tilted by 2 degrees the file's axis stays the vertical: 35 mm per m are reported."""
    turned = room @ turn_about((1, 0, 0), 2.0).T
    scan = read_bytes(tmp_path, "tilted.ply", ply_bytes(columns_of(turned)))
    assert scan.level_known
    assert scan.frame.rotation is None
    survey = survey_scan([tmp_path / "tilted.ply"])
    upright = survey_scan([written(tmp_path, "upright.ply", ply_bytes(columns_of(room)))])
    gain = survey.figures.slope - math.tan(math.radians(2.0))
    assert abs(gain) < upright.figures.slope + 3e-4
    assert "walls-lean" in [item.code for item in survey.warnings]


def test_survey_of_a_surface_knows_its_vertical(files: dict[str, Path]) -> None:
    """survey_floor on the surface of a scan without a vertical says the same again."""
    surface = survey_scan([files["turned"]]).surface
    assert math.isnan(survey_floor(surface).figures.mean_m)
