"""How true gaps under a straightedge and their verdicts are, on drawn floors with analytic truth.

Each floor has some of: humps, dips at walls, tilt, waves, a ripple, ridges and grooves down to
20 mm of width, a step, columns, a drain, and now and then a groove in the shadow of a column. It is
scanned from one to four set-ups, written to a file, read, and judged under four limits beside its
true gap. The truth is the straightedge laid on the formula every 50 mm and 15 degrees, levels every
5 mm, up to the walls. ``--seed`` takes other floors; nothing was tuned on any.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from pourdatum.criteria import gap_limit
from pourdatum.errors import PourdatumError
from pourdatum.everywhere import rest_on
from pourdatum.flatness import check_flatness
from pourdatum.floor import find_floor
from pourdatum.read import read_scan
from pourdatum.simulate import (
    Hole,
    Hump,
    Relief,
    Round,
    Scene,
    Square,
    Wave,
    place_stations,
    scan_scene,
    sensor,
)  # fmt: skip
from pourdatum.surface import make_surface
from pourdatum.units import MM
from pourdatum.worstgap import worst_gap
from pourdatum.write.scan_files import write_scan

Array = NDArray[np.float64]

LENGTH_M: Final = 2.0
SHARES: Final = (0.6, 0.85, 1.15, 1.5)
_STEP_M: Final = 0.05
_LEVELS_M: Final = 0.005
_ROWS: Final = 4096


@dataclass(frozen=True)
class Strip:
    """A ridge with upright sides, or a groove where its height is below 0."""

    x_m: float
    y_m: float
    bearing_rad: float
    length_m: float
    width_m: float
    height_m: float

    def on(self, x: Array, y: Array) -> NDArray[np.bool_]:
        """Which places lie on it."""
        sin, cos = math.sin(self.bearing_rad), math.cos(self.bearing_rad)
        along = (x - self.x_m) * sin + (y - self.y_m) * cos
        across = (x - self.x_m) * cos - (y - self.y_m) * sin
        out: NDArray[np.bool_] = (np.abs(along) <= 0.5 * self.length_m) & (
            np.abs(across) <= 0.5 * self.width_m
        )
        return out


@dataclass(frozen=True)
class Sharp(Relief):
    """A smooth floor with strips on it, and a step right across.

    Attributes
    ----------
    strips : tuple of Strip
    step : tuple of 4 floats or None
        Place in plan, bearing along it, and height of what lies on its right.
    """

    strips: tuple[Strip, ...] = ()
    step: tuple[float, float, float, float] | None = None

    def height(self, x_m: ArrayLike, y_m: ArrayLike) -> Array:
        """Height at places [m]."""
        x, y = np.broadcast_arrays(np.asarray(x_m, np.float64), np.asarray(y_m, np.float64))
        return super().height(x, y) + self._sharp(x, y)

    def height_and_slope(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Array, Array, Array]:
        """The same with slopes; sides are upright and have none."""
        x, y = np.broadcast_arrays(np.asarray(x_m, np.float64), np.asarray(y_m, np.float64))
        z, zx, zy = super().height_and_slope(x, y)
        return z + self._sharp(x, y), zx, zy

    def _sharp(self, x: Array, y: Array) -> Array:
        z = np.zeros(x.shape)
        for strip in self.strips:
            z = z + strip.height_m * strip.on(x, y)
        if self.step is not None:
            at_x, at_y, bearing, high = self.step
            right = (x - at_x) * math.cos(bearing) - (y - at_y) * math.sin(bearing)
            z = z + high * (right > 0.0)
        return z


@dataclass(frozen=True)
class Told:
    """One floor: its truth, and what was said of it; lengths in mm."""

    seed: int
    what: tuple[str, ...]
    noise_mm: float
    true_mm: float
    value_mm: float | None
    low_mm: float | None
    high_mm: float | None
    unjudged: float
    lines: int
    hidden: bool
    verdicts: tuple[str, ...]
    why: str
    seconds: float

    @property
    def off_mm(self) -> float | None:
        """Value less truth."""
        return None if self.value_mm is None else self.value_mm - self.true_mm

    @property
    def holds(self) -> bool | None:
        """Whether the stated interval holds the truth."""
        if self.low_mm is None or self.high_mm is None:
            return None
        return self.low_mm <= self.true_mm <= self.high_mm

    @property
    def wrong(self) -> int:
        """Verdicts that are neither right nor open."""
        return sum(
            one not in ("undecided", "conforms" if share > 1.0 else "does not conform")
            for one, share in zip(self.verdicts, SHARES, strict=True)
        )

    @property
    def open(self) -> int:
        """Verdicts that are left open."""
        return self.verdicts.count("undecided")


def draw_scene(seed: int) -> tuple[Scene, tuple[str, ...], float, int]:
    """A floor, what is on it, the noise of its scan [m], and the set-ups."""
    rng = np.random.default_rng([seed, 90210])
    wide, deep = rng.uniform(3.4, 8.5), rng.uniform(3.0, 7.5)
    what: list[str] = []
    room = shapely.box(0.0, 0.0, wide, deep)
    cuts: list[Round | Square] = []

    def free(reach: float) -> tuple[float, float] | None:
        for _ in range(30):
            x, y = (
                rng.uniform(reach + 0.3, wide - reach - 0.3),
                rng.uniform(reach + 0.3, deep - reach - 0.3),
            )
            if all(shape.outline.distance(shapely.Point(x, y)) > reach + 0.1 for shape in cuts):
                return float(x), float(y)
        return None

    hidden = rng.random() < 0.2
    columns = 1 if hidden else int(rng.choice(3, p=(0.5, 0.3, 0.2)))
    for _ in range(columns):
        side = float(rng.uniform(0.3, 0.6))
        place = free(side)
        if place is not None:
            cuts.append(
                Round(*place, 0.5 * side)
                if rng.random() < 0.5
                else Square(*place, side, side, float(rng.uniform(0.0, 1.5)))
            )
            what.append("column")
    standing = tuple(cuts)
    holes: tuple[Hole, ...] = ()
    if rng.random() < 0.15 and (place := free(0.1)) is not None:
        cuts.append(Round(*place, float(rng.uniform(0.05, 0.1))))
        holes = (Hole(cuts[-1], 0.3),)
        what.append("drain")
    humps = [
        Hump(rng.uniform(0.0, wide), rng.uniform(0.0, deep), rng.normal(0.0, 0.003),
             rng.uniform(0.35, 1.3))
        for _ in range(int(rng.integers(0, 6)))
    ]  # fmt: skip
    if rng.random() < 0.3:
        humps.append(Hump(rng.uniform(0.0, wide), 0.0, -rng.uniform(0.002, 0.008),
                          rng.uniform(0.4, 0.9)))  # fmt: skip
        what.append("dip at a wall")
    waves = [
        Wave(rng.uniform(0.0, 0.0012), rng.uniform(1.2, 5.0), rng.uniform(0.0, 3.1),
             rng.uniform(0.0, 6.2))
    ]  # fmt: skip
    if rng.random() < 0.15:
        waves.append(Wave(rng.uniform(0.0004, 0.002), rng.uniform(0.15, 0.5),
                          rng.uniform(0.0, 3.1)))  # fmt: skip
        what.append("ripple")
    strips = []
    for _ in range(int(rng.choice(3, p=(0.45, 0.35, 0.2)))):
        high = rng.uniform(0.003, 0.009) * rng.choice((-1.0, 1.0))
        strips.append(Strip(rng.uniform(0.5, wide - 0.5), rng.uniform(0.5, deep - 0.5),
                            rng.uniform(0.0, math.pi), rng.uniform(0.5, 3.0),
                            rng.uniform(0.02, 0.08), high))  # fmt: skip
        what.append("ridge" if high > 0.0 else "groove")
    step = None
    if rng.random() < 0.15:
        step = (rng.uniform(0.3, 0.7) * wide, rng.uniform(0.3, 0.7) * deep,
                rng.uniform(0.0, math.pi), rng.uniform(0.002, 0.012))  # fmt: skip
        what.append("step")
    setups = 1 if hidden else int(rng.choice((1, 2, 3, 4), p=(0.2, 0.4, 0.2, 0.2)))
    relief = Sharp(0.0, *rng.normal(0.0, 0.003, 2), tuple(humps), tuple(waves), (),
                   tuple(strips), step)  # fmt: skip
    scene = Scene(
        f"floor-{seed}", tuple(room.exterior.coords)[:-1], relief, standing, holes,
        ceiling_m=2.7,
    )  # fmt: skip
    if hidden and standing:
        (x, y, _), *_ = place_stations(scene, 1)
        column = standing[0]
        away = np.array([column.x_m - x, column.y_m - y])
        away /= float(np.hypot(*away))
        turn = math.atan2(*away)
        length = float(rng.uniform(0.3, 0.7))
        near = 0.5 * math.sqrt(column.outline.area) + 0.15 + 0.5 * length
        strip = Strip(column.x_m + near * away[0], column.y_m + near * away[1], turn, length,
                      0.1, -float(rng.uniform(0.005, 0.009)))  # fmt: skip
        relief = replace(relief, strips=(*relief.strips, strip))
        scene = replace(scene, relief=relief)
        what.append("hidden groove")
    return scene, tuple(what), float(rng.choice((0.0005, 0.001, 0.002, 0.004))), setups


def true_gap_m(scene: Scene) -> float:
    """The worst gap on the formula, every 50 mm and 15 degrees, levels every 5 mm [m]."""
    floor = scene.floor
    shapely.prepare(floor)
    west, south, east, north = floor.bounds
    levels = round(LENGTH_M / _LEVELS_M) + 1
    every = round(_STEP_M / _LEVELS_M)
    worst = 0.0
    for k in range(12):
        turn = k * math.pi / 12.0
        along = np.array([math.sin(turn), math.cos(turn)])
        across = np.array([along[1], -along[0]])
        corner = np.array([[west, south], [east, south], [west, north], [east, north]])
        s = np.arange((corner @ along).min(), (corner @ along).max() + 1e-9, _LEVELS_M)
        t = np.arange((corner @ across).min() + 1e-6, (corner @ across).max(), _STEP_M)
        t = np.append(t, (corner @ across).max() - 1e-6)
        for off in t:
            place = s[:, None] * along + off * across
            on = shapely.intersects_xy(floor, *place.T)
            run = np.cumsum(np.append(0, on))
            start = np.flatnonzero(run[levels:] - run[:-levels] == levels)
            if not start.size:
                continue
            first = np.append(True, np.diff(start) != 1)
            last = np.append(first[1:], True)
            start = start[(start % every == 0) | first | last]
            level = scene.relief.height(*place.T)
            for row in range(0, start.size, _ROWS):
                under = level[start[row : row + _ROWS, None] + np.arange(levels)]
                worst = max(worst, float(rest_on(under, LENGTH_M).gap_m.max()))
    return worst


def one_floor(seed: int) -> Told:
    """Draw a floor, scan it, and hold what is said of it against its truth."""
    scene, what, noise_m, setups = draw_scene(seed)
    true_m = true_gap_m(scene)
    rng = np.random.default_rng([seed, 7])
    density = float(rng.choice((2500.0, 5000.0, 9000.0)))
    instrument = replace(sensor("tripod", place_stations(scene, setups)), noise_m=noise_m)
    shot = scan_scene(scene, instrument, seed, floor_points=round(density * scene.floor.area))
    with tempfile.TemporaryDirectory() as folder:
        scan = read_scan(write_scan(Path(folder) / "floor.las", shot.points_m, shot.station),
                         units="m")  # fmt: skip
        began = time.process_time()
        surface = make_surface(scan, find_floor(scan))
        asked = [f"{share * true_m * MM:.4f}mm/2m" for share in SHARES]
        found = check_flatness(surface, asked)
        seconds = time.process_time() - began
    hidden = worst_gap(surface, gap_limit("3mm/2m"))
    one = found[-1]
    low, high = one.interval or (None, None)
    if one.interval is None and one.value is not None and one.uncertainty is not None:
        low, high = max(one.value - one.uncertainty, 0.0), one.value + one.uncertainty
    return Told(
        seed=seed,
        what=what,
        noise_mm=noise_m * MM,
        true_mm=true_m * MM,
        value_mm=None if one.value is None else one.value * MM,
        low_mm=None if low is None else low * MM,
        high_mm=None if high is None else high * MM,
        unjudged=(one.unjudged_m2 or 0.0) / surface.floor.area_m2,
        lines=len(surface.narrow.lines),
        hidden=hidden is not None and hidden.unreached is not None,
        verdicts=tuple(each.verdict for each in found),
        why=one.why,
        seconds=seconds,
    )


def main(words: Sequence[str] | None = None) -> int:
    """Draw floors and print what was said of them."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--floors", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--lines", type=Path, help="a file that takes one line of JSON a floor")
    asked = options.parse_args(words)
    told, refused = [], []
    for seed in range(asked.seed, asked.seed + asked.floors):
        try:
            one = one_floor(seed)
        except PourdatumError as error:
            refused.append(error.id)
            print(f"{seed}: {error}", file=sys.stderr, flush=True)
            continue
        told.append(one)
        line = json.dumps(asdict(one))
        print(f"{'WRONG ' * one.wrong}{line}", file=sys.stderr, flush=True)
        if asked.lines is not None:
            with asked.lines.open("a", encoding="utf-8") as out:
                out.write(line + "\n")
    print_table(told, refused)
    return 0


