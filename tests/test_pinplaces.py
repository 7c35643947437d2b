"""Where depth pins stand: extremes, both sides of joints, rows, and never in a hole.

Floors here are cells of known shape and depth; expected places follow from them.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from pourdatum.grid import Grid
from pourdatum.joints import Joint
from pourdatum.pinplaces import (
    MOST_PINS,
    REACH_M,
    PinPlace,
    place_pins,
    spacing_m,
)

X = np.array([1.0, 0.0])


class Ground:
    """A floor as cells, with a hump and a hollow."""

    def __init__(
        self,
        outline: shapely.Polygon,
        high: tuple[float, float] = (1.5, 1.5),
        low: tuple[float, float] = (6.0, 3.5),
        hidden: shapely.Polygon | None = None,
        cell_m: float = 0.05,
    ) -> None:
        left, bottom, right, top = outline.bounds
        nx, ny = (int(np.ceil(side / cell_m)) + 3 for side in (right - left, top - bottom))
        self.outline = outline
        self.grid = Grid(left - cell_m, bottom - cell_m, cell_m, ny, nx)
        x, y = self.grid.mesh()
        self.inside: NDArray[np.bool_] = shapely.contains_xy(outline, x, y)
        crate = np.zeros_like(self.inside) if hidden is None else shapely.contains_xy(hidden, x, y)
        self.measured = self.inside & ~crate
        self.depth_m = 0.008 - 0.005 * np.exp(-((x - high[0]) ** 2 + (y - high[1]) ** 2) / 0.1)
        self.depth_m += 0.004 * np.exp(-((x - low[0]) ** 2 + (y - low[1]) ** 2) / 0.1)

    def pins(self, spacing: float = 2.0, **more: Any) -> list[PinPlace]:
        """Places of this floor."""
        more = {"along": X, "from_m": (0.0, 0.0), **more}
        return place_pins(
            self.depth_m, self.measured, self.inside, self.grid, spacing_m=spacing, **more
        )


def places(pins: list[PinPlace], kind: str = "") -> NDArray[np.float64]:
    """Places of the pins of a kind (n, 2)."""
    return np.array([p.place_m for p in pins if not kind or p.kind == kind]).reshape(-1, 2)


def holed(seed: int, cell_m: float = 0.05) -> Ground:
    """An L with a column, drains and a crate where the seed says."""
    rng = np.random.default_rng(4400 + seed)
    shape = shapely.Polygon([(0, 0), (9, 0), (9, 4), (5, 4), (5, 8), (0, 8)])
    for _ in range(6):
        x, y = rng.uniform(0.5, 8.0, 2)
        shape = shape.difference(shapely.Point(x, y).buffer(rng.uniform(0.06, 0.4)))
    x, y = rng.uniform(0.8, 3.5, 2)
    spots = [tuple(rng.uniform(0.6, 4.0, 2)) for _ in range(2)]
    return Ground(shape, *spots, hidden=shapely.box(x, y, x + 0.9, y + 0.7), cell_m=cell_m)


@pytest.mark.parametrize("cell_m", [0.025, 0.05, 0.1])
@pytest.mark.parametrize("seed", range(8))
def test_no_pin_in_a_hole_or_under_a_thing(seed: int, cell_m: float) -> None:
    """Pins of the rows keep a hand's room off every edge; the extremes half a patch."""
    ground = holed(seed, cell_m)
    pins = ground.pins(joints=[Joint("movement", np.array([[4.0, -1.0], [4.0, 9.0]]))])
    row, col = ground.grid.cell_of(*places(pins).T)
    assert ground.measured[row, col].all()
    edge = shapely.distance(shapely.points(places(pins)), ground.outline.boundary)
    free = [p.kind not in ("high", "low") for p in pins]
    assert edge[free].min() >= 0.2 - 1e-9
    assert edge.min() >= 0.05 - 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_the_extremes_are_always_there_and_nothing_is_out_of_reach(seed: int) -> None:
    """Least and greatest depth of a patch carry a pin, and no floor lies beyond the spacing."""
    ground = holed(seed)
    pins = ground.pins(1.5)
    depth = np.where(ground.measured, ground.depth_m, np.nan)
    at = ground.grid.at(ground.depth_m, places(pins))
    # A patch lies wholly on seen floor, so the extreme cell itself may be out of its reach.
    assert at[[p.kind == "high" for p in pins]].max() < np.nanmin(depth) + 0.001
    assert at[[p.kind == "low" for p in pins]].min() > np.nanmax(depth) - 0.001
    x, y = ground.grid.mesh()
    edge = shapely.distance(shapely.points(x, y), ground.outline.boundary)
    free = ground.measured & (edge > 0.2 + ground.grid.cell_m)
    crate = np.argwhere(ground.inside & ~ground.measured) * ground.grid.cell_m
    node = np.argwhere(free) * ground.grid.cell_m
    apart = np.array([np.hypot(*(crate - one).T).min() for one in node]) > 0.2
    nodes = np.column_stack([x[free], y[free]])[apart]
    away = np.min([np.hypot(*(nodes - p).T) for p in places(pins)], axis=0)
    assert away.max() < 1.5 + 0.15


