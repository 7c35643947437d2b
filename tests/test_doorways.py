"""A room in feet and a hall in metres are told by their doors, where a file states no unit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read import read_scan
from pourdatum.read.doorways import doorways
from read_bytes import las_bytes, written

Array = NDArray[np.float64]


def _box(size: tuple[float, float, float], holes: list[tuple[float, float, float]]) -> Array:
    """Floor, ceiling and walls; openings (from, to, head) in the wall y = 0."""
    rng = np.random.default_rng(4)
    sides, parts = np.array(size), []
    for axis in range(3):
        rest = np.prod(np.delete(sides, axis)) / (sides[2] / 2.6) ** 2
        for end in (0.0, 1.0):
            face = rng.uniform(0.0, 1.0, (int(900 * rest), 3)) * sides
            face[:, axis] = end * sides[axis]
            if axis == 1 and end == 0.0:
                for start, stop, head in holes:
                    hole = (face[:, 0] > start) & (face[:, 0] < stop) & (face[:, 2] < head)
                    face = face[~hole]
            parts.append(face)
    points = np.concatenate(parts)
    out: Array = points + rng.normal(0.0, 0.0004 * sides[2], points.shape)
    return out


def _las(folder: Path, points: Array) -> Path:
    return written(folder, "room.las", las_bytes(np.rint(points * 1e3).astype(int), scale=1e-3))


DOOR = (3.0, 3.9, 2.03)


def test_a_doorway_is_measured() -> None:
    """A door 0.9 wide and 2.03 high in a room of 8 x 6 x 2.6, to a bin and a cell or two."""
    (found,) = doorways(_box((8.0, 6.0, 2.6), [DOOR]), 2, 2.6)
    assert found.head == pytest.approx(2.03, abs=2.6 / 40)
    assert found.width == pytest.approx(0.9, abs=0.25)
    assert found.is_door(1.0)
    assert doorways(_box((8.0, 6.0, 2.6), []), 2, 2.6) == []


def test_a_room_in_feet_with_a_door_is_a_question(tmp_path: Path) -> None:
    """26 x 20 x 8.5 without a unit and a door of 6.66: asked, with both readings laid out."""
    path = _las(tmp_path, _box((8.0, 6.0, 2.6), [DOOR]) / 0.3048)
    with pytest.raises(JobError, match="may be in metres or feet") as asked:
        read_scan(path)
    assert "--units m makes the hall" in asked.value.hint
    assert "--units ft makes the room" in asked.value.hint
    assert read_scan(path, units="ft").frame.unit_m == 0.3048


@pytest.mark.parametrize(
    "holes",
    [
        [],
        [(4.0, 5.0, 2.1)],
        [(4.0, 5.0, 2.1), (10.0, 14.0, 4.5)],
        [(4.0, 5.0, 2.1), (10.0, 14.0, 6.7)],
    ],
)
def test_a_hall_in_metres_stays_one(
    tmp_path: Path, holes: list[tuple[float, float, float]]
) -> None:
    """26 x 20 x 8.5 m with no opening, a door, and gates of 4.5 and of 6.7 m: metres, said."""
    scan = read_scan(_las(tmp_path, _box((26.0, 20.0, 8.5), holes)))
    assert scan.frame.unit_m == 1.0
    assert any("if these are feet" in text for text in scan.assumptions)
