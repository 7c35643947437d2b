"""Lists of levels as people head them: each column in its own unit, places in their words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pourdatum.errors import JobError, PourdatumError
from pourdatum.read import read_scan
from pourdatum.scan import Scan

Array = NDArray[np.float64]

PLACES = [(x, y) for y in (0.5, 2.5, 4.5) for x in (0.5, 2.5, 4.5, 6.5)]
DROP_M = np.array([0.001 * (k % 4) for k in range(len(PLACES))])


def _file(folder: Path, text: str) -> Path:
    path = folder / "levels.csv"
    path.write_text(text, encoding="utf-8")
    return path


def _levels(scan: Scan) -> Array:
    assert scan.spots is not None
    out: Array = scan.spots.points_m + np.array(scan.origin_m)
    return out


def test_each_column_has_its_own_unit(tmp_path: Path) -> None:
    """Line of sight 52 m + 1000 mm; a reading of 1003 mm is a level of 51.997 m."""
    rows = "".join(
        f"P{k},{x},{y},,{1000 + 1000 * d:.0f}\n"
        for k, ((x, y), d) in enumerate(zip(PLACES, DROP_M, strict=True))
    )
    scan = read_scan(_file(tmp_path, f"name,x,y,level,staff_mm\nBM,,,52,1000\n{rows}"))
    assert _levels(scan)[:, 2] == pytest.approx(52.0 - DROP_M, abs=1e-9)
    # A datum is given in the unit of levels, not in that of the staff.
    assert scan.frame.height_unit_m in (None, 1.0)
    assert scan.step_m == pytest.approx(0.001)
    feet = f"name,x_m,y_m,level_ft,staff_mm\nBM,,,{52 / 0.3048:.9f},1000\n{rows}"
    scan = read_scan(_file(tmp_path, feet))
    assert _levels(scan)[:, 2] == pytest.approx(52.0 - DROP_M, abs=1e-6)
    assert scan.frame.height_unit_m == 0.3048


def test_readings_that_no_staff_shows_are_a_question(tmp_path: Path) -> None:
    """Readings of 1003 under a head without a unit are no metres: the unit is asked."""
    rows = "".join(f"P{k},{x},{y},{1000 + k % 4}\n" for k, (x, y) in enumerate(PLACES))
    with pytest.raises(JobError, match=r"longest staff reading is 1003 m.*staff_mm"):
        read_scan(_file(tmp_path, f"name,x,y,staff\n{rows}"))


@pytest.mark.parametrize(
    "head",
    [
        "Point,Length,Width,Laser reading mm",
        "Pt;Along (m);Across (m);Staff (mm)",
        "No;Chainage [m];Offset [m];Reading [mm]",
        "point,along,across,laser_mm",
    ],
)
def test_heads_in_peoples_own_words(tmp_path: Path, head: str) -> None:
    """Along is x, across is y, and a reading 3 mm longer is floor 3 mm lower."""
    mark = ";" if ";" in head else ","
    rows = [
        mark.join([f"P{k}", f"{x}", f"{y}", f"{1200 + 1000 * d:.0f}"])
        for k, ((x, y), d) in enumerate(zip(PLACES, DROP_M, strict=True))
    ]
    scan = read_scan(_file(tmp_path, "\n".join([head, *rows, ""])))
    points = _levels(scan)
    assert points[:, :2] == pytest.approx(np.array(PLACES))
    assert points[:, 2] - points[0, 2] == pytest.approx(-DROP_M, abs=1e-9)
    assert any("along" in note and "mirror" in note for note in scan.assumptions)


def test_a_width_beside_x_and_y_is_that_of_something_else(tmp_path: Path) -> None:
    """A crack's width in a list with x and y neither doubles nor replaces the places."""
    rows = "".join(f"P{k},{x},{y},12.00{k % 4},0.3\n" for k, (x, y) in enumerate(PLACES))
    scan = read_scan(_file(tmp_path, f"name,x,y,level,width\n{rows}"))
    assert _levels(scan)[:, :2] == pytest.approx(np.array(PLACES))


@pytest.mark.parametrize("head", ["", "Point,Feld A,Feld B,Feld C\n", "Point,a,b,Laser [mm]\n"])
def test_columns_that_are_told_leave_a_list_a_list(tmp_path: Path, head: str) -> None:
    """Twelve rows are levels, not a cloud of 12 points; a told column of readings stays one."""
    staff = "Laser" in head
    told = 1200 + 1000 * DROP_M if staff else 12.0 - DROP_M
    rows = "".join(
        f"{k},{x},{y},{t:.4f}\n" for k, ((x, y), t) in enumerate(zip(PLACES, told, strict=True), 1)
    )
    scan = read_scan(_file(tmp_path, head + rows), columns=(2, 3, 4))
    assert scan.spots is not None
    assert scan.spots.names[0] == "1"
    points = _levels(scan)
    assert points[:, :2] == pytest.approx(np.array(PLACES))
    assert points[:, 2] - points[0, 2] == pytest.approx(-DROP_M, abs=1e-9)


def test_told_columns_in_another_order(tmp_path: Path) -> None:
    """--columns 3,2,1 of rows z,y,x."""
    rows = "".join(f"12.00{k % 4},{y},{x}\n" for k, (x, y) in enumerate(PLACES))
    scan = read_scan(_file(tmp_path, rows), columns=(3, 2, 1))
    assert _levels(scan)[:, :2] == pytest.approx(np.array(PLACES))


@pytest.mark.parametrize(
    "text",
    [
        "Point,Foo,Bar,Baz\n1,0.5,0.5,12.001\n2,4.5,0.5,12.002\n3,0.5,4.5,12.003\n",
        "name,x,level\nA,0.5,12.001\nB,4.5,12.002\nC,0.5,12.003\n",
        "1,0.5,0.5,12.001,slab\n2,4.5,0.5,12.002,slab\n3,0.5,4.5,12.003,slab\n",
        "name,x,y\nA,0.5,0.5\nB,4.5,0.5\nC,0.5,4.5\n",
    ],
)
def test_errors_offer_heads(tmp_path: Path, text: str) -> None:
    """Whoever headed a list in words that are not known is told words that are."""
    with pytest.raises(PourdatumError, match="name,x,y,level or name,x,y,staff"):
        read_scan(_file(tmp_path, text))