def test_a_given_high_place_is_used_as_it_is() -> None:
    """The patch that sets the datum carries a pin, to the millimetre, also beside a wall."""
    pins = Ground(shapely.box(0, 0, 8, 5)).pins(high_m=(0.07, 2.345))
    assert [p.place_m for p in pins if p.kind == "high"] == [(0.07, 2.345)]


@pytest.mark.parametrize("seed", range(8))
def test_few_pins_in_a_small_room(seed: int) -> None:
    """A bathroom of 2 by 2 m takes three to five, wherever its extremes lie."""
    rng = np.random.default_rng(seed)
    high, low = rng.uniform(0.05, 1.95, (2, 2))
    pins = Ground(shapely.box(0, 0, 2, 2), tuple(high), tuple(low)).pins(REACH_M)
    assert 3 <= len(pins) <= 5


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.3])
def test_both_sides_of_a_joint(turn: float) -> None:
    """Every stretch of a joint as long as the spacing has a pin on its left and on its right."""
    middle = np.array([4.0, 2.5])
    way = np.array([np.sin(turn), np.cos(turn)])
    line = np.stack([middle - 2.4 * way, middle + 2.4 * way])
    pins = Ground(shapely.box(0, 0, 8, 5)).pins(joints=[Joint("movement", line)])
    side = places(pins, "joint") - middle
    off = side @ np.array([-way[1], way[0]])
    assert_allclose(np.abs(off), 0.15, atol=1e-9)
    for sign in (-1.0, 1.0):
        along = np.sort((side @ way)[np.sign(off) == sign])
        assert np.diff(along, prepend=-2.4 - 0.5, append=2.4 + 0.5).max() <= 2.0
    assert {p.of for p in pins if p.kind == "joint"} == {1}


def test_an_isolation_joint_in_the_wall_has_pins_on_its_floor() -> None:
    """Along a wall there is floor on one side, from where a hand has room."""
    line = np.array([[0.0, 0.0], [0.0, 5.0]])
    ground = Ground(shapely.box(0, 0, 8, 5))
    found = places(ground.pins(joints=[Joint("isolation", line)]), "joint")
    assert len(found) == 3
    assert ((found[:, 0] >= 0.2 - 0.026) & (found[:, 0] <= 0.3)).all()


def test_saw_cuts_and_cracks_take_no_pins() -> None:
    """They are repaired before priming and covered; the floor goes through."""
    line = np.array([[4.0, 0.0], [4.0, 5.0]])
    ground = Ground(shapely.box(0, 0, 8, 5))
    with_crack = ground.pins(joints=[Joint("crack", line)])
    assert with_crack == ground.pins()


