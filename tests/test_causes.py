"""Refusals name the cause: points at one place, an outline in another unit, levels in a line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from pourdatum.errors import JobError, NoFloor, ScanError
from pourdatum.outline_dxf import Drawn
from pourdatum.outline_file import check_outline_unit
from pourdatum.read import read_scan
from pourdatum.scan import Frame
from read_bytes import columns_of, ply_bytes, read_bytes

ROOM = shapely.box(0.0, 0.0, 6.0, 5.0)


def test_points_that_are_all_one(tmp_path: Path) -> None:
    """A hundred thousand points at (1, 2, 3) are no question of the vertical."""
    content = ply_bytes(columns_of(np.tile([1.0, 2.0, 3.0], (100_000, 1))))
    with pytest.raises(ScanError, match=r"all 100000 points are at one place \(1, 2, 3\)"):
        read_bytes(tmp_path, "same.ply", content)


def test_constant_columns_before_the_points(tmp_path: Path) -> None:
    """Three columns of the set-up's place before x, y, z: --columns is the way out."""
    points = np.random.default_rng(2).uniform(0.0, 4.0, (5000, 3)) * [1.0, 1.0, 0.6]
    path = tmp_path / "own.xyz"
    np.savetxt(path, np.column_stack([np.tile([5.0, 6.0, 7.0], (5000, 1)), points]), fmt="%.4f")
    with pytest.raises(ScanError, match=r"at one place .*--columns 4,5,6"):
        read_scan(path)
    assert read_scan(path, columns=(4, 5, 6)).points == 5000


def test_points_in_a_line(tmp_path: Path) -> None:
    """Two constant columns of three: told as such, and a flat floor is none of them."""
    line = np.column_stack([np.arange(2000) * 0.001, np.full(2000, 3.0), np.full(2000, 1.0)])
    with pytest.raises(ScanError, match="y and z are the same in all 2000 points"):
        read_bytes(tmp_path, "line.ply", ply_bytes(columns_of(line)))
    flat = np.random.default_rng(2).uniform(0.0, 4.0, (5000, 3)) * [1.0, 1.0, 0.0]
    assert read_bytes(tmp_path, "flat.ply", ply_bytes(columns_of(flat))).points == 5000


def test_one_number_is_no_table(tmp_path: Path) -> None:
    """A row of digits is not called columns of numbers, to be exported as such."""
    path = tmp_path / "one.xyz"
    path.write_bytes(b"9" * 200_000)
    with pytest.raises(ScanError, match="it looks like a single number"):
        read_scan(path)


def test_whole_levels_in_a_line(tmp_path: Path) -> None:
    """That three places lie in a line is said first; then whole metres, in words for people."""
    path = tmp_path / "levels.csv"
    path.write_text("name,x,y,level\na,1,1,50\nb,2,2,50\nc,3,3,50\n")
    with pytest.raises(NoFloor, match="in one line"):
        read_scan(path)
    path.write_text("name,x,y,level\na,1,1,50\nb,2,2,50\nc,3,1,50\n")
    with pytest.raises(NoFloor, match="steps of 1 m; write them"):
        read_scan(path)


def test_an_outline_in_another_unit() -> None:
    """6000 x 5000 on a scan of 6 x 5 m is in mm; one that lies on the scan is never asked."""
    frame, box = Frame(1.0, "z", (2.0, 1.0, 0.0)), (-2.0, -1.0, 4.0, 4.0)
    check_outline_unit(Drawn(ROOM), frame, box, "o.geojson")
    for unit, factor in (("mm", 1000.0), ("cm", 100.0), ("in", 1 / 0.0254)):
        large = shapely.transform(ROOM, lambda place, by=factor: place * by)
        with pytest.raises(JobError, match=f"taken in {unit} it lies on it"):
            check_outline_unit(Drawn(large), frame, box, "o.geojson")
    # Beside the scan in every unit: the sentence on missing floor is the right one.
    check_outline_unit(Drawn(shapely.box(50.0, 50.0, 56.0, 55.0)), frame, box, "o.geojson")


def test_an_outline_in_degrees() -> None:
    """Longitude and latitude of a room: 0.00005 degrees wide, far from the scan's plan."""
    frame, box = Frame(1.0, "z", (431_000.0, 5_812_000.0, 0.0)), (0.0, 0.0, 6.0, 5.0)
    place = shapely.box(13.4050, 52.5200, 13.40506, 52.52005)
    with pytest.raises(JobError, match=r"\(13\.405, 52\.52\) look like degrees"):
        check_outline_unit(Drawn(place), frame, box, "o.geojson")
