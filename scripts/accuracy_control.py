"""What control shots leave of a hand-held scan's tilt and warp, and whether that is owned up to.

    python scripts/accuracy_control.py                 surfaces alone, a few minutes
    python scripts/accuracy_control.py --scans 40      and from files, two seconds a scan
    python scripts/accuracy_control.py --seed 7        the same draws again

A floor of 6 by 6 m, tilted by 0.2 degrees in any direction, with warps of several shapes that
rise 3 mm from least to middle; six shots of 0.5 mm (one standard deviation), and a surface
that errs by 0.3 mm of its own at each, as hand-held scans do.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.control import level_by_control
from pourdatum.errors import JobError
from pourdatum.grid import Grid
from pourdatum.job import Job
from pourdatum.pipeline import survey_scan
from pourdatum.shots import Shot
from pourdatum.simulate import Hump, Relief, Scene, Wave, scan_scene, sensor, walk_path
from pourdatum.surface import Surface
from pourdatum.uncertainty import RAYLEIGH_95, SENSORS
from pourdatum.write.scan_files import write_scan

Array = NDArray[np.float64]
Wrong = Callable[[Array, Array], Array]

SIDE_M = 6.0
WARP_M = 0.003
SHOT_M = 0.0005
SURFACE_M = 0.0003
TILT = math.tan(math.radians(0.2))
LIMITS = {True: 0.0005, False: 0.0002}
SHAPES = ("none", "two long waves", "bowl", "saddle", "half sine", "twist", "random field")


def layouts() -> dict[str, Array]:
    """Six places, as people take them."""
    turn = 0.3 + np.arange(5) * math.tau / 5
    ring = np.array([[3.0, 3.0], *(3.0 + 2.6 * np.stack([np.cos(turn), np.sin(turn)], axis=1))])
    corners = [[0.4, 0.4], [5.6, 0.4], [0.4, 5.6], [5.6, 5.6]]
    return {
        "corners and two walls": np.array([*corners, [0.4, 3.0], [5.6, 3.0]]),
        "corners and two inside": np.array([*corners, [2.0, 3.0], [4.0, 3.0]]),
        "ring and middle": ring,
    }


def warp(shape: str, rng: np.random.Generator) -> Wrong:
    """A bend of the scan [m] over the plan."""
    turn, first, second = rng.uniform(0.0, math.tau, 3)
    sign = rng.choice([-1.0, 1.0])
    length = rng.uniform(2.0, 5.0)
    ways = rng.normal(0.0, 1.0 / length, (60, 2))
    phases = rng.uniform(0.0, math.tau, 60)

    def bend(x: Array, y: Array) -> Array:
        a, b = (x - 3.0) / 3.0, (y - 3.0) / 3.0
        u = math.cos(turn) * a + math.sin(turn) * b
        v = -math.sin(turn) * a + math.cos(turn) * b
        match shape:
            case "bowl":
                return sign * WARP_M * (1.0 - 0.5 * (a * a + b * b))
            case "saddle":
                return 0.5 * WARP_M * (u * u - v * v)
            case "half sine":
                return sign * WARP_M * np.cos(0.5 * math.pi * u)
            case "twist":
                return sign * WARP_M * a * b
            case "two long waves":
                waves = ((12.0, turn, first), (16.4, turn + 1.9, second))
                return sum(
                    0.5 * WARP_M
                    * np.sin(math.tau * (x * math.cos(w) + y * math.sin(w)) / long + phase)
                    for long, w, phase in waves
                )  # fmt: skip
            case "random field":
                total = np.zeros(np.broadcast(x, y).shape)
                for way, phase in zip(ways, phases, strict=True):
                    total += np.cos(way[0] * x + way[1] * y + phase)
                return WARP_M * math.sqrt(2.0 / 60.0) * total
            case _:
                return np.zeros(np.broadcast(x, y).shape)

    return bend


def tilt(rng: np.random.Generator) -> Wrong:
    """0.2 degrees in any direction."""
    turn = rng.uniform(0.0, math.tau)
    return lambda x, y: TILT * (math.cos(turn) * (x - 3.0) + math.sin(turn) * (y - 3.0))


def bare_surface(wrong: Wrong) -> Surface:
    """A level floor as a scan that is out by ``wrong`` shows it."""
    n = round(SIDE_M / 0.2) + 4
    grid = Grid(-0.3, -0.3, 0.2, n, n)
    x, y = grid.mesh()
    outline = shapely.box(0.0, 0.0, SIDE_M, SIDE_M)
    inside = shapely.contains_xy(outline, x, y)
    return Surface(
        grid, wrong(x, y), np.full(grid.shape, SURFACE_M), np.ones(grid.shape), inside,
        np.zeros_like(inside), SENSORS["mobile"], SimpleNamespace(outline=outline),
        (0.0, 0.0, 0.0), (), 36.0, 0.0, None, np.full(grid.shape, 0.005),
    )  # fmt: skip


def shots_at(places: Array, level: Array) -> list[Shot]:
    """Shots of these levels at these places, local [m]."""
    rows = np.column_stack([places, level]).tolist()
    return [Shot(f"P{k}", (x, y), z, SHOT_M) for k, (x, y, z) in enumerate(rows)]


def plane_of(surface: Surface, left: Array) -> Array:
    """Plane through what is left (height in the middle, slopes), and its root mean square."""
    x, y = surface.grid.mesh()
    inside = surface.measured
    design = np.column_stack([np.ones(inside.sum()), x[inside], y[inside]])
    design[:, 1:] -= design[:, 1:].mean(axis=0)
    found, *_ = np.linalg.lstsq(design, left[inside], rcond=None)
    return np.append(found, np.std(left[inside] - design @ found))


def alone(shape: str, places: Array, rng: np.random.Generator) -> tuple[float, ...]:
    """One draw without points: slope left, stated, holds, slope by a plane alone, level holds."""
    lean, bend = tilt(rng), warp(shape, rng)
    surface = bare_surface(lambda x, y: lean(x, y) + bend(x, y))
    spots = places + rng.uniform(-0.1, 0.1, places.shape)
    off = rng.normal(0.0, SHOT_M, 6) + rng.normal(0.0, SURFACE_M, 6)
    shots = shots_at(spots, off)
    levelled = level_by_control(surface, shots)
    left = plane_of(levelled, levelled.height_m + levelled.origin_m[2])
    slope = math.hypot(left[1], left[2])
    stated = RAYLEIGH_95 * levelled.shared.tilt_rad
    # The least-squares plane through six levels: the best there is where nothing bends.
    bent = lean(*spots.T) + bend(*spots.T)
    plain, *_ = np.linalg.lstsq(np.column_stack([np.ones(6), spots]), off - bent, rcond=None)
    grid_x, grid_y = surface.grid.mesh()
    with_plane = plane_of(
        surface, surface.height_m + plain[0] + plain[1] * grid_x + plain[2] * grid_y
    )
    holds = abs(left[0]) <= 1.96 * levelled.shared.datum_m
    doubted = len(levelled.control.used) < 6 if levelled.control else False
    return (
        slope,
        stated,
        slope <= stated,
        math.hypot(*with_plane[1:3]),
        holds,
        left[3],
        (levelled.shared.warp_m),
        doubted,
    )


def surfaces_alone(draws: int, seed: int) -> Iterator[str]:
    """Rows of the table of surfaces without points."""
    yield (
        "| warp | shots | median | 95 % below | limit | within | plane alone within "
        "| stated, median | holds | level holds | warp left, stated | doubted |"
    )
    yield "| --- " * 12 + "|"
    for shape in SHAPES:
        limit = LIMITS[shape != "none"]
        for name, places in layouts().items():
            rng = np.random.default_rng([seed, SHAPES.index(shape)])
            found = np.array([alone(shape, places, rng) for _ in range(draws)])
            slope, stated, holds, plain, level, left, said, doubted = found.T
            yield (
                f"| {shape} | {name} | {_mm(np.median(slope))} | {_mm(np.quantile(slope, 0.95))} "
                f"| {_mm(limit)} | {np.mean(slope < limit):.1%} | {np.mean(plain < limit):.1%} "
                f"| {_mm(np.median(stated))} | {holds.mean():.1%} | {level.mean():.1%} "
                f"| {_mm(math.sqrt(np.mean(left**2)))}, {_mm(math.sqrt(np.mean(said**2)))} "
                f"| {doubted.mean():.1%} |"
            )


def wrong_shots(draws: int, seed: int) -> Iterator[str]:
    """Rows of the table of campaigns in which one shot is wrong."""
    yield (
        "| one shot off by | shots | named and left out | refused | used, what is stated holds "
        "| used, it does not hold | another named |"
    )
    yield "| --- " * 7 + "|"
    for off_m in (0.0, 0.005, 0.010, 0.020, 0.050):
        for count in (4, 6, 8, 12):
            rng = np.random.default_rng([seed, 99, count])
            ends = [one_wrong(count, off_m, rng) for _ in range(draws)]
            shares = [
                f"{ends.count(end) / draws:.0%}"
                for end in ("right", "no", "held", "missed", "other")
            ]
            yield f"| {off_m * 1e3:g} mm | {count} | {' | '.join(shares)} |"


def one_wrong(count: int, off_m: float, rng: np.random.Generator) -> str:
    """How a campaign ends in which the third of so many shots is off."""
    lean, bend = tilt(rng), warp("two long waves", rng)
    surface = bare_surface(lambda x, y: lean(x, y) + bend(x, y))
    side = np.linspace(0.5, 5.5, {4: 2, 6: 3, 8: 4, 12: 4}[count])
    rows = np.linspace(0.5, 5.5, count // len(side))
    places = np.stack(np.meshgrid(side, rows), axis=-1).reshape(-1, 2)
    places = places + rng.uniform(-0.3, 0.3, places.shape)
    off = rng.normal(0.0, math.hypot(SHOT_M, SURFACE_M), count)
    off[2] += off_m
    shots = shots_at(places, off)
    try:
        levelled = level_by_control(surface, shots)
    except JobError:
        return "no"
    control = levelled.control
    out = [shot.name for shot in control.shots if not shot.used] if control else []
    if out:
        return "right" if out == ["P2"] else "other"
    level, *slopes, _ = plane_of(levelled, levelled.height_m + levelled.origin_m[2])
    held = math.hypot(*slopes) <= RAYLEIGH_95 * levelled.shared.tilt_rad
    return "held" if held and abs(level) <= 1.96 * levelled.shared.datum_m else "missed"


def from_files(scans: int, seed: int) -> Iterator[str]:
    """Rows of the table of simulated scans, from files to ``result.json``."""
    yield "| warp | scans | median | 95 % below | limit | within | holds | stated, median |"
    yield "| --- " * 8 + "|"
    with tempfile.TemporaryDirectory() as folder:
        for warp_m in (WARP_M, 0.0):
            limit = LIMITS[warp_m > 0.0]
            found = np.array(
                [surveyed(Path(folder), warp_m, [seed, 5, number]) for number in range(scans)]
            )
            slope, stated = found.T
            yield (
                f"| {warp_m * 1e3:g} mm | {scans} | {_mm(np.median(slope))} "
                f"| {_mm(np.quantile(slope, 0.95))} | {_mm(limit)} | {np.mean(slope < limit):.1%} "
                f"| {np.mean(slope <= stated):.1%} | {_mm(np.median(stated))} |"
            )


def surveyed(folder: Path, warp_m: float, seed: list[int]) -> tuple[float, float]:
    """Slope left in a scan that was walked, and the slope stated [m/m]."""
    rng = np.random.default_rng(seed)
    at = lambda: (float(v) for v in rng.uniform(1.0, 5.0, 2))  # noqa: E731
    relief = Relief(
        slope_x=float(rng.uniform(-0.001, 0.001)),
        slope_y=float(rng.uniform(-0.001, 0.001)),
        humps=(
            Hump(*at(), float(rng.uniform(0.003, 0.008)), float(rng.uniform(0.5, 0.9)), "gaussian"),
            Hump(*at(), -float(rng.uniform(0.002, 0.005)), float(rng.uniform(0.5, 0.9)), "cosine"),
        ),
        waves=(Wave(0.0008, float(rng.uniform(4.0, 7.0)), *rng.uniform(0.0, 6.0, 2)),),
    )
    corners = ((0.0, 0.0), (SIDE_M, 0.0), (SIDE_M, SIDE_M), (0.0, SIDE_M))
    scene = Scene(name="control", outline=corners, relief=relief, ceiling_m=2.7)
    walker = sensor(
        "mobile", walk_path(scene), tilt_rad=math.radians(0.2),
        tilt_bearing_rad=float(rng.uniform(0.0, math.tau)), warp_m=warp_m, top_rad=0.4,
    )  # fmt: skip
    shot = scan_scene(scene, walker, int(rng.integers(2**31)), points=400_000)
    scan = write_scan(folder / "room.ply", shot.points_m, shot.station)
    places = layouts()["corners and two walls"] + rng.uniform(-0.1, 0.1, (6, 2))
    level = relief.height(places[:, 0], places[:, 1]) + rng.normal(0.0, SHOT_M, 6)
    control = folder / "control.csv"
    rows = [
        f"{shot.name},{shot.place_m[0]:.4f},{shot.place_m[1]:.4f},{shot.level_m:.5f}"
        for shot in shots_at(places, level)
    ]
    control.write_text("\n".join(["name,x,y,z", *rows]))
    survey = survey_scan([scan], Job(scan={"control": str(control)}))
    surface = survey.surface
    x, y = surface.grid.mesh()
    x0, y0, z0 = surface.origin_m
    left = plane_of(surface, surface.height_m + z0 - relief.height(x + x0, y + y0))
    return math.hypot(left[1], left[2]), survey.figures.tilt_95 or math.nan


def _mm(value: float) -> str:
    return f"{value * 1e3:.2f}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=300, help="draws of each row; 0 for none")
    parser.add_argument("--scans", type=int, default=0, help="scans from files for each warp")
    parser.add_argument("--seed", type=int, default=None, help="default: fresh draws")
    words = parser.parse_args()
    seed = int(np.random.default_rng().integers(2**31)) if words.seed is None else words.seed
    print(f"Slopes in mm per m. --seed {seed}\n", flush=True)
    tables = []
    if words.draws:
        tables += [surfaces_alone(words.draws, seed), wrong_shots(max(words.draws // 3, 1), seed)]
    if words.scans:
        tables.append(from_files(words.scans, seed))
    for table in tables:
        for row in table:
            print(row, flush=True)
        print()


if __name__ == "__main__":
    main()
