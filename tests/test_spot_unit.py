"""The unit of a list of levels that states none: asked where the numbers speak, else said first."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pourdatum.cli.guard import run
from pourdatum.errors import JobError
from pourdatum.read import read_scan

GRID = [(x, y) for y in range(5) for x in range(6)]


def _file(folder: Path, rows: list[str], head: str = "name,x,y,z") -> Path:
    path = folder / "levels.csv"
    path.write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return path


def _rows(apart: float, decimals: int = 3, shift: float = 0.0) -> list[str]:
    return [
        f"{k},{apart * x + shift:.2f},{apart * y + shift:.2f},"
        f"{99.99 + 0.003 * (k % 4):.{decimals}f}"
        for k, (x, y) in enumerate(GRID, 1)
    ]


def _inches() -> list[str]:
    """Twenty places to the inch, written as decimals of a foot."""
    inch = np.random.default_rng(8).integers(0, 150, (20, 2))
    return [f"{k},{x / 12:.2f},{y / 12:.2f},99.99{k % 4}" for k, (x, y) in enumerate(inch, 1)]


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        (_rows(12.5), "neighbouring shots are 12.5 apart"),
        (_rows(5.0, decimals=2), "levels are written to hundredths"),
        (_inches(), "in twelfths"),
    ],
)
def test_numbers_that_speak_for_feet_are_a_question(
    tmp_path: Path, rows: list[str], why: str
) -> None:
    """Shots 12.5 apart, hundredths, or inches in decimals: asked, with both floors laid out."""
    path = _file(tmp_path, rows)
    with pytest.raises(JobError, match=why) as asked:
        read_scan(path)
    assert asked.value.exit_status == 2
    assert "--units ft makes the floor" in asked.value.hint
    assert "--units m makes the floor" in asked.value.hint
    # The answer is taken, either way.
    assert not read_scan(path, units="m").unit_taken
    assert read_scan(path, units="ft").frame.unit_m == 0.3048


def test_levels_in_feet_make_the_plan_a_question(tmp_path: Path) -> None:
    """Who heads levels with feet may have paced the plan in feet as well."""
    with pytest.raises(JobError, match="levels are in ft by their header"):
        read_scan(_file(tmp_path, _rows(2.0), "name,x,y,level_ft"))


@pytest.mark.parametrize("head", ["name,x_m,y_m,z", "name,x (ft),y (ft),z"])
def test_what_the_header_says_is_not_asked(tmp_path: Path, head: str) -> None:
    """A header with units is believed, however far apart its shots."""
    assert not read_scan(_file(tmp_path, _rows(12.5), head)).unit_taken


def test_where_nothing_speaks_it_is_said_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A grid 15.75 x 12.6: 198 m² or, in feet, 198 x 0.3048² = 18.4 m²."""
    path = _file(tmp_path, _rows(3.15, shift=0.33))
    area = 5 * 3.15 * 4 * 3.15
    scan = read_scan(path)
    assert scan.unit_taken == scan.assumptions[0]
    assert run(["survey", str(path), "-o", str(tmp_path / "out")]) in (0, 1)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("ASSUMED: the table does not say its unit: metres are taken")
    assert f"{area:.0f} m²" in lines[0]
    assert f"{area * 0.3048**2:.3g} m² ({area:.0f} ft²)" in lines[0]
    assert not any("does not say its unit" in line for line in lines[1:])


def test_metric_lists_are_not_asked(tmp_path: Path) -> None:
    """Every metre or three, to the millimetre or the centimetre: metres, as ever."""
    for apart, decimals in ((0.96, 3), (1.0, 2), (2.5, 2), (3.0, 3), (6.0, 3)):
        assert read_scan(_file(tmp_path, _rows(apart, decimals))).frame.unit_m == 1.0
    places = np.random.default_rng(1).uniform(0.0, 8.0, (20, 2))
    rows = [f"P{k},{x:.2f},{y:.2f},12.30{k % 5}" for k, (x, y) in enumerate(places)]
    assert read_scan(_file(tmp_path, rows)).frame.unit_m == 1.0
