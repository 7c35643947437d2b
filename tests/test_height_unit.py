"""Heights of a file that states the unit of its plan alone: said, or asked."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read import read_scan
from pourdatum.units import US_SURVEY_FOOT_M
from read_bytes import las_bytes, written

WKT = (
    'PROJCS["a",GEOGCS["b",UNIT["degree",0.0174532925199433]],'
    'UNIT["US survey foot",0.3048006096012192]{inner}]'
)
METRES = ',VERT_CS["v",UNIT["metre",1]]'
FLAT = 'PROJCS["a",GEOGCS["b",UNIT["degree",0.0174532925199433]],UNIT["metre",1]]'


def _room(ceiling: bool = True, high_m: float = 2.6) -> NDArray[np.float64]:
    """Floor, ceiling and walls of a room of 8 x 6 m [m]."""
    rng = np.random.default_rng(6)
    sides = np.array([8.0, 6.0, high_m])
    parts = []
    for axis in (0, 1, 2):
        for end in (0.0, 1.0):
            if axis == 2 and end == 1.0 and not ceiling:
                continue
            face = rng.uniform(0.0, 1.0, (8000, 3)) * sides
            face[:, axis] = end * sides[axis]
            parts.append(face)
    return np.concatenate(parts)


def _las(folder: Path, points: NDArray[np.float64], text: str) -> Path:
    stored = np.rint(points * 1e4).astype(int)
    record = ("LASF_Projection", 2112, text.encode() + b"\0")
    return written(folder, "room.las", las_bytes(stored, scale=1e-4, records=(record,)))


def _in_feet(points: NDArray[np.float64], *, heights: bool) -> NDArray[np.float64]:
    unit = US_SURVEY_FOOT_M
    return points / np.array([unit, unit, unit if heights else 1.0])


@pytest.mark.parametrize("ceiling", [True, False])
def test_a_room_too_low_to_stand_in_is_asked(tmp_path: Path, ceiling: bool) -> None:
    """2.6 m of heights under a plan in feet: 0.79 m high in feet, so only the user can tell."""
    path = _las(tmp_path, _in_feet(_room(ceiling), heights=False), WKT.format(inner=""))
    with pytest.raises(JobError, match="no unit for its heights") as refused:
        read_scan(path)
    assert refused.value.exit_status == 2
    told = re.search(r"in us-ft the room is (\S+) m high, in metres (\S+) m", str(refused.value))
    assert told is not None
    # Walls alone are seen to all but their last hundredth.
    assert [float(part) for part in told.groups()] == pytest.approx([0.792, 2.6], rel=0.02)
    # Both ways out that are named lead out.
    assert read_scan(path, units="us-ft").frame.height_unit_m is None
    stated = _las(tmp_path, _in_feet(_room(ceiling), heights=False), WKT.format(inner=METRES))
    assert read_scan(stated).frame.height_unit_m == 1.0


@pytest.mark.parametrize(
    ("points", "text", "unit"),
    [
        (_in_feet(_room(), heights=True), WKT.format(inner=""), "us-ft"),
        (_in_feet(_room(high_m=8.0), heights=False), WKT.format(inner=""), "us-ft"),
        (_room(), FLAT, "m"),
    ],
)
def test_what_is_taken_is_said(
    tmp_path: Path, points: NDArray[np.float64], text: str, unit: str
) -> None:
    """Heights without a unit are those of the plan, and that is an assumption; others are none."""
    scan = read_scan(_las(tmp_path, points, text))
    assert f"the file states no unit for its heights: {unit} are taken, as in plan" in (
        scan.assumptions
    )
    assert scan.frame.height_unit_m is None


def test_stated_heights_need_no_word(tmp_path: Path) -> None:
    """A vertical system with a unit leaves nothing to assume."""
    path = _las(tmp_path, _in_feet(_room(), heights=False), WKT.format(inner=METRES))
    assert not any("heights" in text for text in read_scan(path).assumptions)
