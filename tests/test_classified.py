"""The classified scan read by laspy: classes against the scene's truth, depth, unit, full disk."""

from __future__ import annotations

import errno
import io
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
import shapely

import scenes
from pourdatum.errors import OutputError
from pourdatum.pipeline import write_results
from pourdatum.read import read_scan
from pourdatum.units import LENGTH_UNITS
from pourdatum.write import classified
from pourdatum.write.classified import write_classified
from site_plan import planned, scan_file, surveyed


@pytest.fixture(scope="module", params=["m", "us-ft"])
def both(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Unit, plan, and the written points."""
    unit = request.param
    plan = planned(unit, "metric" if unit == "m" else "imperial")
    path = tmp_path_factory.mktemp("points") / "classified.laz"
    write_classified(plan, path)
    return unit, plan, laspy.read(path)


def local(plan: Any, unit: str, points: Any) -> np.ndarray:
    """Points (n, 3) in local metres."""
    return points.xyz * LENGTH_UNITS[unit] - np.array(plan.origin_m)


def test_every_point_is_there_where_it_was(both: Any) -> None:
    """As many points as the scan has, each within half a step of where it was."""
    unit, _, points = both
    before = laspy.read(scan_file(unit))
    assert len(points) == len(before)
    assert np.abs(points.xyz - before.xyz).max() <= 0.51e-4 + 1e-5


def test_classes_are_those_of_the_table(both: Any) -> None:
    """ASPRS LAS 1.4 R15, standard point classes: 1, 2, 6 and 7 alone."""
    _, _, points = both
    assert points.header.version.minor == 4
    assert set(np.unique(points.classification)) == {1, 2, 6, 7}


def test_floor_points_are_floor(both: Any) -> None:
    """By the scene's truth 98 % of bare floor are 2, and 98 % of what is 2 is bare floor."""
    unit, plan, points = both
    scene = scenes.cluttered_room()
    place = points.xyz * LENGTH_UNITS[unit]
    rise = place[:, 2] - scene.height_m(*place[:, :2].T)
    inside = shapely.contains_xy(
        plan.floor.outline.buffer(-0.02), *local(plan, unit, points)[:, :2].T
    )
    # Tripod noise of 1.5 mm: five standard deviations.
    truly = inside & (np.abs(rise) < 0.0075)
    said = np.asarray(points.classification) == 2
    assert said[truly].mean() > 0.98
    assert truly[said & inside].mean() > 0.98
    assert said.sum() > 10_000


def test_walls_and_reflections_are_told_apart(both: Any) -> None:
    """6 stands at the edge of the floor or at its column, 7 lies under the floor."""
    unit, plan, points = both
    place = local(plan, unit, points)
    kind = np.asarray(points.classification)
    rim = shapely.union_all(
        [plan.floor.outline.exterior, *(hole for hole in plan.floor.outline.interiors)]
    )
    away = shapely.distance(rim, shapely.points(place[kind == 6][:, :2]))
    assert np.quantile(away, 0.99) < 0.12
    assert (kind == 6).sum() > 1000
    low = place[kind == 7]
    floor_m = np.nanmin(plan.surface.height_m)
    assert len(low) > 50
    assert (low[:, 2] < floor_m + 0.02).all()


def test_depth_is_the_plans(both: Any) -> None:
    """On the floor the extra dimension is the depth of the pour there in mm, elsewhere NaN."""
    unit, plan, points = both
    depth, kind = np.asarray(points["depth_mm"]), np.asarray(points.classification)
    assert np.isnan(depth[kind != 2]).all()
    place = local(plan, unit, points)[kind == 2]
    grid = plan.surface.grid
    row, col = grid.cell_of(*place[:, :2].T)
    cell_mm = plan.depth_m[row, col] * 1000.0
    # Within a cell a slope of 10 mm per m makes a quarter of a millimetre.
    assert np.nanmax(np.abs(depth[kind == 2] - cell_mm)) < 1.5
    assert np.nanmedian(np.abs(depth[kind == 2] - cell_mm)) < 0.1


def test_the_file_states_its_unit(both: Any, tmp_path: Path) -> None:
    """Read as a scan it needs no --units, and is the same scan."""
    unit, plan, points = both
    path = tmp_path / "again.laz"
    write_classified(plan, path)
    again = read_scan(path)
    assert again.frame.unit_m == LENGTH_UNITS[unit]
    assert again.points == len(points)


def test_a_survey_has_classes_and_no_depth(tmp_path: Path) -> None:
    """Depth is a matter of a plan."""
    write_classified(surveyed(), tmp_path / "classified.laz")
    points = laspy.read(tmp_path / "classified.laz")
    assert "depth_mm" not in list(points.point_format.extra_dimension_names)
    assert (np.asarray(points.classification) == 2).sum() > 10_000


def test_two_files_are_the_same_bytes(tmp_path: Path) -> None:
    """Nothing in it comes from the clock."""
    for name in ("one.laz", "two.laz"):
        write_classified(planned(), tmp_path / name)
    assert (tmp_path / "one.laz").read_bytes() == (tmp_path / "two.laz").read_bytes()


def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disk is full while points are written, that is said, and no folder is left."""

    class Full(io.BytesIO):
        def write(self, data: Any) -> int:
            if self.tell() > 5000:
                raise OSError(errno.ENOSPC, "No space left on device")
            return super().write(data)

    class There(type(Path())):  # type: ignore[misc]
        def open(self, *args: Any, **more: Any) -> Any:
            return Full()

    monkeypatch.setattr(classified, "Path", There)
    with pytest.raises(OutputError, match="No space left") as refused:
        write_results(planned(), tmp_path / "plan", files="laz")
    assert refused.value.id == "disk-full"
    assert list(tmp_path.iterdir()) == []


def test_control_shots_move_no_point(tmp_path: Path) -> None:
    """Under control by 50 mm the points stay, and the same ones are floor as without."""
    survey = surveyed()
    middle = [survey.floor.outline.bounds[k] for k in range(4)]
    rows = ["name,x,y,z"]
    east, north, level = survey.origin_m
    grid, height_m = survey.surface.grid, survey.surface.height_m
    for k, (u, v) in enumerate([(0.15, 0.2), (0.7, 0.35), (0.35, 0.35), (0.35, 0.8), (0.5, 0.2)]):
        x = middle[0] + u * (middle[2] - middle[0])
        y = middle[1] + v * (middle[3] - middle[1])
        z = float(grid.at(height_m, np.array([[x, y]]))[0]) + level + 0.05
        rows.append(f"S{k},{x + east:.4f},{y + north:.4f},{z:.5f}")
    (tmp_path / "control.csv").write_text("\n".join(rows))
    from pourdatum.job import Job
    from pourdatum.pipeline import survey_scan

    job = Job.model_validate({"scan": {"units": "m", "control": str(tmp_path / "control.csv")}})
    moved = survey_scan([scan_file()], job)
    assert moved.origin_m[2] == pytest.approx(level + 0.05, abs=1e-3)
    kinds = []
    for name, one in (("plain", survey), ("moved", moved)):
        write_classified(one, tmp_path / f"{name}.laz")
        points = laspy.read(tmp_path / f"{name}.laz")
        kinds.append(np.asarray(points.classification))
        assert np.abs(points.xyz - laspy.read(scan_file()).xyz).max() <= 0.51e-4 + 1e-5
    assert (kinds[0] == kinds[1]).mean() > 0.999
