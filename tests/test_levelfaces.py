"""What two scans may not prove: faces that contradict each other, mirrors, floor seen once.

Rooms, floors and pours are drawn afresh; what was placed is an integral over formulas.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

import pourdatum as pdm
from pairs import about_z, poured
from pourdatum.errors import NoFloor
from pourdatum.placed import placed_between
from pourdatum.read import read_scan
from pourdatum.register import register_scans
from pourdatum.scan import Scan
from pourdatum.simulate.pairs import over_floor
from pourdatum.simulate.scanning import scan_scene
from pourdatum.simulate.scene import Round, Scene
from pourdatum.simulate.sensor import sensor
from pourdatum.surface import make_surface
from pourdatum.verification import Verification
from pourdatum.verify import verify_pour
from pourdatum.write.scan_files import write_scan
from test_register import OBLONG, a_plain_room

pytestmark = pytest.mark.usefixtures("open3d")


def soffit(rng: np.random.Generator, height_m: float) -> np.ndarray:
    """Points under a soffit of 1 m by 0.16 m over a wall, with a tripod's noise."""
    x, y = rng.uniform((2.0, 0.0), (3.0, 0.16), (1500, 2)).T
    return np.column_stack([x, y, np.full(x.size, height_m)]) + rng.normal(0, 0.0015, (1500, 3))


def two_scans(
    tmp_path: Path,
    seed: int,
    room: Scene,
    *,
    low_m: float = 0.0,
    soffit_m: float | None = None,
    mirrored: bool = False,
    until_m: float = math.inf,
) -> tuple[Scan, Scan, Scene]:
    """BEFORE and AFTER of a pour of 10 mm, under a ceiling hung lower meanwhile."""
    rng = np.random.default_rng(seed)
    after = replace(poured(room, rng), ceiling_m=(room.ceiling_m or 0.0) - low_m)
    instrument = sensor("tripod", ((2.0, 1.5, 1.5), (5.0, 3.0, 1.5)))
    found = []
    for number, scene in enumerate((room, after)):
        points = scan_scene(scene, instrument, seed + number, points=150_000).points_m
        if soffit_m is not None:
            points = np.concatenate([points, soffit(rng, soffit_m)])
        if number:
            points = points[points[:, 0] < until_m]
            if mirrored:
                points = points * [-1.0, 1.0, 1.0]
            points = points @ about_z(0.7)
        path = write_scan(tmp_path / f"{number}.las", points)
        found.append(read_scan(path, units="m", up="z"))
    return found[0], found[1], after


def proof(before: Scan, after: Scan) -> Verification:
    """Proof of a pair as ``verify`` makes it."""
    return proof_of(before, after)()


def proof_of(before: Scan, after: Scan) -> Callable[..., Verification]:
    """The same, of a pair brought together once, against what bags fill where they are told."""
    tie = register_scans(after, before)
    floor = pdm.find_floor(before)
    first, later = make_surface(before, floor), make_surface(after, floor, tie)
    return partial(verify_pour, first, later, height_known=tie.height_known)


def column_room() -> Scene:
    """An oblong that a column tells from itself turned or in a mirror."""
    return a_plain_room(columns=(Round(1.2, 3.4, 0.15),))


def test_a_soffit_that_contradicts_the_ceiling_is_heard(tmp_path: Path, seed: int) -> None:
    """A ceiling hung 40 mm lower over a soffit that stayed: no volume, and both are named."""
    before, after, _ = two_scans(tmp_path, seed, column_room(), low_m=0.04, soffit_m=2.1)
    found = proof(before, after)
    assert found.placed is None, seed
    assert "level faces contradict each other" in found.lacks
    assert found.registration is not None
    assert not found.registration.height_known
    against = found.registration.against
    assert against is not None
    assert against.rise_m == pytest.approx(0.04, abs=4.0 * against.error_m), seed
    assert against.height_m == pytest.approx(2.1, abs=0.02)