def print_table(told: Sequence[Told], refused: Sequence[str]) -> None:
    """Verdicts and figures, by what was on the floors."""
    print(f"floors told: {len(told)}; refused: {', '.join(refused) or 'none'}")
    print(f"{'':24}{'floors':>7}{'right':>7}{'open':>6}{'wrong':>6}{'holds':>9}"
          f"{'in 0.5 mm':>11}{'median off':>12}")  # fmt: skip
    names = ("ridge", "groove", "step", "ripple", "dip at a wall", "column", "hidden groove")
    sharp = {"ridge", "groove", "hidden groove", "step", "ripple"}
    _print_row("all", told)
    _print_row("all of it judged", [one for one in told if not one.hidden])
    _print_row("nothing sharp", [one for one in told if not sharp & set(one.what)])
    judged = [one for one in told if not one.hidden]
    _print_row("  of it judged", [one for one in judged if not sharp & set(one.what)])
    for name in names:
        _print_row(name, [one for one in told if name in one.what])
        _print_row("  of it judged", [one for one in judged if name in one.what])
    for noise_mm in sorted({one.noise_mm for one in told}):
        _print_row(f"noise {noise_mm:g} mm", [one for one in told if one.noise_mm == noise_mm])


def _print_row(name: str, told: Sequence[Told]) -> None:
    off = np.abs([one.off_mm for one in told if one.off_mm is not None])
    if not off.size:
        return
    wrong, left = sum(one.wrong for one in told), sum(one.open for one in told)
    holds = [one.holds for one in told if one.holds is not None]
    right = len(SHARES) * len(told) - wrong - left
    print(f"{name:24}{len(told):7}{right:7}{left:6}{wrong:6}{sum(holds):5}/{len(holds):3}"
          f"{np.mean(off <= 0.5):11.0%}{np.median(off):9.2f} mm")  # fmt: skip


if __name__ == "__main__":
    raise SystemExit(main())
