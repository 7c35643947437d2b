"""How often the stated 95 % intervals hold, on simulated scenes whose truth is known.

    scripts/coverage                       twenty scenes of each kind, half an hour
    scripts/coverage --scenes 300          as in the table of DEVELOPERS.md
    scripts/coverage --kinds tripod        some kinds only
    scripts/coverage --seed 5              the same scenes again

This file is not named after its command: as ``coverage.py`` it stood in the way of the package
that Numba looks for, and the compiled loops were not loaded.

Rooms of 15 to 90 m² with columns, crates, pits and doors, scanned with few or many points. Tilt
and warp of each scan are drawn from the stated budget of its sensor: an interval is honest when
it holds in 95 of 100 draws, and it holds more often where nothing was tilted or bent. Kinds that
the budget does not know (specks, stripes, set-ups joined badly, a bump under a crate) are listed
apart.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from accuracy_stated import Stated, stated
from pourdatum.errors import PourdatumError
from pourdatum.job import Job
from pourdatum.material import bags_needed, powder_mass_kg
from pourdatum.sheetfile import read_sheet
from pourdatum.simulate import (
    HIGH_KINDS,
    Hump,
    LevelTruth,
    Scene,
    Sensor,
    Shot,
    Top,
    highest_floor,
    place_stations,
    random_room,
    scan_scene,
    sensor,
    true_fills,
    walk_path,
)
from pourdatum.uncertainty import SENSORS, SensorKind
from pourdatum.units import MM
from pourdatum.write.scan_files import write_scan

AREA_M2: Final = (15.0, 90.0)
POINTS: Final = (80_000, 500_000)
THIN_AREA_M2: Final = (150.0, 500.0)
THIN_POINTS: Final = (15_000, 120_000)
"""A large floor of which much is seen by next to no points."""
SHOT_M: Final = 0.0005
"""One standard deviation of a control shot [m]."""
_LEAST_SEEN: Final = 3
"""Points within a square of 100 mm from which it was seen."""
QUANTITIES: Final = ("area", "datum", "volume", "bags", "volume to the level of the plan")

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Kind:
    """What scenes of a row of the table have in common.

    Attributes
    ----------
    name : str
    sensor : str
    control : bool
        Whether six control shots come with the scan.
    drifts : bool
        Whether tilt and warp are drawn from the sensor's budget; else there are none.
    outside : str
        What the budget does not know: "", "specks", "stripes", "steps" or "bump"; with "files"
        or "apart" each set-up is told where it stood (E57), with errors that all share or with
        errors of its own.
    thin : bool
        Whether the floor is large and its points are few, the highest place seen or not.
    """

    name: str
    sensor: SensorKind
    control: bool = False
    drifts: bool = True
    outside: str = ""
    thin: bool = False


KINDS: Final = (
    Kind("tripod", "tripod"),
    Kind("hand-held with control", "mobile", control=True),
    Kind("hand-held", "mobile"),
    Kind("phone with control", "phone", control=True),
    Kind("phone", "phone"),
    Kind("tripod, neither tilt nor warp", "tripod", drifts=False),
    Kind("tripod, specks in the air", "tripod", outside="specks"),
    Kind("tripod, stripes of 1 mm", "tripod", outside="stripes"),
    Kind("tripod, set-ups off by 1 mm", "tripod", outside="steps"),
    Kind("tripod, a bump under a crate", "tripod", outside="bump"),
    Kind("tripod, large floor seen thinly", "tripod", thin=True),
    Kind("tripod, set-ups with places, errors of the campaign", "tripod", outside="files"),
    Kind("tripod, set-ups with places, errors of each", "tripod", outside="apart"),
)


@dataclass(frozen=True)
class Held:
    """One stated interval against the truth."""

    quantity: str
    true: float
    value: float
    low: float
    high: float

    @property
    def holds(self) -> bool:
        """Whether the truth lies in it."""
        return self.low <= self.true <= self.high


def one_scene(
    kind: Kind,
    seed: Sequence[int],
    folder: Path,
    least_seen: int = _LEAST_SEEN,
    area_m2: tuple[float, float] = AREA_M2,
) -> list[Held]:
    """Draw a room and its scan, plan from the file, and hold the intervals to the truth.

    Nothing where no set-up saw the highest place, or the scan ends before the floor does and the
    plan says so: what nobody saw no scan can find.
    """
    rng = np.random.default_rng(seed)
    number = int(rng.integers(2**31))
    room = random_room(
        number,
        high=HIGH_KINDS[number % len(HIGH_KINDS)],
        area_m2=THIN_AREA_M2 if kind.thin else area_m2,
    )
    least, most = THIN_POINTS if kind.thin else POINTS
    shot = scan_scene(
        room if kind.outside != "bump" else _with_bump(room),
        _instrument(kind, room, rng),
        number,
        floor_points=int(np.exp(rng.uniform(math.log(least), math.log(most)))),
    )
    points = shot.points_m
    seen = room if kind.outside != "bump" else _with_bump(room)
    top = highest_floor(seen)
    if kind.outside != "bump" and not kind.thin and not _sees(points, top, least_seen):
        return []
    if kind.drifts:
        points = _stretched(points, rng.normal(0.0, SENSORS[kind.sensor].scale))
    if kind.outside == "stripes":
        points = points + _stripes(points, rng)
    if kind.outside in ("files", "apart"):
        scans = [posed(folder / f"set-ups-{number}.e57", points, shot)]
    elif kind.outside == "steps":
        scans = [
            write_scan(folder / f"set-up-{number}.las", points[shot.station == number])
            for number in range(len(shot.stations_m))
        ]
    else:
        scans = [write_scan(folder / "room.las", points, shot.station)]
    told: dict[str, Any] = {"sensor": kind.sensor}
    if kind.control:
        told["control"] = str(_control(room, folder, rng))
    job = Job.model_validate({"scan": told})
    found = stated(scans, job, pins=not kind.control)
    if found.open_edge:
        return []
    datum_m = top.high_turned_z_m + read_sheet(job.material.sheet).least_m
    area_m2, fills = true_fills(seen, [datum_m, _set_out_m(kind, seen, found, rng)])
    return _held(area_m2, *fills, found)


def posed(path: Path, points_m: Array, shot: Shot) -> Path:
    """An E57 of one scan for each set-up, with where it stood."""
    import pye57

    path.unlink(missing_ok=True)
    file = pye57.E57(str(path), mode="w")
    for number, place in enumerate(shot.stations_m):
        own = points_m[shot.station == number] - place
        axes = dict(zip(("cartesianX", "cartesianY", "cartesianZ"), own.T.copy(), strict=True))
        file.write_scan_raw(
            axes, name=f"set-up {number + 1}", rotation=np.array([1.0, 0, 0, 0]), translation=place
        )
    file.close()
    return path


def _instrument(kind: Kind, room: Scene, rng: np.random.Generator) -> Sensor:
    budget = SENSORS[kind.sensor]
    shared = kind.drifts and kind.outside != "apart"
    tilt = rng.normal(0.0, budget.tilt_rad, 2) if shared else np.zeros(2)
    # Two waves of half the amplitude each: their root mean square is half of it.
    bend_m = 2.0 * abs(float(rng.normal(0.0, budget.warp_m))) if shared else 0.0
    changes: dict[str, Any] = {
        "tilt_rad": float(np.hypot(*tilt)),
        "tilt_bearing_rad": float(np.arctan2(tilt[0], tilt[1])),
        "warp_m": bend_m,
        "warp_length_m": float(rng.uniform(1.0, 2.0)) * math.sqrt(room.room.area),
        # As high as the ceiling from a few metres away: what stands is told by where it ends.
        "top_rad": 0.8,
    }
    if kind.outside == "specks":
        changes["speck_share"] = 0.02
    if kind.outside == "steps":
        changes["station_step_m"] = 0.001
    if kind.outside == "apart":
        changes |= {"own_tilt_rad": budget.tilt_rad, "own_warp_m": budget.warp_m}
    if kind.sensor == "tripod":
        stations = place_stations(room, int(rng.integers(3, 6)))
        changes["noise_m"] = float(rng.uniform(0.0005, 0.0025))
    else:
        stations = walk_path(room)
    return sensor(kind.sensor, stations, **changes)


def _sees(points: Array, true: Top, least: int) -> bool:
    """Whether the scan holds points on the highest place."""
    off = np.abs(points - [*true.high_place, true.high_z_m])
    return int(((off[:, :2] < 0.05).all(axis=1) & (off[:, 2] < 0.05)).sum()) >= least


def _stretched(points: Array, share: float) -> Array:
    """Plan lengths longer by this share, about the middle of the scan."""
    out = points.copy()
    out[:, :2] += share * (points[:, :2] - points[:, :2].mean(axis=0))
    return out


def _with_bump(room: Scene) -> Scene:
    """The room with a bump of 6 mm under its first crate, which nobody sees."""
    if not room.crates:
        return room
    x, y = room.crates[0].x_m, room.crates[0].y_m
    bump = Hump(x, y, 0.006, 0.35, "cosine")
    return replace(room, relief=replace(room.relief, humps=(*room.relief.humps, bump)))


def _stripes(points: Array, rng: np.random.Generator) -> Array:
    """Errors of 1 mm that whole sweeps share: stripes 60 mm wide, each with its own."""
    bearing = rng.uniform(0.0, math.pi)
    along = points[:, 0] * math.cos(bearing) + points[:, 1] * math.sin(bearing)
    stripe = np.floor((along - along.min()) / 0.06).astype(np.int64)
    out = np.zeros_like(points)
    out[:, 2] = 0.001 * rng.standard_normal(stripe.max() + 1)[stripe]
    return out


def _control(room: Scene, folder: Path, rng: np.random.Generator) -> Path:
    """Six shots spread over what is free of the floor, one after another the farthest away."""
    free = room.floor.buffer(-0.4)
    for crate in room.crates:
        free = free.difference(crate.outline.buffer(0.5))
    import shapely

    x0, y0, x1, y1 = free.bounds
    spots = np.column_stack([rng.uniform(x0, x1, 3000), rng.uniform(y0, y1, 3000)])
    spots = spots[shapely.contains_xy(free, spots[:, 0], spots[:, 1])]
    chosen = [spots[0]]
    while len(chosen) < 6:
        away = np.min([np.hypot(*(spots - place).T) for place in chosen], axis=0)
        chosen.append(spots[int(np.argmax(away))])
    rows = ["name,x,y,z"]
    for number, (x, y) in enumerate(chosen, 1):
        z = float(room.relief.height(x, y)) + rng.normal(0.0, SHOT_M)
        east, north, up = room.site_m
        rows.append(f"S{number},{x + east:.4f},{y + north:.4f},{z + up:.5f}")
    path = folder / "control.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def _set_out_m(kind: Kind, seen: Scene, found: Stated, rng: np.random.Generator) -> float:
    """Where the level of a plan comes to lie: by a benchmark, or from what staffs read at pins."""
    if kind.control:
        return found.level_m
    x, y = found.pin_m.T
    read_m = seen.height_m(x, y) + rng.normal(0.0, SHOT_M, x.size)
    return float(np.mean(read_m + found.depth_m))


def _held(area_m2: float, level: LevelTruth, planned: LevelTruth, found: Stated) -> list[Held]:
    """The stated intervals of a plan against the truth, and of what its own level takes."""
    sheet = read_sheet(Job().material.sheet)
    powder_kg = powder_mass_kg(level.volume_l / MM, sheet.powder_kg_per_m2_mm)
    true_bags = float(bags_needed(powder_kg, sheet.bag_kg))
    datum_mm, volume_l, ends_l = (
        np.array(ends) * MM
        for ends in (found.level_interval_m, found.volume_interval_m3, found.at_level_interval_m3)
    )
    fill_l = found.volume_m3 * MM
    return [
        Held("datum", level.z_m * MM, found.level_m * MM, *datum_mm),
        Held("volume", level.volume_l, fill_l, *volume_l),
        Held("bags", true_bags, found.bags, *found.bags_interval),
        Held("area", area_m2, found.area_m2, *found.area_interval_m2),
        Held(QUANTITIES[-1], planned.volume_l, fill_l, *ends_l),
    ]


def rows(kind: Kind, found: list[list[Held]], refused: int, unseen: int) -> Iterator[str]:
    """Rows of the table: one for each quantity of a kind."""
    for quantity in QUANTITIES:
        own = [held for scene in found for held in scene if held.quantity == quantity]
        if not own:
            continue
        holds = np.mean([held.holds for held in own])
        half = [(held.high - held.low) / 2 for held in own]
        relative = [width / abs(held.true) for width, held in zip(half, own, strict=True)]
        off = [(held.value - held.true) / width for held, width in zip(own, half, strict=True)]
        width = (
            f"± {np.median(half):.2f} mm" if quantity == "datum" else f"± {np.median(relative):.1%}"
        )
        yield (
            f"| {kind.name} | {quantity} | {len(own)} | {holds:.1%} | {width} "
            f"| {np.mean(off):+.2f} | {np.std(off) * 1.96:.2f} | {unseen} | {refused} |"
        )


def main(words: Sequence[str] | None = None) -> int:
    """Print the table, a row as soon as it is known."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=20, help="scenes of each kind")
    parser.add_argument("--seed", type=int, default=None, help="default: fresh draws")
    parser.add_argument("--kinds", nargs="*", help="names of kinds, or their beginnings")
    parser.add_argument(
        "--least-seen", type=int, default=_LEAST_SEEN, help="points from which the top was seen"
    )
    parser.add_argument(
        "--area", type=float, nargs=2, default=AREA_M2, help="least and most area of a room"
    )
    parser.add_argument("--misses", action="store_true", help="list intervals that did not hold")
    asked = parser.parse_args(words)
    warnings.simplefilter("ignore")  # What libraries murmur is not part of the table.
    seed = int(np.random.default_rng().integers(2**31)) if asked.seed is None else asked.seed
    kinds = [k for k in KINDS if not asked.kinds or any(k.name == word for word in asked.kinds)]
    print(f"--seed {seed} --scenes {asked.scenes}\n")
    print("| scans | interval of | scenes | holds | half width, median | mean off, in half widths "
          "| 1.96 standard deviations, in half widths | high place or end of floor unseen "
          "| refused |")  # fmt: skip
    print("| --- " * 9 + "|", flush=True)
    for kind in kinds:
        found, refused, unseen = [], 0, 0
        with tempfile.TemporaryDirectory() as folder:
            for number in range(asked.scenes):
                try:
                    own = [seed, KINDS.index(kind), number]
                    found.append(
                        one_scene(kind, own, Path(folder), asked.least_seen, tuple(asked.area))
                    )
                except PourdatumError as fault:
                    refused += 1
                    print(f"{kind.name} {number}: {fault}", file=sys.stderr)
                    continue
                if not found[-1]:
                    found.pop()
                    unseen += 1
                    continue
                for held in found[-1]:
                    if asked.misses and not held.holds:
                        print(f"{kind.name} {number}: {held}", file=sys.stderr, flush=True)
        for row in rows(kind, found, refused, unseen):
            print(row, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
