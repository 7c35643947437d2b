"""A scan brought into another frame: each point lands where the move says."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pourdatum.move import Move, as_rotation
from pourdatum.read import read_scan
from pourdatum.scan import LATTICE_M, Frame, Scan
from pourdatum.write.scan_files import write_scan


def points_of(scan: Scan) -> np.ndarray:
    """All points, local [m]."""
    return np.concatenate([chunk.load() for chunk in scan.chunks()]) * LATTICE_M


def a_turn(rng: np.random.Generator) -> np.ndarray:
    """A turn about the vertical with a little tilt."""
    q, _ = np.linalg.qr(np.eye(3) + 0.01 * rng.standard_normal((3, 3)))
    q = q * np.sign(np.diag(q))
    a = rng.uniform(-math.pi, math.pi)
    about = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    return about @ q


@pytest.mark.parametrize("kind", [".las", ".laz", ".ply"])
def test_points_land_where_the_move_says(tmp_path: Path, kind: str, seed: int) -> None:
    """Read through changed frames they are those turned and shifted, to the lattice's step.

    On a map's coordinates a turn about the far origin must not cost a hundredth of a millimetre.
    """
    rng = np.random.default_rng(seed)
    site = np.array([623_000.0, 5_411_000.0, 512.0])
    points = rng.uniform(0.0, (8.0, 6.0, 2.6), (20_000, 3)) + site
    points[:4000, 2] = site[2] + rng.normal(0.0, 0.001, 4000)
    scan = read_scan(write_scan(tmp_path / f"room{kind}", points), units="m", up="z")
    move = Move(as_rotation(a_turn(rng)), (3.0, -40.0, 1.25), Frame(origin_m=(10.0, 20.0, 5.0)))
    moved = move.moved(scan)
    off = points_of(moved) - move.place_m(points_of(scan))
    assert np.abs(off).max() < 1.7 * LATTICE_M, seed
    low, high = points_of(moved).min(axis=0), points_of(moved).max(axis=0)
    assert (low >= np.array(moved.low_m) - 1e-4).all()
    assert (high <= np.array(moved.high_m) + 1e-4).all()
    assert moved.origin_m == (10.0, 20.0, 5.0)


def test_heights_in_a_unit_of_their_own_and_another_axis_up() -> None:
    """Plan in feet, heights in metres, y up: the same as first to metres, then moved."""
    frame = Frame(unit_m=0.3048, up="-y", origin_m=(1.0, 2.0, 3.0), height_unit_m=1.0)
    rng = np.random.default_rng(3)
    raw = rng.uniform(-20.0, 20.0, (50, 3))
    turn = a_turn(rng)
    told = replace(frame, rotation=as_rotation(turn @ frame.axes()), origin_m=(0.0, 0.0, 0.0))
    assert told.to_metres(raw) == pytest.approx(frame.to_metres(raw) @ turn.T, abs=1e-9)