def test_a_soffit_that_agrees_bears_the_ceiling_out(tmp_path: Path, seed: int) -> None:
    """Both stayed: the volume is told without a condition, and is that of the formula."""
    room = column_room()
    before, after, top = two_scans(tmp_path, seed, room, soffit_m=2.1)
    found = proof(before, after)
    assert found.placed is not None, (seed, found.lacks)
    assert not found.on_ceiling
    true_m3, _ = over_floor(room, lambda x, y: top.relief.height(x, y) - room.relief.height(x, y))
    assert found.placed.volume_m3 == pytest.approx(true_m3, rel=0.04), seed


def test_bags_speak_where_a_ceiling_alone_ties_the_heights(tmp_path: Path, seed: int) -> None:
    """Nothing but a ceiling: a condition; bags that filled as much lift it; others forbid it.

    The ceiling was hung 10 mm lower, so the scans make 20 mm of a pour of 10 mm.
    """
    room = column_room()
    before, after, top = two_scans(tmp_path, seed, room, low_m=0.01)
    true_m3, _ = over_floor(room, lambda x, y: top.relief.height(x, y) - room.relief.height(x, y))
    proved = proof_of(before, after)
    told = proved()
    assert told.placed is not None, told.lacks
    assert told.placed.volume_m3 > 1.8 * true_m3, seed
    assert told.on_ceiling
    refused = proved(bags_m3=true_m3)
    assert refused.placed is None, seed
    assert "the bags used fill" in refused.lacks
    assert refused.registration is not None
    assert not refused.registration.height_known
    borne = proved(bags_m3=told.placed.volume_m3)
    assert borne.borne_out == "the bags used"
    assert not borne.on_ceiling


def test_a_scan_in_a_mirror_is_refused(tmp_path: Path, seed: int) -> None:
    """x to -x: the column stands elsewhere than in BEFORE, unless left and right are exchanged."""
    before, after, _ = two_scans(tmp_path, seed, column_room(), mirrored=True)
    with pytest.raises(NoFloor, match="better in a mirror") as refused:
        register_scans(after, before)
    assert refused.value.id == "mirrored"


def test_a_room_that_is_alike_in_a_mirror_says_so(tmp_path: Path, seed: int) -> None:
    """An empty oblong with its turn told: nothing can tell, and that is noted."""
    room = a_plain_room(outline=OBLONG)
    before, after, _ = two_scans(tmp_path, seed, room)
    # A row vector times this matrix is turned clockwise: AFTER lies turned by 0.7 anticlockwise.
    tie = register_scans(after, before, turn_rad=0.7)
    assert tie.mirror_alike
    before, after, _ = two_scans(tmp_path, seed, column_room())
    assert not register_scans(after, before).mirror_alike


def test_what_was_placed_is_that_of_the_floor_seen_twice(tmp_path: Path, seed: int) -> None:
    """AFTER stops at 4.2 m of 7: litres, mean and area are those of that part, by the formula."""
    room = column_room()
    before, after, top = two_scans(tmp_path, seed, room, until_m=4.2)
    tie = register_scans(after, before)
    floor = pdm.find_floor(before)
    first, later = make_surface(before, floor), make_surface(after, floor, tie)
    placed = placed_between(first, later, tie)
    assert placed.of_part
    assert placed.share == pytest.approx(4.2 / 7.0, abs=0.02)
    x0, y0, _ = before.origin_m
    x, y = (axis + zero for axis, zero in zip(first.grid.mesh(), (x0, y0), strict=True))
    rise = top.relief.height(x, y) - room.relief.height(x, y)
    told = np.isfinite(placed.thickness_m)
    assert float(x[told].max()) < 4.3
    assert placed.mean_m == pytest.approx(float(rise[told].mean()), rel=0.05), seed
    low, high = placed.volume_interval_m3
    true_m3 = float(rise[told].mean()) * placed.area_m2
    assert abs(true_m3 - placed.volume_m3) < 0.8 * (high - low), seed