def test_a_threshold_has_its_pin() -> None:
    """At the edge of the pour there is floor on one side; the pin stands square to the wall."""
    ground = Ground(shapely.box(0, 0, 8, 5))
    for place in ((0.0, 2.1), (-0.2, 2.1), (0.1, 2.1)):
        pins = ground.pins(thresholds=[place], outline=ground.outline)
        assert len(places(pins, "threshold")) == 1
        x, y = places(pins, "threshold")[0]
        assert 0.2 <= x - 0.0 <= 0.45
        assert y == pytest.approx(2.1, abs=1e-6)


def test_a_threshold_between_two_rooms_has_pins_on_both_sides() -> None:
    """In a doorway that is poured through, one before it and one behind it."""
    rooms = shapely.union_all(
        [shapely.box(0, 0, 4, 4), shapely.box(4, 1.5, 4.3, 2.5), shapely.box(4.3, 0, 8, 4)]
    )
    ground = Ground(rooms, low=(6.0, 3.0))
    found = places(ground.pins(thresholds=[(4.15, 2.0)], outline=rooms), "threshold")
    assert len(found) == 2
    assert_allclose(found[:, 1], 2.0, atol=1e-6)
    assert found[:, 0].min() < 4.0
    assert found[:, 0].max() > 4.3


def test_rows_run_from_the_far_end() -> None:
    """Numbered towards the exit, in rows across the narrow way, there and back."""
    ground = Ground(shapely.box(0, 0, 12, 4), high=(3.0, 1.0), low=(9.0, 3.0))
    pins = ground.pins(from_m=(0.0, 2.0))
    rows = [p.row for p in pins]
    assert rows == sorted(rows)
    assert rows[0] == 1
    edges = [(x.max(), x.min()) for x in (places([p for p in pins if p.row == r])[:, 0]
                                           for r in sorted(set(rows)))]  # fmt: skip
    assert edges[0][0] > 10.0
    assert all(near[0] < far[1] for far, near in pairwise(edges))
    other = ground.pins(from_m=(12.0, 2.0))
    assert other[0].place_m[0] < 2.0


def test_a_turned_room_has_rows_along_its_own_walls() -> None:
    """Rows follow the wall that is measured along, not the axes of the scan."""
    turn = np.radians(33.0)
    along = np.array([np.cos(turn), np.sin(turn)])
    room = shapely.affinity.rotate(shapely.box(0, 0, 12, 4), 33.0, origin=(0, 0))
    pins = Ground(room, tuple(6 * along), tuple(6 * along)).pins(along=along)
    across = np.array([-along[1], along[0]])
    rows: dict[int, list[float]] = {}
    for pin in pins:
        if pin.kind == "row":
            rows.setdefault(pin.row, []).append(float(np.array(pin.place_m) @ along))
    assert len(rows) == 6
    assert all(np.ptp(value) < 0.08 for value in rows.values())
    assert places(pins, "row") @ across == pytest.approx(2.0, abs=1.8)


def test_the_spacing_of_a_hall() -> None:
    """A given reach is kept; without one a hall of 2 400 m² gets a list that can be read.

    Closed form: area / s² + 2 joints / s pins stand s apart.
    """
    assert spacing_m(40.0, 0.0) == REACH_M
    assert spacing_m(2400.0, 0.0, reach_m=1.5) == 1.5
    for joints_m in (0.0, 320.0):
        s = spacing_m(2400.0, joints_m)
        assert 2400.0 / s**2 + 2 * joints_m / s == pytest.approx(MOST_PINS)
    hall = Ground(shapely.box(0, 0, 60, 40), (20.0, 20.0), (40.0, 30.0), cell_m=0.1)
    pins = hall.pins(spacing_m(2400.0, 0.0))
    assert 0.7 * MOST_PINS < len(pins) < 1.3 * MOST_PINS


def test_narrow_floor_still_gets_pins() -> None:
    """A strip of 300 mm has no place 200 mm off both walls; its middle is the best there is."""
    strip = Ground(shapely.box(0, 0, 4, 0.3), (1.0, 0.15), (3.0, 0.15), cell_m=0.025)
    pins = strip.pins()
    assert len(pins) >= 3
    rows = places(pins, "row")
    assert len(rows)
    assert_allclose(rows[:, 1], 0.15, atol=0.08)
